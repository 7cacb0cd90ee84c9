"""Polarity in groups: one sound through two microphones, made with numpy."""

from pathlib import Path

import numpy as np
import pytest

from master_check.report.wording.stems import remark
from master_check.stem.sheet import stems
from tests.balance.songs import RATE, Floats, song
from tests.signals import write
from tests.stem.own import band

SONG = song(5, 10.0)


def microphones(source: Floats, sign: float, delay_ms: float) -> tuple[Floats, Floats]:
    """One near, one on the other side: later, duller, with a noise of its own."""
    late = round(delay_ms * RATE / 1000.0)
    other = np.zeros_like(source)
    other[late:] = source[: len(source) - late]
    other = sign * (0.6 * other + 0.3 * band(other, 60.0, 900.0))
    return source, other + 1e-3 * np.random.default_rng(1).standard_normal(source.shape)


def told(folder: Path, **tracks: Floats) -> list[str]:
    (folder / "drums").mkdir()
    for name, frames in tracks.items():
        write(folder / "drums" / f"{name}.wav", frames)
    found = stems(folder)
    return [remark(each, found.stems) for each in found.remarks if each.kind == "polarity"]


@pytest.mark.parametrize("drum", ["kick", "snare"])
@pytest.mark.parametrize("delay_ms", [0.0, 0.3])
def test_an_inverted_microphone_is_told(tmp_path: Path, drum: str, delay_ms: float) -> None:
    near, far = microphones(SONG[f"drums/{drum}"], -1.0, delay_ms)
    assert told(tmp_path, near=near, other=far, hats=SONG["drums/hats"]) == [
        "low frequencies cancel, one may be inverted: drums/near.wav, drums/other.wav"
    ]


@pytest.mark.parametrize("drum", ["kick", "snare"])
def test_microphones_of_one_polarity_are_not(tmp_path: Path, drum: str) -> None:
    near, far = microphones(SONG[f"drums/{drum}"], 1.0, 0.3)
    assert told(tmp_path, near=near, other=far) == []


def test_stems_of_other_sounds_are_not(tmp_path: Path) -> None:
    assert told(tmp_path, **{name.split("/")[1]: frames for name, frames in SONG.items()}) == []
