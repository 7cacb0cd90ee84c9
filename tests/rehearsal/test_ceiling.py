"""The search, against trying every step; and the limits that it keeps."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from master_check.judgement.profile import Range, Rule
from master_check.rehearsal.ceiling import MOST_STEPS, fewest_steps, peak_limits

JUMPY = st.lists(st.floats(-1.0, 1.0), min_size=MOST_STEPS + 1, max_size=MOST_STEPS + 1)


@given(st.floats(0.01, 15.0), JUMPY, st.one_of(st.none(), st.integers(1, 60)))
def test_so_many_steps_are_enough_and_one_fewer_is_not(over: float, jumps: list[float], first: int | None) -> None:
    """Overshoot that jumps by up to 1 dB from step to step, as encoders' does."""
    curve = over - 0.1 * np.arange(MOST_STEPS + 1) + np.array(jumps)
    curve[0] = over
    tried: dict[int, float] = {}

    def broken_by(steps: int) -> float:
        assert steps not in tried, "nothing is made twice"
        tried[steps] = float(curve[steps])
        return tried[steps]

    steps = fewest_steps(over, broken_by, first)
    assert steps is not None
    assert curve[steps] <= 0.0 < curve[steps - 1]
    assert steps in tried and len(tried) < 40


@pytest.mark.parametrize("over", [-3.0, 0.0])
def test_what_is_kept_already_needs_nothing(over: float) -> None:
    assert fewest_steps(over, lambda steps: pytest.fail("nothing to try")) == 0


def test_a_limit_out_of_reach() -> None:
    assert fewest_steps(5.0, lambda steps: 5.0) is None


def test_a_plain_gain_is_found_at_once() -> None:
    tried = []
    assert fewest_steps(0.73, lambda steps: tried.append(steps) or 0.73 - 0.1 * steps) == 8  # type: ignore[func-returns-value]
    assert tried == [8, 7]


def test_limits_on_peaks_count_as_they_are_judged() -> None:
    rules = [
        Rule("true_peak_dbtp", max=-1.0, tolerance=0.1),
        Rule("sample_peak_dbfs", max=-0.2, level="should"),
        Rule("true_peak_dbtp", max=-6.0, level="note"),
        Rule("true_peak_dbtp", max=-6.0, when=Range("integrated_lufs", min=-13.0)),
        Rule("over_full_scale_samples", max=0.0),
        Rule("over_full_scale_samples", max=10.0),
        Rule("integrated_lufs", max=-14.0),
    ]
    limits = peak_limits(rules)
    assert limits.limits == (("true_peak_dbtp", -0.9), ("sample_peak_dbfs", -0.2), ("sample_peak_dbfs", 0.0))
    assert limits.excess_db({"true_peak_dbtp": -0.5, "sample_peak_dbfs": -0.7}) == pytest.approx(0.4)
    assert limits.excess_db({"true_peak_dbtp": None, "sample_peak_dbfs": None}) < 0.0
    assert not peak_limits(rules[-1:])
