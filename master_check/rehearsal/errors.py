"""The one error of this room."""


class RehearsalError(Exception):
    """A rehearsal that cannot be made: why, and what to do, in one line."""
