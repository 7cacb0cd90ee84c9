"""Saturation from one file: what it reads of curves whose THD is known, and of music that none was put on.

No standard defines the figure. The curves are tanh, whose THD is computed for a sine at the side's own peak; the music
is Debian's asc-music. `tests/benchmarks/accuracy/saturation.py` is the long run, with what the estimate fails at.
"""

from pathlib import Path
from typing import Final

import numpy as np
import pytest
import scipy.signal
import soundfile

from master_check.meters.saturation import Saturation, distortion_percent
from tests.meters.test_pinned import SONGS, clipped, driven
from tests.signals import Floats, measured, noise, sine

MUSIC: Final = Path("/usr/share/games/asc/music")  # Debian package asc-music
SEEN: Final = 0.5
"""Lower bound, in percent, above which saturation counts as seen."""


def read(samples: Floats, rate: int) -> Saturation | None:
    values = measured(np.asarray(samples, np.float32)[:, None], rate).values
    found, low = values["saturation_mid_percent"], values["saturation_mid_low_percent"]
    return Saturation(float(found), float(low)) if found is not None and low is not None else None


@pytest.fixture(scope="module", params=SONGS)
def music(request: pytest.FixtureRequest) -> tuple[Floats, int]:
    """Twenty seconds of the left channel."""
    path = MUSIC / f"{request.param}.mp3"
    if not path.exists():
        pytest.skip("Debian package asc-music is not installed")
    frames, rate = soundfile.read(path, start=150 * 22050, frames=20 * 22050)
    return frames[:, 0], rate


def test_music_as_it_is_equalised_and_clipped_is_not_called_saturated(music: tuple[Floats, int]) -> None:
    samples, rate = music
    shelf = scipy.signal.sosfilt(scipy.signal.butter(1, 200.0, "highpass", fs=rate, output="sos"), samples)
    for clean in (samples, samples + 0.7 * shelf, clipped(samples, 1.0)):
        found = read(clean, rate)
        assert found is not None and found.low_percent <= SEEN


def test_five_percent_is_seen_and_read_within_a_quarter(music: tuple[Floats, int]) -> None:
    samples, rate = music
    found = read(driven(samples, 5.0), rate)
    assert found is not None and found.low_percent > SEEN
    assert found.percent == pytest.approx(5.0, rel=0.25)


def test_more_drive_reads_more(music: tuple[Floats, int]) -> None:
    samples, rate = music
    found = [read(driven(samples, percent), rate) for percent in (3.0, 6.0, 12.0)]
    percents = [each.percent for each in found if each is not None]
    assert len(percents) == 3 and percents == sorted(percents) and percents[0] < percents[1] < percents[2]


def test_polarity_and_a_gain_of_six_decibels_change_nothing(music: tuple[Floats, int]) -> None:
    samples, rate = music
    bent = driven(samples, 5.0)
    found = read(bent, rate)
    assert found == read(-bent, rate)
    assert found is not None and found.low_percent > 0.0
    halved = read(0.5 * bent, rate)
    assert halved is not None and halved.percent == pytest.approx(found.percent, abs=0.01)


def test_treble_riding_on_bass_reads_the_curve() -> None:
    """Noise over a swelling bass, bent by tanh: the THD of its curve at the peak level, within a quarter."""
    bass = sine(20.0, -6.0, 61.0)[:, 0] * (0.6 + 0.4 * sine(20.0, 0.0, 0.7)[:, 0])
    treble = scipy.signal.sosfilt(
        scipy.signal.butter(2, 3000.0, "highpass", fs=48_000, output="sos"), noise(20.0, -40.0, 1)[:, 0]
    )
    plain = np.asarray(bass + treble, np.float64)
    clean, bent = read(plain, 48_000), read(driven(plain, 5.0), 48_000)
    assert clean is not None and clean.low_percent == 0.0 and clean.percent == 0.0
    assert bent is not None and bent.percent == pytest.approx(5.0, rel=0.25)


@pytest.mark.parametrize("low, high", [(False, False), (True, False), (False, True)])
def test_without_bass_or_treble_or_both_there_is_no_figure(low: bool, high: bool) -> None:
    frames = np.zeros((10 * 48_000, 1), np.float32)
    if high:
        frames = np.asarray(sine(10.0, -12.0, 6000.0), np.float32)
    rate = 4_000 if low else 48_000  # at 4 kHz nothing is above 2 kHz
    if low:
        frames = sine(10.0, -6.0, 60.0, rate=rate)
    assert measured(frames, rate).values["saturation_mid_percent"] is None
    assert measured(frames, rate).values["saturation_mid_low_percent"] is None


def test_distortion_of_an_asymmetrical_curve() -> None:
    """tanh(x + 0.5) has the slope 1 - o y - e y^2: its THD by the slope is that of a sine through it."""
    offset = np.tanh(0.5)
    drive = np.arctanh(0.3 + offset) - 0.5  # y = 0.3 at the end that goes further
    y = np.tanh(0.5 - max(drive, 0.0) * np.sin(2 * np.pi * np.arange(4096) / 4096)) - offset
    highest = float(np.abs(y).max())
    harmonics = np.abs(np.fft.rfft(y))
    expected = 100.0 * np.sqrt((harmonics[2:1000] ** 2).sum()) / harmonics[1]
    slope = 1.0 - offset**2
    found = distortion_percent(highest**2 / slope, 2.0 * offset * highest / slope)
    assert found == pytest.approx(expected, rel=0.01)
