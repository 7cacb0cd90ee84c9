"""What files say of themselves: titles, codes, loudness and gains, read within bounds whatever stands there."""
