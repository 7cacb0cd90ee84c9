"""The spectrum meter against closed forms, scipy's periodogram and a bank of band-pass filters."""

from typing import Any

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from master_check.meters.spectrum import BANDS_HZ, EDGES_HZ, EXACT_HZ, SpectrumMeter
from master_check.sound.blocks import blocks_of
from master_check.sound.format import AudioFormat
from master_check.tables.layouts import of_count


def meter(frames: NDArray[Any], rate: int, hops: int = 100) -> SpectrumMeter:
    layout = of_count(frames.shape[1])
    assert layout is not None
    found = SpectrumMeter(AudioFormat("WAV", "FLOAT", rate, frames.shape[1], layout))
    for block in blocks_of(frames.astype(np.float32), rate, hops):
        found.feed(block)
    return found


def noise(seconds: float, rate: int, channels: int = 2, seed: int = 3) -> NDArray[np.float32]:
    random = np.random.default_rng(seed)
    return (0.1 * random.standard_normal((round(seconds * rate), channels))).astype(np.float32)


def test_bands_are_those_of_the_standard() -> None:
    """IEC 61260-1:2014: nominal frequencies (Annex E) are the exact ones, rounded; edges are 10^(1/20) away."""
    assert len(BANDS_HZ) == 30
    assert np.abs(np.array(BANDS_HZ) / EXACT_HZ - 1.0).max() < 0.02
    assert EXACT_HZ[16] == 1000.0
    np.testing.assert_allclose(EDGES_HZ[1:] / EXACT_HZ, 10.0**0.05)
    np.testing.assert_allclose(EDGES_HZ[:-1] / EXACT_HZ, 10.0**-0.05)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("band", range(4, 30, 3))
def test_a_sine_reads_its_power_in_its_band(rate: int, band: int) -> None:
    """Closed form: a sine of amplitude a has the power a^2 / 2, -3.01 dB at full scale; neighbours stay far below."""
    time = np.arange(3 * rate) / rate
    frames = np.repeat(0.5 * np.sin(2.0 * np.pi * EXACT_HZ[band] * time)[:, None], 2, axis=1)
    levels = meter(frames, rate).levels()
    assert levels.shape == (4, 30)
    expected = -3.0103 - 6.0206
    assert levels[0, band] == pytest.approx(expected, abs=0.05)
    assert levels[1, band] == pytest.approx(expected, abs=0.05)
    assert levels[2, band] == pytest.approx(expected, abs=0.05)
    assert levels[3].max() < -100.0  # no sides
    away = np.delete(levels[0], [band - 1, band, min(band + 1, 29)])
    assert away.max() < expected - 40.0


def test_white_noise_rises_by_one_db_a_band() -> None:
    """Closed form: the share of the bandwidth. n independent values of a power lie within 4 / sqrt(n) of it."""
    rate, seconds = 48_000, 120.0
    powers = meter(noise(seconds, rate), rate).powers()
    widths = np.diff(EDGES_HZ)
    expected = 0.01 * widths / (rate / 2.0)
    allowed = 4.0 / np.sqrt(widths * seconds / 5.0)
    for channel in (0, 1):
        assert (np.abs(powers[channel] / expected - 1.0) < allowed).all()
    # Unrelated channels: half the power in the middle, half in the sides.
    for side in (2, 3):
        assert (np.abs(powers[side] / expected * 2.0 - 1.0) < allowed).all()


def test_equals_scipys_periodogram_of_the_same_samples() -> None:
    rate, size, hop = 48_000, 12_000, 60_000
    frames = noise(7.0, rate)
    window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
    density = np.zeros(size // 2 + 1)
    starts = range(0, len(frames) - size + 1, hop)
    for start in starts:
        at, found = scipy.signal.periodogram(
            frames[start : start + size, 0].astype(np.float64), rate, window, detrend=False
        )
        density += found / len(starts)
    below = np.concatenate([[0.0], np.cumsum(density * at[1])])
    expected = np.diff(np.interp(EDGES_HZ, (np.arange(len(below)) - 0.5) * at[1], below))
    np.testing.assert_allclose(meter(frames, rate).powers()[0], expected, rtol=1e-4)


def test_agrees_with_a_bank_of_filters_on_pink_noise() -> None:
    """Butterworth band-passes of third order, of the kind IEC 61260-1 was written for; their skirts allow 0.5 dB."""
    rate, seconds = 48_000, 90.0
    random = np.random.default_rng(5)
    n = round(seconds * rate)
    spectrum = np.fft.rfft(random.standard_normal(n))
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    spectrum[0] = 0.0
    pink = np.fft.irfft(spectrum, n)
    pink *= 0.1 / np.sqrt(np.mean(pink**2))
    levels = meter(pink[:, None], rate).levels()
    assert levels.shape == (1, 30)
    for band in range(8, 28):
        edges = EDGES_HZ[band : band + 2]
        sos = scipy.signal.butter(3, edges, "bandpass", fs=rate, output="sos")
        filtered = scipy.signal.sosfilt(sos, pink)
        assert levels[0, band] == pytest.approx(10.0 * np.log10(np.mean(filtered**2)), abs=0.5)


@pytest.mark.parametrize("hops", [1, 7, 137, 1000])
@pytest.mark.parametrize("rate", [44_100, 22_050, 11_025])
def test_block_size_changes_nothing(rate: int, hops: int) -> None:
    frames = noise(6.3, rate)
    np.testing.assert_array_equal(meter(frames, rate, hops).powers(), meter(frames, rate).powers())


@pytest.mark.parametrize("frames", [1, 2, 100, 11_999, 12_000, 12_001])
def test_short_files_have_a_spectrum_too(frames: int) -> None:
    rate = 48_000
    sound = noise(1.0, rate)[:frames]
    powers = meter(sound, rate).powers()
    assert np.isfinite(powers).all()
    if frames > 10_000:  # nearly all of white noise lies in the bands
        assert 10.0 * np.log10(powers[0].sum() / 0.01) == pytest.approx(-0.3, abs=0.5)


def test_short_file_does_not_depend_on_blocks() -> None:
    frames = noise(0.2, 48_000)
    np.testing.assert_array_equal(meter(frames, 48_000, 3).powers(), meter(frames, 48_000).powers())


def test_silence_and_what_lies_above_half_the_rate() -> None:
    assert (meter(np.zeros((48_000, 2)), 48_000).levels() == -np.inf).all()
    levels = meter(noise(3.0, 8_000), 8_000).levels()
    assert np.isfinite(levels[0, : np.searchsorted(EDGES_HZ, 4_000.0)]).all()
    assert (levels[:, EDGES_HZ[:-1] > 4_010.0] == -np.inf).all()


def test_a_row_a_channel_where_it_is_not_stereo() -> None:
    frames = noise(2.0, 48_000, 6) * np.array([1.0, 0.5, 0.25, 0.0, 2.0, 4.0], np.float32)
    powers = meter(frames, 48_000).powers().sum(axis=1)
    assert powers.shape == (6,)
    np.testing.assert_allclose(powers[[1, 2, 4, 5]] / powers[0], [0.25, 0.0625, 4.0, 16.0], rtol=0.1)
    assert powers[3] == 0.0
