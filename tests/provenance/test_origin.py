"""Where files come from: what a conversion, an encode or a gain left is found, and nothing where there was none.

The truth is constructed: libsndfile's encoders (LAME, libvorbis), scipy's and resampy's converters, NumPy's rounding.
The thresholds, and their statistics over many pieces, are in `tests/benchmarks/accuracy/provenance.py`.
"""

import io
from collections.abc import Callable
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import resampy
import scipy.fft
import scipy.signal
import soundfile

from master_check import ArraySource, Measurement, Profile, Rule, check, measure
from master_check.provenance.finding import ORIGIN_KEYS, Kind, OriginFinding
from master_check.provenance.passages import LENGTH, MOST, Passages
from master_check.sound.blocks import blocks_of
from tests.benchmarks.accuracy.hidden_clipping import made_music
from tests.signals import Floats, Frames, amplitude, quantised, sine

RATE = 48_000


@cache
def piece() -> Floats:
    """10 s of a made piece, with some noise in it up to half the rate, as recordings have."""
    frames = made_music(5, 10.0)
    noise = np.random.default_rng(5).standard_normal(frames.shape)
    return np.asarray(0.5 * frames / np.abs(frames).max() + amplitude(-66.0) * noise)


def look(frames: Any, rate: int = RATE, bits: int | None = 24) -> Measurement:
    """Looked at as a file of words of so many bits; as floats without."""
    samples = quantised(np.asarray(frames, np.float32), bits) if bits else np.asarray(frames, np.float32)
    return measure(ArraySource(samples, rate), origin=True)


def finding(measurement: Measurement, kind: Kind) -> OriginFinding:
    assert measurement.origin is not None
    return next(found for found in measurement.origin if found.kind == kind)


def kinds(measurement: Measurement) -> set[str]:
    """What was found."""
    assert measurement.origin is not None
    return {found.kind for found in measurement.origin if found.result == "found"}


def encoded(frames: Floats, format: str, subtype: str, **quality: Any) -> Frames:
    """Through an encoder of libsndfile's, and decoded again; the start cut off, so that frames begin anywhere."""
    file = io.BytesIO()
    soundfile.write(file, frames, RATE, format=format, subtype=subtype, **quality)
    file.seek(0)
    return np.asarray(soundfile.read(file, dtype="float32", always_2d=True)[0][1234:])


def aac_like(frames: Floats) -> Frames:
    """Coded as AAC codes long blocks (ISO/IEC 14496-3, 4.6): sine window, 1024 coefficients, rounded as x^(3/4)."""
    size = 1024
    window = np.sin(np.pi * (np.arange(2 * size) + 0.5) / (2 * size))
    out = np.zeros_like(frames)
    steps = np.repeat(np.linspace(0.002, 0.0004, 32), size // 32)
    for at in range(0, len(frames) - 2 * size, size):
        a, b, c, d = np.split(frames[at : at + 2 * size] * window[:, None], 4)
        coefficients = scipy.fft.dct(np.concatenate([-c[::-1] - d, a - b[::-1]]), 4, axis=0, norm="ortho")
        scaled = np.abs(coefficients) / steps[:, None]
        words = np.sign(coefficients) * np.floor(scaled**0.75 + 0.4054)
        back = scipy.fft.dct(np.sign(words) * np.abs(words) ** (4 / 3) * steps[:, None], 4, axis=0, norm="ortho")
        first, second = np.split(back, 2)
        unfolded = np.concatenate([second, -second[::-1], -first[::-1], -first])
        out[at : at + 2 * size] += unfolded * window[:, None]
    return np.asarray(out[3000:-3000], np.float32)


ENCODES: dict[str, tuple[str, Callable[[Floats], Frames]]] = {
    "MP3, 128 kbit/s": (
        "MP3",
        lambda x: encoded(x, "MP3", "MPEG_LAYER_III", bitrate_mode="CONSTANT", compression_level=0.667),
    ),
    "MP3, 320 kbit/s": (
        "MP3",
        lambda x: encoded(x, "MP3", "MPEG_LAYER_III", bitrate_mode="CONSTANT", compression_level=0.0),
    ),
    "Vorbis": ("Vorbis", lambda x: encoded(x, "OGG", "VORBIS", compression_level=0.4)),
    "AAC's long blocks": ("AAC", aac_like),
}


@pytest.mark.parametrize("name", ENCODES)
def test_an_encode_is_found_after_gain_and_dither(name: str) -> None:
    codec, encode = ENCODES[name]
    decoded = encode(piece())
    measurement = look(quantised(np.asarray(decoded * 0.7, np.float32), 16, dither_seed=1))
    found = finding(measurement, "encode")
    assert (found.result, found.confidence) == ("found", "certain")
    assert codec in str(measurement.values["source_codec"])  # or "AAC or Vorbis", which share their frames
    assert kinds(measurement) <= {"encode", "bandwidth", "word_length"}


def test_nothing_is_found_in_what_was_not_encoded() -> None:
    for frames in (piece(), scipy.signal.resample_poly(piece(), 160, 147, axis=0)[:, ::-1], 0.3 * piece()[7777:]):
        measurement = look(frames)
        assert kinds(measurement) == set()
        assert finding(measurement, "encode").result == "nothing"
        assert all(measurement.values[key] is None for key in ORIGIN_KEYS if key.startswith("source"))
        trace = measurement.values["codec_trace"]
        assert isinstance(trace, float) and trace < 6.0


def test_a_low_pass_is_no_encode() -> None:
    low = scipy.signal.fftconvolve(piece(), scipy.signal.firwin(801, 16_000, fs=RATE)[:, None], axes=0)
    measurement = look(low)
    assert kinds(measurement) == {"bandwidth"}
    end = measurement.values["spectrum_end_hz"]
    assert isinstance(end, float) and 15_800 < end < 16_600


CONVERTERS: dict[str, Callable[[Floats, int, int], Any]] = {
    "resampy": lambda x, a, b: resampy.resample(x, a, b, axis=0),
    "Fourier": lambda x, a, b: scipy.signal.resample(x, round(len(x) * b / a), axis=0),
}


@pytest.mark.parametrize("convert", CONVERTERS.values(), ids=CONVERTERS)
@pytest.mark.parametrize(("rate", "higher"), [(44_100, 48_000), (48_000, 96_000)])
def test_a_lower_sample_rate_is_found(convert: Callable[[Floats, int, int], Any], rate: int, higher: int) -> None:
    measurement = look(convert(piece(), rate, higher), higher)
    assert measurement.values["source_rate_hz"] == rate
    assert "sample_rate" in kinds(measurement) <= {"sample_rate", "bandwidth"}


def test_a_file_made_at_a_higher_rate_and_converted_down_comes_from_no_lower_one() -> None:
    for lower in (44_100, 48_000):
        down = resampy.resample(resampy.resample(piece(), 44_100, 44_100), 96_000, lower, axis=0, filter="kaiser_fast")
        assert finding(look(down, lower), "sample_rate").result != "found"


def test_dark_material_is_undecided() -> None:
    dark = scipy.signal.sosfilt(scipy.signal.butter(8, 3000, fs=96_000, output="sos"), piece(), axis=0)
    measurement = look(quantised(np.asarray(dark, np.float32), 16, dither_seed=2), 96_000)
    found = finding(measurement, "sample_rate")
    assert (found.result, found.reason) == ("undecided", "dark")


@pytest.mark.parametrize("gain_db", [0.0, -0.1, -3.1, -11.7, 4.0])
def test_16_bit_words_are_found_under_a_constant_gain(gain_db: float) -> None:
    words = quantised(np.asarray(piece(), np.float32), 16, dither_seed=3)
    measurement = look(words * amplitude(gain_db))
    assert measurement.values["source_bits"] == 16
    found = measurement.values["source_gain_db"]
    assert isinstance(found, float) and found == pytest.approx(gain_db, abs=0.02)


def test_no_16_bit_words_are_found_where_a_fade_came_after() -> None:
    words = quantised(np.asarray(piece(), np.float32), 16, dither_seed=4)
    fade = np.linspace(1.0, 0.5, len(words))[:, None]
    for frames in (words * fade, piece()):
        assert look(frames).values["source_bits"] is None


@pytest.mark.parametrize("right", [1.0, -0.5])
def test_mono_in_two_channels_is_found(right: float) -> None:
    mono = piece()[:, :1]
    measurement = look(np.concatenate([mono, right * mono], axis=1))
    assert kinds(measurement) == {"channels"}
    assert measurement.values["source_channels"] == 1


def test_narrow_stereo_is_no_mono() -> None:
    left, right = piece().T
    narrow = np.stack([left + 0.02 * right, left - 0.02 * right], axis=1)
    assert kinds(look(narrow)) == set()


def test_tones_silence_and_short_files_prove_nothing() -> None:
    tone = look(sine(6.0, -6.0, 1000.0, channels=2, rate=44_100), 44_100)
    assert "encode" not in kinds(tone) and "sample_rate" not in kinds(tone)
    for frames, reason in ((np.zeros((5 * RATE, 2)), "quiet"), (0.1 * piece()[:2000], "short")):
        measurement = look(frames)
        assert measurement.origin is not None
        assert {(each.result, each.reason) for each in measurement.origin} == {("undecided", reason)}


REPEATING: dict[str, Callable[[Any], Any]] = {
    "square waves of 128 and 64 samples": lambda n: 0.3 * np.stack([(n // 64) % 2, (n // 32) % 2], axis=1) - 0.15,
    "a click every 1024 samples": lambda n: np.stack([0.5 * (n % 1024 == 0), 0.4 * (n % 1024 == 0)], axis=1),
    "a click every 576 samples": lambda n: np.stack([0.5 * (n % 576 == 0), 0.4 * (n % 576 == 0)], axis=1),
}


@pytest.mark.parametrize("name", REPEATING)
def test_what_repeats_with_a_codecs_frames_is_no_encode(name: str) -> None:
    """1024 and 576 samples are the frames of AAC and of MP3."""
    noise = np.random.default_rng(3).standard_normal((8 * RATE, 2))
    assert "encode" not in kinds(look(REPEATING[name](np.arange(8 * RATE)) + 1e-3 * noise))


def test_a_profile_that_rules_on_it_has_it_looked_for() -> None:
    mono = ArraySource(0.5 * piece()[: 3 * RATE, [0, 0]], RATE)
    two = Profile("two", "Two channels", rules=(Rule("source_channels", min=2),))
    measurement, (verdict,) = check(mono, two)
    assert measurement.origin is not None and verdict.result == "fail"
    measurement, (verdict,) = check(mono, Profile("any", "Anything"))
    assert measurement.origin is None and verdict.result == "pass"


def test_nobody_asked_nothing_looked_for() -> None:
    measurement = measure(ArraySource(piece()[:RATE], RATE))
    assert measurement.origin is None
    assert all(measurement.values[key] is None for key in ORIGIN_KEYS)


@pytest.mark.parametrize("hops", [1, 37, 1000])
def test_passages_do_not_depend_on_the_blocks(hops: int) -> None:
    frames = np.random.default_rng(0).standard_normal((60 * 8000, 1)).astype(np.float32)
    passages = Passages(8000)
    for block in blocks_of(frames, 8000, hops):
        passages.feed(block)
    kept = passages.all()
    assert MOST // 3 < len(kept) <= MOST
    apart = {second.start - first.start for first, second in pairwise(kept)}
    assert len(apart) == 1
    for passage in kept:
        np.testing.assert_array_equal(passage.samples[0], frames[passage.start : passage.start + LENGTH, 0])


@pytest.mark.parametrize("kbps", [128, 192, 320])
def test_the_bit_rate_of_an_mp3_shows_in_where_its_spectrum_ends(kbps: int) -> None:
    """Against LAME itself, at constant rates."""
    quality = {"bitrate_mode": "CONSTANT", "compression_level": (320 - kbps) / 288}
    measurement = look(encoded(piece()[: 5 * RATE], "MP3", "MPEG_LAYER_III", **quality))
    assert finding(measurement, "encode").values["about_kbps"] == kbps
