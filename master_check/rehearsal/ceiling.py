"""The gain to take off a master so that what comes out of an encode keeps its peak limits.

What an encode adds to peaks jumps about from gain to gain, so that it cannot be calculated: every answer is an encode
that was measured. The search first looks at the loudest places alone, then at the whole.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil
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


def fewest_steps(excess_db: float, passages: Callable[[int], float], whole: Callable[[int], float]) -> int | None:
    """How many steps of `STEP_DB` to turn down: so many are enough, and one fewer is not. None: out of reach.

    Parameters
    ----------
    excess_db : float
        By how much the limit is broken as it is.
    passages, whole : callable
        By how much it is broken, so many steps down: around the loudest places, and all over.
    """
    if excess_db <= 0.0:
        return 0
    steps = _fewest_around_the_loudest(excess_db, passages)
    while steps <= MOST_STEPS and (over := whole(steps)) > 0.0:
        steps += steps_for(over)
    if steps > MOST_STEPS:
        return None
    while steps > 1 and whole(steps - 1) <= 0.0:
        steps -= 1
    return steps


def _fewest_around_the_loudest(excess_db: float, passages: Callable[[int], float]) -> int:
    too_few, steps, enough = 0, steps_for(excess_db), 0
    while steps <= MOST_STEPS:
        over = passages(steps)
        if over > 0.0:
            too_few = steps
        else:
            enough = steps
        if enough and enough - too_few <= 1:
            break
        steps = (too_few + enough) // 2 if enough else steps + steps_for(over)
    return enough or MOST_STEPS + 1


def steps_for(over_db: float) -> int:
    """Steps that take off so much."""
    return max(1, ceil(over_db / STEP_DB - 1e-9))
