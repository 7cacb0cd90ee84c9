"""Many files as one programme: the sequence, what does not go together, alternate versions."""
