"""What two loudspeakers get of more channels."""

import numpy as np
import pytest

from master_check.page.heard import Heard
from master_check.sound.format import AudioFormat
from master_check.sound.kept import ArraySignal
from master_check.tables.layouts import Layout, parse

RATE = 48_000


def heard(layout: Layout | None, channels: int) -> list[list[float]]:
    """What a one in each channel alone gives."""
    signal = ArraySignal(np.eye(channels), RATE)
    found = Heard(signal, AudioFormat("", "FLOAT", RATE, channels, layout)).read(0, channels)
    return [[float(value) for value in row] for row in found]


def test_surround_is_folded_down() -> None:
    """ITU-R BS.775-4, Annex 4, Table 2, "stereo": Lo = L + 0.7071 C + 0.7071 Ls, and no LFE."""
    share = pytest.approx(0.7071, abs=1e-4)
    found = heard(parse("5.1"), 6)
    assert found == [[1, 0], [0, 1], [share, share], [0, 0], [share, 0], [0, share]]


def test_stereo_and_mono_are_as_they_are() -> None:
    assert heard(parse("stereo"), 2) == [[1, 0], [0, 1]]
    assert heard(parse("mono"), 1) == [[1]]


def test_without_a_layout_the_first_two_are_heard() -> None:
    assert heard(None, 3) == [[1, 0], [0, 1], [0, 0]]
