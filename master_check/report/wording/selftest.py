"""The selftest in a line."""

from collections.abc import Sequence
from typing import Final

from master_check.selftest.run import Outcome, largest_misses
from master_check.tables.quantities import QUANTITIES

CAUTION: Final = (
    "The selftest writes test tones to a temporary folder and removes them. If you keep or play any: "
    "turn the monitors down first, and take headphones off."
)


def summary(outcomes: Sequence[Outcome]) -> str:
    """How many cases are met, and how far off the readings are at most."""
    missed = sum(not outcome.passed for outcome in outcomes)
    worst = ", ".join(
        f"{QUANTITIES[key].title.lower()} {miss:.3f} {QUANTITIES[key].unit.removesuffix('FS').removesuffix('TP')}"
        for key, miss in largest_misses(list(outcomes)).items()
    )
    verdict = f"{missed} of {len(outcomes)} cases missed" if missed else f"all {len(outcomes)} cases met"
    return f"{verdict}; largest errors: {worst}"
