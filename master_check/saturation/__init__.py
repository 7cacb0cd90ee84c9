"""How hot each side got: left, right, middle and sides. From one file, and from a premaster and its master."""
