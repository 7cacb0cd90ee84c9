"""The preview of a plan against the plan itself."""

import numpy as np
import pytest

from master_check.limiting.limiter import Detection, Limiter
from master_check.limiting.plan import Plan, heard, plan_signal
from master_check.limiting.preview import PlanPreview
from master_check.sound.kept import ArraySignal
from tests.signals import RATE, programme

LIMIT = -1.0
WEIGHTS = (1.0, 1.0)


@pytest.fixture(scope="module")
def signal() -> ArraySignal:
    frames = programme(20.0)
    rhythm = 0.25 + 0.75 * np.exp(-((np.arange(len(frames)) % (RATE // 2)) / (0.05 * RATE)))
    return ArraySignal(0.5 * frames * rhythm[:, None] / np.abs(frames).max(), RATE)


@pytest.fixture(scope="module")
def target(signal: ArraySignal) -> float:
    lufs = plan_signal(signal, WEIGHTS, -20.0, LIMIT).premaster.integrated_lufs
    assert lufs is not None
    return lufs + 8.0


@pytest.fixture(scope="module")
def preview(signal: ArraySignal, target: float) -> PlanPreview:
    return PlanPreview(signal, WEIGHTS, target, LIMIT)


@pytest.mark.parametrize("detection", ["true_peak", "sample_peak"])
@pytest.mark.parametrize("more", [-0.5, 0.7, 2.0])
def test_its_settings_reach_the_target(
    signal: ArraySignal, target: float, preview: PlanPreview, detection: Detection, more: float
) -> None:
    """By the limiter and the meters themselves; a step between two simulated drives costs some hundredths."""
    found = preview.at(target + more, detection)
    assert found
    with Limiter(signal, detection) as limiter:
        read = heard(limiter.blocks(found.gain_db, found.ceiling_db), RATE, WEIGHTS).levels()
        curve = limiter.reduction_db(found.gain_db - found.ceiling_db)
    assert read.integrated_lufs == pytest.approx(target + more, abs=0.06)
    if detection == "sample_peak":  # a step of the ceiling at most over what is allowed
        assert read.true_peak_dbtp is not None
        assert read.true_peak_dbtp < LIMIT + 0.1
    assert found.gain_reduction_max_db == pytest.approx(curve.max(), abs=0.1)
    assert found.curve_db.max() == found.gain_reduction_max_db


def test_it_says_what_the_plan_says(signal: ArraySignal, target: float, preview: PlanPreview) -> None:
    solved = plan_signal(signal, WEIGHTS, target + 0.7, LIMIT)
    found, setting = preview.at(target + 0.7, "true_peak"), solved.true_peak_limiter
    assert found and setting and setting.gain_reduction
    assert found.ceiling_db == setting.ceiling_dbtp
    assert found.gain_db == pytest.approx(setting.gain_db, abs=0.05)
    assert found.gain_reduction_p95_db == pytest.approx(setting.gain_reduction.gain_reduction_p95_db, abs=0.05)


def test_below_the_peak_limit_gain_alone_is_enough(signal: ArraySignal, target: float, preview: PlanPreview) -> None:
    low = preview.lowest_lufs
    solved: Plan = plan_signal(signal, WEIGHTS, low, LIMIT)
    found = preview.at(low, "true_peak")
    assert solved.need in ("turn_down", "plain_gain")
    assert solved.plain and found
    assert found.gain_db == pytest.approx(solved.plain.gain_db, abs=0.01)
    assert found.gain_reduction_max_db == pytest.approx(0.0, abs=1e-6)


def test_silence_has_no_plan() -> None:
    with pytest.raises(ValueError, match="silent"):
        PlanPreview(ArraySignal(np.zeros((RATE, 2)), RATE), WEIGHTS, -14.0, LIMIT)
