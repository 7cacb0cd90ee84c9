"""The stems of a mix: the gain sheet, the buses, the mix that they make. Not called `stems`: that is the function."""
