"""The judge of the long run, held against files whose truth is known without a second decoder."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from master_check.measurement.one_pass import measure
from tests.corpus.judge import faults_of_measured, is_confirmed
from tests.corpus.second import NOTHING, Heard
from tests.signals import RATE, Frames, noise, quantised, write
from tests.sound.files import refused

FRAMES = quantised(noise(1.0, -20.0), 16)


def truth(codec: str, frames: Frames) -> Heard:
    """What a decoder without a fault hears."""
    exact = frames.astype(np.float64)
    powers, peaks = np.square(exact).mean(axis=0), np.abs(exact).max(axis=0)
    return Heard(codec, RATE, exact.shape[1], len(exact), peaks, powers)


@pytest.mark.parametrize(("name", "subtype"), [("a.wav", "PCM_16"), ("a.flac", "PCM_24"), ("a.aiff", "PCM_16")])
def test_a_measurement_that_is_true_has_no_fault(tmp_path: Path, name: str, subtype: str) -> None:
    found = measure(write(tmp_path / name, FRAMES, RATE, subtype))
    assert faults_of_measured(found, truth("pcm", FRAMES)) == []


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (lambda heard: NOTHING, "finds no sound"),
        (lambda heard: replace(heard, channels=1), "2 channels, 1 by"),
        (lambda heard: replace(heard, frames=RATE + 1), "48000 frames, 48001 by"),
        (lambda heard: replace(heard, powers=heard.powers * 1.001), "rms_dbfs of channel 1 differs by 0.004 dB"),
        (lambda heard: replace(heard, peaks=heard.peaks * 0.99), "sample_peak_dbfs of channel 1 differs by 0.087 dB"),
    ],
)
def test_the_judge_sees_what_differs(tmp_path: Path, wrong: Callable[[Heard], Heard], words: str) -> None:
    found = measure(write(tmp_path / "a.wav", FRAMES, RATE, "PCM_16"))
    assert words in faults_of_measured(found, wrong(truth("pcm", FRAMES)))[0]


def test_a_refusal_is_confirmed_by_what_the_second_decoder_hears(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav", FRAMES, RATE, "PCM_16")
    content = path.read_bytes()
    path.write_bytes(content[:-4])
    cut, whole = truth("pcm", FRAMES[:-1]), truth("pcm", FRAMES)
    assert not is_confirmed(refused(path), cut, RATE - 1)  # without a complaint: a file may well end there
    assert is_confirmed(refused(path), replace(cut, complaint="truncated"), RATE - 1)
    assert not is_confirmed(refused(path), whole, RATE)
    path.write_bytes(content + content)
    assert is_confirmed(refused(path), truth("pcm", np.concatenate([FRAMES, FRAMES])), RATE)
    assert not is_confirmed(refused(path), whole, RATE)
    assert not is_confirmed("is not to our taste", whole, RATE)
