"""Shorter words: the noise that arithmetic promises, and dither that is or is not there."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from master_check.measurement.all_meters import Meters
from master_check.rehearsal.conversion import Conversion, Master
from master_check.rehearsal.words import Shortened, dither_of
from master_check.sound.blocks import Block, blocks_of
from master_check.sound.format import AudioFormat
from master_check.sound.kept import ArraySignal
from master_check.tables import layouts
from tests.rehearsal.masters import conversion
from tests.signals import Frames, noise, quantised, silence, sine

LSB = 2.0**-15


def file_of(frames: Frames, bits: int) -> Master:
    """A master as from a file with words of so many bits."""
    format = AudioFormat("WAV", f"PCM_{bits}", 48_000, frames.shape[1], layouts.of_count(frames.shape[1]), bits)
    meters = Meters(format)
    for block in blocks_of(frames, 48_000):
        meters.feed(block)
    return Master(meters.measurement("x", len(frames), []), {48_000: ArraySignal(frames, 48_000)})


@pytest.mark.parametrize(("dither", "power"), [("tpdf", LSB**2 / 4.0), ("none", LSB**2 / 12.0)])
def test_added_noise_is_that_of_arithmetic(tmp_path: Path, dither: str, power: float) -> None:
    """Rounding adds LSB^2/12; triangular dither of 2 LSB peak to peak LSB^2/6 more (standards: -96.3 dBFS)."""
    master = file_of(quantised(noise(2.0, -20.0), 24), 24)
    whole = conversion(master, tmp_path, "word_length", bits=16, dither=dither).whole()
    assert whole.values["added_noise_dbfs"] == pytest.approx(10.0 * np.log10(power), abs=0.05)
    assert whole.values["bits_used"] == 16
    assert whole.values["bit_depth"] == 16


def test_dither_makes_the_error_independent_of_the_signal(tmp_path: Path) -> None:
    """A sine of less than half a step is gone without dither; with it, it is there at its level."""
    master = file_of(sine(2.0, -97.0, hz=1000.0), 24)
    levels = {}
    for dither in ("tpdf", "none"):
        made = conversion(master, tmp_path, "word_length", bits=16, dither=dither)
        frames = np.concatenate([block.frames.T.copy() for block in _source(made, master)])
        levels[dither] = 2.0 * abs(np.fft.rfft(frames[:, 0])[2000]) / len(frames)
    assert levels["none"] == 0.0
    assert 20.0 * np.log10(levels["tpdf"]) == pytest.approx(-97.0, abs=0.3)


def _source(made: Conversion, master: Master) -> Iterator[Block]:
    from master_check.rehearsal.feed import Feed

    feed = Feed(master.signals[48_000], master.layout, 0, master.signals[48_000].frames)
    rehearsal = made._rehearsal
    assert rehearsal.bits is not None and rehearsal.dither is not None
    return Shortened("x", feed, rehearsal.bits, rehearsal.dither).source.blocks()


def test_words_that_are_short_already_lose_nothing(tmp_path: Path) -> None:
    frames = quantised(noise(1.0, -20.0), 16)
    whole = conversion(file_of(frames, 24), tmp_path, "word_length", bits=16, dither="tpdf").whole()
    assert whole.values["added_noise_dbfs"] is None
    assert whole.encoder is None
    assert whole.values["true_peak_dbtp"] == pytest.approx(20.0 * np.log10(np.abs(frames).max()), abs=3.0)


def test_a_word_holds_no_more_than_full_scale(tmp_path: Path) -> None:
    loud = np.asarray(1.5 * sine(0.5, 0.0, channels=2), np.float32)
    whole = conversion(file_of(loud, 24), tmp_path, "word_length", bits=16, dither="tpdf").whole()
    assert whole.values["over_full_scale_samples"] == 0
    assert whole.values["clipped_runs"]


def fade(bits: int, seed: int | None) -> Frames:
    """Music-like tones that fade into nothing, rounded with or without dither."""
    t = np.arange(96_000) / 48_000
    tones = sum(np.sin(2.0 * np.pi * hz * t) for hz in (110.0, 220.0, 331.0)) / 3.0
    faded = tones * 10.0 ** (-60.0 * t / 20.0) * 2.0 ** (6 - bits)
    return quantised(np.asarray(np.stack([faded, 0.7 * faded], axis=1), np.float32), bits, seed)


@pytest.mark.parametrize("bits", [16, 20])
@pytest.mark.parametrize(("seed", "found"), [(1, "found"), (None, "not found")])
def test_dither_is_found_in_a_fade(bits: int, seed: int | None, found: str) -> None:
    """Made here, with NumPy's random numbers: the truth is known."""
    master = file_of(fade(bits, seed), 24)
    assert dither_of(master.signals[48_000], master.measurement) == found


@pytest.mark.parametrize(
    "frames", [silence(1.0, 2), quantised(noise(1.0, -20.0), 16)], ids=["silence", "loud all over"]
)
def test_nothing_is_said_of_dither_where_nothing_is_quiet(frames: Frames) -> None:
    master = file_of(frames, 16)
    assert dither_of(master.signals[48_000], master.measurement) is None
