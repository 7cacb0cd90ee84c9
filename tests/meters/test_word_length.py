"""The word length really in use, of files written with words of known length."""

from pathlib import Path

import numpy as np
import pytest

from master_check.measurement.one_pass import measure
from tests.signals import RATE, measured, noise, quantised, silence, write


@pytest.mark.parametrize(
    ("container", "encoding", "bits"),
    [
        ("WAV", "PCM_U8", 8),
        ("WAV", "PCM_16", 8),
        ("WAV", "PCM_16", 12),
        ("WAV", "PCM_16", 16),
        ("WAV", "PCM_24", 8),
        ("WAV", "PCM_24", 16),
        ("WAV", "PCM_24", 20),
        ("WAV", "PCM_24", 23),
        ("WAV", "PCM_24", 24),
        ("WAV", "PCM_32", 16),
        ("WAV", "PCM_32", 24),
        ("WAV", "FLOAT", 16),
        ("WAV", "FLOAT", 24),
        ("WAV", "DOUBLE", 16),
        ("FLAC", "PCM_16", 8),
        ("FLAC", "PCM_24", 16),
        ("FLAC", "PCM_24", 24),
        ("AIFF", "PCM_24", 16),
        ("AIFF", "PCM_32", 24),
        ("CAF", "PCM_24", 20),
        ("CAF", "ALAC_24", 16),
        ("W64", "PCM_24", 16),
        ("RF64", "PCM_24", 16),
    ],
)
def test_bits_that_change_are_counted(tmp_path: Path, container: str, encoding: str, bits: int) -> None:
    frames = quantised(noise(0.5, -20.0, 2), bits)
    path = write(tmp_path / "file", frames, RATE, encoding, container)
    assert measure(path).values["bits_used"] == bits


def test_words_of_32_bits_are_told_from_24(tmp_path: Path) -> None:
    words = np.random.default_rng(1).integers(-(2**30), 2**30, (RATE // 2, 2)).astype(np.int32)
    assert measure(write(tmp_path / "32.wav", words, RATE, "PCM_32")).values["bits_used"] == 32
    assert measure(write(tmp_path / "28.wav", words & ~15, RATE, "PCM_32")).values["bits_used"] == 28


@pytest.mark.parametrize("bits", [16, 24])
def test_one_sample_with_the_last_bit_is_enough(bits: int) -> None:
    frames = quantised(noise(2.0, -20.0, 2), 8)
    frames[70_000, 1] += np.float32(2.0 ** (1 - bits))
    assert measured(frames, bits=24).values["bits_used"] == bits


def test_dither_at_24_bits_uses_them_all() -> None:
    frames = quantised(quantised(noise(0.5, -20.0), 16), 24, dither_seed=1)
    assert measured(frames, bits=24).values["bits_used"] == 24


def test_a_mix_in_floats_has_no_word_length() -> None:
    assert measured(noise(0.5, -20.0)).values["bits_used"] is None


def test_silence_uses_no_bits() -> None:
    assert measured(silence(0.5, 2), bits=24).values["bits_used"] is None


@pytest.mark.parametrize(("level", "bits"), [(-1.0, 1), (0.5, 2), (-0.25, 3), (2.0**-23, 24)])
def test_bits_are_counted_from_the_sign_down(level: float, bits: int) -> None:
    frames = silence(0.5, 1)
    frames[100] = level
    assert measured(frames, bits=24).values["bits_used"] == bits
