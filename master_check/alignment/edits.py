"""What was cut out, put in or put elsewhere, from the lines along which two signals lie."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from master_check.alignment.lines import Line

LEAST_S: Final = 0.05
"""A gap or a jump counts from here on; joints are found to a hundredth of a second or two."""


@dataclass(frozen=True, slots=True)
class Edit:
    """A piece that is not where it was.

    Attributes
    ----------
    kind : str
        "cut": the second signal lacks it. "inserted": only the second has it. "moved": it comes before
        what it followed. "repeated": the second has it once more.
    at_s : float
        Where in the second signal; of a cut, the join.
    from_s : float or None
        Where in the first signal; None for what it has not.
    length_s : float
    """

    kind: Literal["cut", "inserted", "moved", "repeated"]
    at_s: float
    from_s: float | None
    length_s: float


def edits(lines: Sequence[Line], rate: int) -> tuple[Edit, ...]:
    """From lines in samples of this rate, as they follow each other in the second signal."""
    found = []
    held: list[tuple[float, float]] = []  # what of the first signal the second had so far
    pieces = [
        (line.start / rate, line.stop / rate, line.place(line.start) / rate, line.place(line.stop) / rate)
        for line in lines
    ]
    for n, (start, stop, begins, ends) in enumerate(pieces):
        if n and start - pieces[n - 1][1] > LEAST_S:
            found.append(Edit("inserted", pieces[n - 1][1], None, start - pieces[n - 1][1]))
        again = sum(max(0.0, min(ends, last) - max(begins, first)) for first, last in held)
        if again > LEAST_S:
            found.append(Edit("repeated", start, begins, again))
        elif held and begins < max(first for first, _ in held):
            found.append(Edit("moved", start, begins, stop - start))
        held.append((begins, ends))
    # What the second has never, between the first and the last that it has.
    reached = min(held)[1] if held else 0.0
    for begins, ends in sorted(held):
        if begins - reached > LEAST_S:
            join = next(start for start, _, first, _ in pieces if first == begins)
            found.append(Edit("cut", join, reached, begins - reached))
        reached = max(reached, ends)
    return tuple(sorted(found, key=lambda edit: edit.at_s))
