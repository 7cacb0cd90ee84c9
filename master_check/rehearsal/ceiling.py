"""The gain to take off a master so that what comes out of an encode keeps its peak limits.

What an encode adds to peaks jumps about from gain to gain, so that it cannot be calculated: every answer is an encode
that was measured.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Final

from master_check.judgement.profile import Rule
from master_check.tables.quantities import Value

STEP_DB: Final = 0.1
MOST_STEPS: Final = 200
"""A limit that cannot be kept with 20 dB less is out of reach."""


@dataclass(frozen=True, slots=True)
class PeakLimits:
    """The limits on peaks in the rules of a rehearsal: measure and highest value, tolerance included."""

    limits: tuple[tuple[str, float], ...]

    def __bool__(self) -> bool:
        return bool(self.limits)

    def excess_db(self, values: Mapping[str, Value]) -> float:
        """How far the worst of the peaks is above its limit; 0 or less where all are kept."""
        found = [float(value) - most for key, most in self.limits if (value := values[key]) is not None]
        return max(found, default=-MOST_STEPS * STEP_DB)

    @property
    def lowest_dbtp(self) -> float:
        """The lowest of them; 0 without one."""
        return min((most for _, most in self.limits), default=0.0)


def peak_limits(rules: Sequence[Rule]) -> PeakLimits:
    """The limits on peaks that a search can keep. Notes, and rules that apply only sometimes, do not count."""
    found = []
    for rule in rules:
        if rule.max is None or rule.level == "note" or rule.when is not None:
            continue
        most = rule.max + (rule.tolerance or 0.0)
        if rule.measure in ("true_peak_dbtp", "sample_peak_dbfs"):
            found.append((rule.measure, most))
        elif rule.measure == "true_peak_over_runs" and most < 1.0:
            found.append(("true_peak_dbtp", 0.0))
        elif rule.measure == "over_full_scale_samples" and most < 1.0:
            found.append(("sample_peak_dbfs", 0.0))
    return PeakLimits(tuple(found))


def fewest_steps(over_db: float, broken_by: Callable[[int], float], first: int | None = None) -> int | None:
    """How many steps of `STEP_DB` to turn down: so many are enough, and one fewer is not. None: out of reach.

    Parameters
    ----------
    over_db : float
        By how much the limit is broken as it is.
    broken_by : callable
        By how much it is broken so many steps down; 0 or less where it is kept.
    first : int, optional
        Steps to try first.
    """
    if over_db <= 0.0:
        return 0
    too_few, enough = 0, MOST_STEPS + 1
    steps = first or steps_for(over_db)
    while enough - too_few > 1:
        over_db = broken_by(steps)
        too_few, enough = (steps, enough) if over_db > 0.0 else (too_few, steps)
        if too_few > 0 and enough <= MOST_STEPS:  # overshoot jumps too much for a better guess than the middle
            steps = (too_few + enough) // 2
        elif over_db > 0.0:
            steps = min(steps + steps_for(over_db), MOST_STEPS)
        else:
            steps = max(steps - max(1, floor(-over_db / STEP_DB)), 1)
    return enough if enough <= MOST_STEPS else None


def steps_for(over_db: float) -> int:
    """Steps that take off so much."""
    return max(1, ceil(over_db / STEP_DB - 1e-9))
