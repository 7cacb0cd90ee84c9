"""What holds for every signal: gain, polarity, channel order, block size, silence around."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from master_check.measurement.measurement import Measurement
from master_check.tables.quantities import Value
from tests.signals import RATE, Frames, amplitude, measured, noise, programme, silence, sine, value

# Levels that a gain moves by itself, and what it must not move: all but what is asked against an absolute level
# (silence, correlation where it is audible, clipping).
MOVED = (
    "integrated_lufs",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "rms_dbfs",
    "dc_offset_dbfs",
)
KEPT = (
    "loudness_range_lu",
    "plr_lu",
    "psr_min_lu",
    "crest_db",
    "correlation",
    "balance_lu",
    "mono_loss_lu",
    "side_to_mid_db",
)


@st.composite
def stereo(draw: st.DrawFn, seconds: float = 4.0) -> Frames:
    """Music-like stereo: swelling noise, a tone, some of it in both channels, a little DC."""
    seed = draw(st.integers(0, 2**16))
    frames = programme(seconds, 2, RATE, seed)
    shared = draw(st.floats(-0.9, 0.9))
    frames[:, 1] = shared * frames[:, 0] + (1.0 - abs(shared)) * frames[:, 1]
    frames += sine(seconds, draw(st.floats(-60.0, -20.0)), draw(st.floats(30.0, 15_000.0)))
    frames += np.float32(draw(st.floats(-0.01, 0.01)))
    return np.asarray(frames * np.array([1.0, draw(st.floats(0.3, 1.0))]), np.float32)


def everything(found: Measurement) -> dict[str, Any]:
    """All that was measured, to be compared bit by bit."""
    return {
        "values": found.values,
        "at_s": found.at_s,
        "channels": found.channels,
        "energy": found.series.energy.tobytes(),
        "tops": found.series.tops.tobytes(),
        "bands": found.series.bands.tobytes(),
    }


@given(frames=stereo(), gain_db=st.floats(-10.0, 5.0))
def test_a_gain_moves_every_level_by_exactly_that_gain(frames: Frames, gain_db: float) -> None:
    before = measured(frames)
    after = measured(np.asarray(frames * np.float32(amplitude(gain_db)), np.float32))
    for key in MOVED:
        assert value(after, key) - value(before, key) == pytest.approx(gain_db, abs=1e-4), key
    assert value(before, "headroom_db") - value(after, "headroom_db") == pytest.approx(gain_db, abs=1e-4)
    for key in KEPT:
        assert value(after, key) == pytest.approx(value(before, key), abs=1e-4), key


@given(frames=stereo())
def test_swapped_channels_swap_and_the_balance_turns_round(frames: Frames) -> None:
    before, after = measured(frames), measured(frames[:, ::-1].copy())
    for here, there in zip(before.channels, reversed(after.channels), strict=True):
        assert {k: v for k, v in here.items() if k != "label"} == {k: v for k, v in there.items() if k != "label"}
    assert value(after, "balance_lu") == pytest.approx(-value(before, "balance_lu"), abs=1e-9)
    swapped = {
        f"{kind}_{side}_{unit}": f"{kind}_{other}_{unit}"
        for kind, unit in (("saturation", "percent"), ("saturation", "low_percent"), ("pinned", "percent"))
        for side, other in (("left", "right"), ("right", "left"))
    }
    for key, figure in before.values.items():
        if key != "balance_lu":
            assert after.values[swapped.get(key, key)] == pytest.approx(figure, abs=1e-9), key


@given(frames=stereo())
def test_polarity_changes_no_level(frames: Frames) -> None:
    before, after = measured(frames), measured(-frames)
    for key, figure in before.values.items():
        assert after.values[key] == figure, key
    assert after.at_s == before.at_s


@given(
    seed=st.integers(0, 2**16),
    rate=st.sampled_from([8_000, 11_025, 44_100, 48_000]),
    level_db=st.floats(-30.0, 3.0),
    length=st.floats(0.001, 4.0),
    hops=st.lists(st.sampled_from([1, 2, 7, 33, 100, 1000]), min_size=2, max_size=2, unique=True),
)
def test_the_block_size_changes_not_a_single_bit(
    seed: int, rate: int, level_db: float, length: float, hops: list[int]
) -> None:
    """On white noise around and above full scale, where overs, clipping and candidates for the peak are everywhere."""
    frames = np.clip(noise(length, level_db, 2, rate, seed), -1.0, 1.2)
    frames[len(frames) // 3 : len(frames) // 2] *= np.float32(0.0)
    one, other = (everything(measured(frames, rate, hops=size)) for size in hops)
    assert one == other


@given(frames=stereo(), seconds=st.floats(0.4, 5.0))
def test_appended_silence_changes_no_gated_loudness(frames: Frames, seconds: float) -> None:
    """But for the three gating blocks that reach across the end (BS.1770-5, Annex 1: blocks overlap by 75 %)."""
    faded = frames.copy()
    faded[-RATE // 2 :] = 0.0
    before = measured(faded)
    after = measured(np.vstack([faded, silence(seconds, 2)]))
    assert value(after, "integrated_lufs") == pytest.approx(value(before, "integrated_lufs"), abs=1e-9)
    for key in ("momentary_max_lufs", "short_term_max_lufs", "true_peak_dbtp", "sample_peak_dbfs"):
        assert value(after, key) == pytest.approx(value(before, key), abs=1e-9), key
    added = round(seconds * RATE) / RATE
    assert value(after, "tail_silence_s") == pytest.approx(value(before, "tail_silence_s") + added, abs=1e-9)


@given(
    seed=st.integers(0, 2**16),
    channels=st.sampled_from([1, 2, 5, 6, 8]),
    rate=st.sampled_from([8_000, 44_100, 192_000]),
    frames_count=st.integers(1, 50_000),
    kind=st.sampled_from(["silence", "one sample", "constant", "noise", "denormal", "loud", "alternating"]),
)
def test_every_figure_is_finite_or_none(seed: int, channels: int, rate: int, frames_count: int, kind: str) -> None:
    rng = np.random.default_rng(seed)
    shape = (frames_count, channels)
    made: dict[str, Any] = {
        "silence": np.zeros(shape),
        "one sample": np.eye(1, frames_count * channels, int(rng.integers(frames_count * channels))).reshape(shape),
        "constant": np.full(shape, -0.5),
        "noise": rng.standard_normal(shape) * 0.1,
        "denormal": np.full(shape, 1e-42),
        "loud": rng.standard_normal(shape) * 1e6,
        "alternating": np.where(np.arange(frames_count) % 2, 1.0, -1.0)[:, None] * np.ones(shape),
    }
    found = measured(np.asarray(made[kind], np.float32), rate)
    rows: list[Mapping[str, Value]] = [found.values, found.at_s, *found.channels]
    for row in rows:
        for key, figure in row.items():
            assert figure is None or isinstance(figure, str) or np.isfinite(figure), (key, figure)
    assert all(time >= 0.0 for time in found.at_s.values())
    assert all(time <= frames_count / rate for time in found.at_s.values())
