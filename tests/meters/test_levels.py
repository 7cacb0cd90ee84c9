"""Levels, and how left and right go together, against closed forms."""

import numpy as np
import pytest
import scipy.signal

from tests.signals import RATE, Frames, amplitude, db, measured, noise, silence, sine, value


@pytest.mark.parametrize("peak_db", [0.0, -6.0, -59.3, -100.0])
def test_a_sine_has_its_peak_and_3_01_db_less_rms(peak_db: float) -> None:
    found = measured(sine(1.0, peak_db, 1000.0, channels=2))  # 48 samples a period: one lies on the top
    assert value(found, "sample_peak_dbfs") == pytest.approx(peak_db, abs=1e-4)
    assert value(found, "headroom_db") == pytest.approx(-peak_db, abs=1e-4)
    assert value(found, "rms_dbfs") == pytest.approx(peak_db - 10.0 * np.log10(2.0), abs=1e-4)
    assert value(found, "crest_db") == pytest.approx(10.0 * np.log10(2.0), abs=1e-4)


def test_a_square_has_no_crest() -> None:
    frames = np.sign(sine(1.0, 0.0, 1000.0, phase=0.1)) * np.float32(0.25)
    found = measured(frames)
    assert value(found, "rms_dbfs") == pytest.approx(db(0.25), abs=1e-6)
    assert value(found, "crest_db") == pytest.approx(0.0, abs=1e-6)


def test_rms_is_that_of_all_channels_but_lfe() -> None:
    frames = np.hstack([sine(1.0, level, 1000.0) for level in (-10.0, -20.0, -30.0, 0.0, -20.0, -20.0)])
    found = measured(frames, layout="5.1")
    heard = np.mean([10.0 ** (level / 10.0) / 2.0 for level in (-10.0, -20.0, -30.0, -20.0, -20.0)])
    assert value(found, "rms_dbfs") == pytest.approx(10.0 * np.log10(heard), abs=1e-4)
    own = [channel["rms_dbfs"] for channel in found.channels]
    assert own == pytest.approx([level - 3.0103 for level in (-10.0, -20.0, -30.0, 0.0, -20.0, -20.0)], abs=1e-3)
    assert value(found, "sample_peak_dbfs") == pytest.approx(0.0, abs=1e-4)  # but a peak is a peak


@pytest.mark.parametrize("at", [0, 479, 480, 47_999, 48_000, 95_999])
@pytest.mark.parametrize("channel", [0, 1])
def test_the_largest_sample_is_timed_and_is_its_channels(at: int, channel: int) -> None:
    frames = noise(2.0, -40.0, 2)
    frames[at, channel] = -0.75
    found = measured(frames)
    assert found.at_s["sample_peak_dbfs"] == at / RATE
    assert value(found, "sample_peak_dbfs") == pytest.approx(db(0.75), abs=1e-6)
    assert found.channels[channel]["sample_peak_dbfs"] == value(found, "sample_peak_dbfs")
    assert found.channels[1 - channel]["sample_peak_dbfs"] == pytest.approx(
        db(np.abs(frames[:, 1 - channel]).max()), abs=1e-6
    )


# DC


@pytest.mark.parametrize("offset", [0.1, -0.01, 1e-4])
def test_dc_offset_is_the_mean_of_the_worst_channel(offset: float) -> None:
    frames = sine(1.0, -12.0, 1000.0, channels=2) + np.array([offset, offset / 2.0], np.float32)
    found = measured(frames)
    assert value(found, "dc_offset_dbfs") == pytest.approx(db(abs(offset)), abs=0.01)
    own = [channel["dc_offset_dbfs"] for channel in found.channels]
    assert own == pytest.approx([db(abs(offset)), db(abs(offset / 2.0))], abs=0.01)


def test_whole_periods_of_a_sine_have_no_offset_to_speak_of() -> None:
    assert value(measured(sine(1.0, 0.0, 1000.0)), "dc_offset_dbfs") < -120.0


# Left and right


@pytest.mark.parametrize("degrees", [0, 30, 60, 90, 120, 180])
def test_correlation_of_two_sines_is_the_cosine_of_their_phase(degrees: int) -> None:
    frames = np.hstack([sine(4.0, -10.0), sine(4.0, -20.0, phase=np.radians(degrees))])
    found = measured(frames)
    assert value(found, "correlation") == pytest.approx(np.cos(np.radians(degrees)), abs=1e-3)
    assert value(found, "correlation_min") == pytest.approx(np.cos(np.radians(degrees)), abs=1e-3)


def test_lowest_correlation_is_that_of_the_worst_three_seconds() -> None:
    left = sine(15.0, -20.0)
    right = left.copy()
    right[6 * RATE : 9 * RATE] = sine(15.0, -20.0, phase=np.radians(120.0))[6 * RATE : 9 * RATE]
    found = measured(np.hstack([left, right]))
    assert value(found, "correlation_min") == pytest.approx(-0.5, abs=1e-3)
    assert found.at_s["correlation_min"] == pytest.approx(6.0, abs=0.02)
    assert value(found, "correlation") == pytest.approx((12.0 + 3.0 * -0.5) / 15.0, abs=1e-3)


def test_passages_below_minus_60_dbfs_are_not_judged_by_their_correlation() -> None:
    frames = np.vstack([sine(4.0, -20.0, channels=2), sine(4.0, -60.0) * np.array([1.0, -1.0], np.float32)])
    assert value(measured(frames), "correlation_min") > 0.9
    frames[4 * RATE :] *= 2.0
    assert value(measured(frames), "correlation_min") == pytest.approx(-1.0, abs=1e-3)


def test_correlation_needs_three_seconds_and_two_channels_with_sound() -> None:
    assert measured(sine(2.9, channels=2)).values["correlation_min"] is None
    one_sided = measured(np.hstack([sine(4.0), silence(4.0)]))
    assert one_sided.values["correlation"] is None
    assert one_sided.values["correlation_min"] is None
    assert one_sided.values["balance_lu"] is None


@pytest.mark.parametrize("side_db", [-20.0, -6.0, 0.0, 6.0])
def test_sides_to_middle(side_db: float) -> None:
    middle, sides = sine(1.0, -20.0, 1000.0), sine(1.0, -20.0 + side_db, 1500.0)
    found = measured(np.hstack([middle + sides, middle - sides]))
    assert value(found, "side_to_mid_db") == pytest.approx(side_db, abs=1e-3)


def test_without_sides_or_middle_there_is_no_ratio() -> None:
    tone = sine(1.0, -20.0)
    assert measured(np.hstack([tone, tone])).values["side_to_mid_db"] is None
    assert measured(np.hstack([tone, -tone])).values["side_to_mid_db"] is None


@pytest.mark.parametrize(("channels", "layout"), [(1, "mono"), (5, "5.0"), (6, "5.1")])
def test_only_stereo_has_left_and_right(channels: int, layout: str) -> None:
    found = measured(noise(4.0, channels=channels), layout=layout)
    for key in ("correlation", "correlation_min", "side_to_mid_db"):
        assert found.values[key] is None


def test_tops_of_every_hop_are_kept_with_middle_and_sides() -> None:
    frames = noise(1.0, -20.0, 2)
    tops = measured(frames).series.tops
    left, right = frames.astype(np.float64).T
    rows = (left, right, (left + right) / 2.0, (left - right) / 2.0)
    expected = [np.abs(row).reshape(100, 480).max(axis=1) for row in rows]
    np.testing.assert_allclose(tops, expected, atol=1e-7)


# Peak to loudness


def test_plr_is_true_peak_minus_integrated_loudness() -> None:
    # 997 Hz in both channels: loudness is the peak level (BS.1770-5), so peak to loudness is nothing; in one, 3.01.
    assert value(measured(sine(2.0, -14.0, channels=2)), "plr_lu") == pytest.approx(0.0, abs=0.005)
    one = np.hstack([sine(2.0, -14.0), silence(2.0)])
    assert value(measured(one), "plr_lu") == pytest.approx(3.01, abs=0.005)


def crested(seconds: float, peak_db: float) -> Frames:
    """A tone under a short spike every 100 ms, 12 dB above it."""
    frames = sine(seconds, -32.0, channels=2)
    frames[RATE // 20 :: RATE // 10] = amplitude(peak_db)
    return frames


def test_psr_is_lowest_where_peaks_are_nearest_to_loudness() -> None:
    frames = np.vstack([crested(6.0, -8.0), sine(4.0, -20.0, channels=2), crested(6.0, -8.0)])
    found = measured(frames)
    assert value(found, "psr_min_lu") == pytest.approx(0.0, abs=0.01)
    assert found.at_s["psr_min_lu"] == pytest.approx(6.0, abs=1.0)


def test_psr_leaves_out_what_is_10_lu_below_the_programme() -> None:
    loud = crested(6.0, -8.0)
    alone = value(measured(loud), "psr_min_lu")
    quiet = np.vstack([loud, sine(6.0, -45.0, channels=2)])
    assert value(measured(quiet), "psr_min_lu") == pytest.approx(alone, abs=0.01)
    assert alone > 10.0


def test_psr_is_what_its_definition_gives() -> None:
    """Sample peak minus short-term loudness of every 3 s, sliding by 100 ms, by brute force."""
    frames = noise(8.0, -20.0, 2, seed=3) * (1.0 + 2.0 * np.linspace(0.0, 1.0, 8 * RATE, dtype=np.float32)[:, None])
    found = measured(frames)
    shelf, high = (scipy.signal.tf2sos(b, a) for b, a in _k_weighting())
    weighted = scipy.signal.sosfilt(np.vstack([shelf, high]), frames.astype(np.float64), axis=0)
    figures = []
    for start in range(0, 5 * RATE + 1, RATE // 10):
        window = slice(start, start + 3 * RATE)
        loudness = -0.691 + 10.0 * np.log10((weighted[window] ** 2).mean(axis=0).sum())
        figures.append(db(np.abs(frames[window]).max()) - loudness)
    assert value(found, "psr_min_lu") == pytest.approx(min(figures), abs=1e-3)
    assert found.at_s["psr_min_lu"] == pytest.approx(int(np.argmin(figures)) / 10.0)


def _k_weighting() -> list[tuple[list[float], list[float]]]:
    from tests.standards.reference import TABLES_48K

    return [(list(b), list(a)) for b, a in TABLES_48K]
