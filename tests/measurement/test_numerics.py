"""The same sound gives the same figures, however it is stored, read, turned up or sampled."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from math import log10
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from master_check.measurement.measurement import Measurement
from master_check.measurement.one_pass import measure
from master_check.meters.true_peak import true_peak
from tests.signals import RATE, Floats, Frames, amplitude, measured, programme, quantised, value, write
from tests.standards.reference import k_gain_db

Music = tuple[Frames, int]

# What a file says about itself; everything else is measured.
ITSELF = ("container", "encoding", "bit_depth", "bits_used")


def figures(measurement: Measurement) -> dict[str, object]:
    return {key: value for key, value in measurement.values.items() if key not in ITSELF}


def same(a: Measurement, b: Measurement) -> None:
    """Equal to the last bit: values, times, channels, notes and every hop."""
    assert replace(a, path="") == replace(b, path="")
    for series in ("energy", "tops", "bands"):
        np.testing.assert_array_equal(getattr(a.series, series), getattr(b.series, series))


# --- block sizes, threads, runs ---

STORED = [
    ("WAV", "PCM_16", 2, 44_100),
    ("WAV", "PCM_24", 6, 48_000),
    ("WAV", "PCM_32", 2, 96_000),
    ("WAV", "FLOAT", 1, 11_025),
    ("AIFF", "PCM_24", 2, 88_200),
    ("CAF", "ALAC_24", 2, 48_000),
    ("FLAC", "PCM_24", 2, 44_100),
    ("OGG", "VORBIS", 2, 44_100),
    ("OGG", "OPUS", 2, 48_000),
    ("MP3", "MPEG_LAYER_III", 2, 44_100),
]


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """5.13 s of programme with overs, clipping and a dropout, in each of `STORED`."""
    folder = tmp_path_factory.mktemp("stored")
    paths = []
    for container, encoding, channels, rate in STORED:
        frames = programme(5.13, channels, rate, seed=rate)
        frames[3 * rate : 4 * rate] = np.clip(20.0 * frames[3 * rate : 4 * rate], -0.9, 0.9)
        frames[rate : rate + rate // 50] = 0.0
        path = folder / f"{encoding}-{rate}-{channels}.{container}"
        paths.append(write(path, frames, rate, encoding, container))
    return paths


@pytest.mark.parametrize("number", range(len(STORED)), ids=["-".join(map(str, kind)) for kind in STORED])
def test_block_sizes_and_runs_change_nothing(stored: list[Path], number: int) -> None:
    usual = measure(stored[number])
    same(measure(stored[number]), usual)
    for hops in (1, 3, 64, 101, 1000):
        same(measure(stored[number], hops=hops), usual)
        same(measure(stored[number], hops=hops, ahead=True), usual)


def test_threads_change_nothing(stored: list[Path]) -> None:
    alone = [measure(path) for path in stored]
    for threads in (2, 7):
        with ThreadPoolExecutor(threads) as pool:
            for got, wanted in zip(pool.map(measure, stored), alone, strict=True):
                same(got, wanted)


# --- containers and word lengths ---


@pytest.mark.parametrize("track", ["frontiers", "machine_wars", "time_to_strike"])
def test_the_same_words_in_any_container_give_the_same_figures(tmp_path: Path, track: str, excerpt: object) -> None:
    assert callable(excerpt)
    frames, rate = excerpt(track, 8.0)
    frames = quantised(frames, 24)
    first = measure(write(tmp_path / "first", frames, rate, "PCM_24", "WAV"))
    assert first.values["bits_used"] == 24
    for container, encoding in (
        ("WAVEX", "PCM_24"),
        ("RF64", "PCM_24"),
        ("W64", "PCM_24"),
        ("AIFF", "PCM_24"),
        ("CAF", "PCM_24"),
        ("CAF", "ALAC_24"),
        ("AU", "PCM_24"),
        ("FLAC", "PCM_24"),
        ("WAV", "PCM_32"),
        ("WAV", "FLOAT"),
        ("AIFF", "DOUBLE"),
    ):
        other = measure(write(tmp_path / "other", frames, rate, encoding, container))
        differing = {key for key, figure in figures(first).items() if other.values[key] != figure}
        # Clipping is looked for within a step of the word, and a float has none: no top lies there by chance.
        assert differing <= {"flat_top_runs"}, (container, encoding, differing)
        assert other.values["bits_used"] == 24
        assert other.at_s.keys() >= {"true_peak_dbtp", "momentary_max_lufs"}


@pytest.mark.parametrize("bits", [24, 16])
def test_words_agree_with_floats_within_their_quantisation(tmp_path: Path, music: Music, bits: int) -> None:
    """Rounding to steps of q moves no sample by more than q / 2, and adds noise of power q^2 / 12 (closed forms).

    Loudness: noise adds to the sound in power; taken as wholly correlated with it, and boosted by all that K-weighting
    can boost (4 dB), it bounds what the reading moves by. True peak: 4096 windowed sinc taps a phase sum up to less
    than 6.5 in magnitude (2 / pi ln N + 1.2), so the interpolated point moves by less than 6.5 q / 2.
    """
    frames, rate = music
    frames = np.asarray(frames * np.float32(0.5), np.float32)
    floats = measure(write(tmp_path / "a.wav", frames, rate, "FLOAT"))
    words = measure(write(tmp_path / "b.wav", quantised(frames, bits), rate, f"PCM_{bits}"))
    q = 2.0 ** (1 - bits)

    def moved(key: str) -> float:
        return abs(value(words, key) - value(floats, key))

    def within(level_db: float, error: float) -> float:
        return 20.0 * log10(1.0 + error / amplitude(level_db))

    for key in ("sample_peak_dbfs", "headroom_db"):
        assert moved(key) <= within(value(floats, "sample_peak_dbfs"), q / 2.0)
    assert moved("true_peak_dbtp") <= within(value(floats, "true_peak_dbtp"), 6.5 * q / 2.0)
    rms = value(floats, "rms_dbfs")
    assert moved("rms_dbfs") <= within(rms, q / 12.0**0.5)
    for key in LOUDNESS:
        # -0.691 dB and the sum over two channels: what counts is the noise relative to the loudness it is added to.
        noise_lufs = -0.691 + 10.0 * log10(2.0 * q * q / 12.0) + 4.0
        assert moved(key) <= within(value(floats, key), amplitude(noise_lufs)), key
    assert moved("loudness_range_lu") <= 0.01
    assert moved("correlation") <= 1e-4
    assert words.values["bits_used"] == bits


# --- levels far from full scale ---

LOUDNESS = ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs")
TURNED = (*LOUDNESS, "true_peak_dbtp", "sample_peak_dbfs", "rms_dbfs", "dc_offset_dbfs")
KEPT = ("loudness_range_lu", "plr_lu", "psr_min_lu", "crest_db", "correlation", "balance_lu", "mono_loss_lu")


@pytest.mark.parametrize("gain_db", [-40.0, -20.0, 20.0, 40.0, 60.0])
def test_a_float_file_turned_up_reads_higher_by_just_that(tmp_path: Path, music: Music, gain_db: float) -> None:
    """dB add up: the closed form of every level. Rounding the gain and the samples to float32 costs 1e-6 dB."""
    frames, rate = music
    plain = measure(write(tmp_path / "plain.wav", frames, rate, "FLOAT"))
    turned = measure(write(tmp_path / "turned.wav", frames * np.float32(amplitude(gain_db)), rate, "FLOAT"))
    assert (
        value(plain, "integrated_lufs") - 30.0 > -70.0 - min(gain_db, 0.0) - 40.0
    )  # the absolute gate is out of reach
    for key in TURNED:
        assert value(turned, key) - value(plain, key) == pytest.approx(gain_db, abs=2e-5), key
    for key in KEPT:
        assert value(turned, key) == pytest.approx(value(plain, key), abs=2e-5), key
    assert turned.at_s["true_peak_dbtp"] == plain.at_s["true_peak_dbtp"]
    assert turned.at_s["sample_peak_dbfs"] == plain.at_s["sample_peak_dbfs"]


@pytest.mark.parametrize("power", [-300, -100, -30, 30])
def test_a_float_file_far_out_keeps_its_peaks_and_means(tmp_path: Path, power: int) -> None:
    """Twice is 6.0206 dB (closed form). What float32 squares cannot hold below -380 dB may be missing, not wrong."""
    frames = np.asarray(programme(4.0) * 0.5, np.float64)
    plain = measured(np.asarray(frames, np.float32))
    path = write(tmp_path / "a.wav", np.ldexp(frames, power).astype(np.float32), RATE, "FLOAT")
    if power == -300:  # below the smallest float: digital silence
        assert measure(path).values["sample_peak_dbfs"] is None
        return
    turned = measure(path)
    for key in ("true_peak_dbtp", "sample_peak_dbfs", "rms_dbfs"):
        if turned.values[key] is None:
            assert power == -100 and key == "rms_dbfs"
            continue
        assert value(turned, key) - value(plain, key) == pytest.approx(20.0 * log10(2.0) * power, abs=1e-4), key


# --- sample rates ---

RATES = (8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 352_800, 384_000)
SECONDS = 6.0


def partials(rate: int) -> Floats:
    """40 sines below 2 kHz, which fit the band of every rate, by an inverse Fourier transform: (n, 2)."""
    rng = np.random.default_rng(7)
    number = rng.choice(np.arange(60 * int(SECONDS), 2000 * int(SECONDS)), 40, replace=False)
    n = round(SECONDS * rate)
    spectrum = np.zeros((n // 2 + 1, 2), complex)
    spectrum[number] = 0.03 / np.sqrt(number[:, None]) * np.exp(2j * np.pi * rng.random((40, 2))) * n
    return np.asarray(np.fft.irfft(spectrum, n, axis=0))


def faded(wave: NDArray[np.float64], rate: int) -> Frames:
    """Ends smoothed over 50 ms, so that neither is a step for a filter to answer."""
    t = np.arange(len(wave)) / rate
    ramp = np.clip(np.minimum(t, len(wave) / rate - t) / 0.05, 0.0, 1.0)
    return np.asarray(wave * np.sin(0.5 * np.pi * ramp)[:, None] ** 2, np.float32)


@pytest.fixture(scope="module")
def sampled() -> dict[int, Measurement]:
    """One band-limited sound, sampled at every rate."""
    return {rate: measured(faded(partials(rate), rate), rate) for rate in RATES}


@pytest.mark.parametrize("rate", RATES)
def test_peaks_do_not_depend_on_the_sample_rate(sampled: dict[int, Measurement], rate: int) -> None:
    """Between the samples of a band-limited sound there is but one waveform (the sampling theorem)."""
    for key, tolerance in (("true_peak_dbtp", 0.05), ("rms_dbfs", 0.001), ("correlation", 0.001)):
        assert value(sampled[rate], key) == pytest.approx(value(sampled[384_000], key), abs=tolerance), key


@pytest.mark.parametrize("rate", [rate for rate in RATES if rate >= 32_000])
def test_loudness_does_not_depend_on_the_sample_rate(sampled: dict[int, Measurement], rate: int) -> None:
    """BS.1770-5, Annex 1: filters for other rates give the frequency response specified at 48 kHz.

    Below 32 kHz, where no record is delivered, the usual transform of the filter bends its response by more; the next
    test holds those rates to that.
    """
    for key in LOUDNESS:
        assert value(sampled[rate], key) == pytest.approx(value(sampled[RATE], key), abs=0.05), key


@pytest.mark.parametrize("rate", RATES)
def test_loudness_is_what_the_filter_of_that_rate_makes_of_each_partial(rate: int) -> None:
    """Mean square of a sum of sines is the sum of theirs, each times the filter's gain there (closed form).

    The gain is that of another implementation's filter at the same rate (tests/standards/reference.py). Partials are
    whole hertz apart and stand still for whole seconds, so that no window sees them beat.
    """
    hz = np.array([63.0, 125.0, 250.0, 500.0, 997.0, 1500.0, 2000.0, 3000.0])
    a = 0.05
    t = np.arange(4 * rate) / rate
    wave = a * np.sin(2.0 * np.pi * hz * t[:, None] + np.arange(8)).sum(axis=1)
    found = measured(np.asarray(np.stack([wave, wave], axis=1), np.float32), rate)
    power = sum(2.0 * 0.5 * a * a * 10.0 ** (k_gain_db(f, rate) / 10.0) for f in hz)
    # 3 s hold whole periods of all partials: 0.01 LU is left for the filter's start.
    assert value(found, "short_term_max_lufs") == pytest.approx(-0.691 + 10.0 * log10(power), abs=0.01)


@pytest.mark.parametrize("rate", RATES)
def test_a_peak_between_the_samples_is_found_at_every_rate(rate: int) -> None:
    """A quarter of the sample rate at 45 degrees: every sample lies 3.01 dB under the peak (sin 45; as Tech 3341)."""
    n = 2 * rate
    wave = 0.5 * np.sin(0.5 * np.pi * np.arange(n) + 0.25 * np.pi)
    found = measured(faded(wave[:, None], rate), rate)
    assert value(found, "sample_peak_dbfs") == pytest.approx(-6.0206 - 3.0103, abs=0.001)
    assert value(found, "true_peak_dbtp") == pytest.approx(-6.0206, abs=0.01)


def test_no_sample_is_above_the_true_peak() -> None:
    """The peak of a waveform is no lower than any point of it, and the samples are points of it (BS.1770-5, Annex 2).

    Noise and random walks have tops of every shape; what reads between the samples can miss one by 0.13 dB.
    """
    for seed in range(400):
        frames = np.random.default_rng(seed).standard_normal((2400, 2))
        frames = 0.02 * np.cumsum(frames, axis=0) if seed % 2 else 0.1 * frames
        found = true_peak(np.asarray(frames, np.float32))
        assert (found >= np.abs(frames.astype(np.float32)).max(axis=0)).all(), seed
