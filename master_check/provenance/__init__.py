"""Where a file really comes from: what earlier conversions and encodes have left in it."""
