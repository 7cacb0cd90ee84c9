"""The stems of two songs of the demo EP, with faults planted on purpose, and their rough mixes.

`SESSIONS` is the truth about them: what was done to which stem, and what must be found.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

from demo import songs
from demo.instruments import RATE, Audio
from demo.mastering import Limiter, gain, limit, words
from demo.mix import Desk

GROUPS: Final = {
    "kick": "drums",
    "snare": "drums",
    "hat": "drums",
    "tom": "drums",
    "bass": "bass",
    "stab": "keys",
    "pad": "keys",
    "electric_piano": "keys",
    "lead": "melody",
}

LIMITER: Final = Limiter("sample_peak", ceiling_db=-1.0)

LEVEL_DB: Final = -10.0
"""Of every stem, so that only the hot one has a high peak."""

MP3_KBPS: Final = 128
LOUDER_DB: Final = 8.0
"""What the rough mixes were turned up by, into a limiter."""


@dataclass(frozen=True, slots=True)
class Session:
    """The stems of one song.

    Attributes
    ----------
    number, title : int, str
        Of the track.
    song : callable
    mix : str or None
        What they should make: a file below OUT, or None where their own sum is written as the mix.
    gains_db : mapping
        Stems exported at another level than they have in the mix.
    late : mapping
        Stems exported so many samples late.
    inverted : tuple of str
        Stems exported with their polarity inverted.
    added : mapping
        Faults of the recording: in the stem and in the mix.
    left_out : tuple of str
        Stems that are not in the mix.
    rough_db : mapping
        What the rough mix has louder than the stems as they are in the mix.
    rough_late : int
        Samples of silence before the rough mix.
    """

    number: int
    title: str
    song: Callable[[], Desk]
    mix: Path | None = None
    gains_db: Mapping[str, float] = field(default_factory=dict)
    late: Mapping[str, int] = field(default_factory=dict)
    inverted: tuple[str, ...] = ()
    added: Mapping[str, Callable[[Audio], Audio]] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    rough_db: Mapping[str, float] = field(default_factory=dict)
    rough_late: int = 0

    @property
    def folder(self) -> Path:
        """Where the stems are, below OUT."""
        return Path("stems") / f"{self.number:02d} {self.title}"

    @property
    def made(self) -> Path:
        """Where the mix is, below OUT."""
        return self.mix or Path("stems") / f"{self.number:02d} {self.title} (mix).wav"

    @property
    def rough(self) -> Path:
        """Where the rough mix is, below OUT."""
        return Path("stems") / f"{self.number:02d} {self.title} (rough mix).mp3"


def hum_and_rumble(sound: Audio) -> Audio:
    """Mains hum of 50 Hz with its harmonics at -54 dBFS, and rumble below 30 Hz at -50 dBFS, RMS."""
    t = np.arange(len(sound)) / RATE
    hum = np.sum([np.sin(2.0 * np.pi * 50.0 * k * t + k) / k for k in (1, 2, 3, 4, 6)], axis=0)
    rumble = sosfilt(butter(4, (8.0, 28.0), "bandpass", fs=RATE, output="sos"), _noise(len(sound)))
    return np.asarray(sound + (_at(hum, -54.0) + _at(rumble, -50.0))[:, None])


def ringing(sound: Audio) -> Audio:
    """A resonance at 1870 Hz (Q 120) that every hit sets off: a drum that was not damped."""
    width = np.pi * 1870.0 / 120.0 / RATE
    pole = np.exp(-width)
    angle = 2.0 * np.pi * 1870.0 / RATE
    ring = lfilter([1.0], [1.0, -2.0 * pole * np.cos(angle), pole**2], sound, axis=0)
    return np.asarray(sound + ring * (0.25 * np.abs(sound).max() / np.abs(ring).max()))


def _noise(frames: int) -> Audio:
    return np.random.default_rng(50).standard_normal(frames)


def _at(sound: Audio, level_dbfs: float) -> Audio:
    return np.asarray(sound * (gain(level_dbfs) / np.sqrt(np.mean(np.square(sound)))))


SESSIONS: Final = (
    Session(
        1,
        "Copper Kite",
        songs.copper_kite,
        mix=Path("premasters") / "01 Copper Kite (premaster).wav",
        gains_db={"lead": -1.5, "bass": 10.0},
        inverted=("hat",),
        rough_db={"snare": 2.5, "bass": -2.0},
    ),
    Session(
        3,
        "Lantern Tax",
        songs.lantern_tax,
        late={"electric_piano": 529},
        added={"bass": hum_and_rumble, "snare": ringing},
        left_out=("tom",),
        rough_db={"lead": 3.0, "electric_piano": -2.0},
        rough_late=9_000,
    ),
)


def make_stems(session: Session, out: Path, write: Callable[[Path, NDArray[np.int32]], Path]) -> list[Path]:
    """Write the stems of a session, its mix unless it has one, and its rough mix; returns the files.

    `write` puts the words of samples into a 24-bit file.
    """
    played = {name: gain(LEVEL_DB) * sound for name, sound in session.song().stems().items()}
    for name, change in session.added.items():
        played[name] = change(played[name])
    written = []
    for name, sound in played.items():
        path = out / session.folder / GROUPS[name] / f"{name.replace('_', ' ')}.wav"
        written.append(write(path, words(_as_mono(_exported(session, name, sound)))))
    heard = {name: sound for name, sound in played.items() if name not in session.left_out}
    if session.mix is None:
        written.append(write(out / session.made, words(np.sum(list(heard.values()), axis=0))))
    rough = np.sum([gain(session.rough_db.get(name, 0.0)) * sound for name, sound in heard.items()], axis=0)
    rough = np.concatenate([np.zeros((session.rough_late, 2)), limit(gain(LOUDER_DB) * rough, RATE, LIMITER)])
    written.append(_mp3(out / session.rough, rough))
    return written


def _exported(session: Session, name: str, sound: Audio) -> Audio:
    sound = gain(session.gains_db.get(name, 0.0)) * sound * (-1.0 if name in session.inverted else 1.0)
    late = session.late.get(name, 0)
    return np.concatenate([np.zeros((late, 2)), sound[: len(sound) - late]]) if late else sound


def _as_mono(sound: Audio) -> Audio:
    """One channel where both are alike."""
    return sound[:, :1] if np.array_equal(sound[:, 0], sound[:, 1]) else sound


def _mp3(path: Path, samples: Audio) -> Path:
    part = path.with_suffix(".part")
    kind = {"subtype": "MPEG_LAYER_III", "bitrate_mode": "CONSTANT", "compression_level": (320 - MP3_KBPS) / 288}
    try:
        soundfile.write(part, samples, RATE, format="MP3", **kind)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return path
