"""The published test signals, through this installation."""
