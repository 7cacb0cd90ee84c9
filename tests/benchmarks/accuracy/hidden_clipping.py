"""Clipping that a filter has hidden: how much of it is found, and how often it is found where there was none.

    python -m tests.benchmarks.accuracy.hidden_clipping                  # asc-music and made pieces, some minutes
    python -m tests.benchmarks.accuracy.hidden_clipping --music FOLDER   # and 40 s of each file in there
    python -m tests.benchmarks.accuracy.hidden_clipping --quick

The truth is constructed: music is clipped by 3 dB with numpy, and runs of three and more samples at the ceiling are
counted. Then scipy's polyphase filter or Butterworth high-pass, libsndfile's MP3 encoder or 16-bit dither hide them.
What is found is counted up to the true number in each piece. The same music limited, but not clipped, shows false
alarms. The requirements were set before anything was measured: 80 % after each filter, 90 % after dither, at most one
alarm in an hour.
"""

import argparse
import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import numpy as np
import scipy.signal
import soundfile
from numpy.typing import NDArray

from master_check.decibels import amplitude_of
from master_check.limiting.limiter import Detection, limit
from tests.signals import RATE, Floats, Frames, db, measured, quantised

MUSIC: Final = Path("/usr/share/games/asc/music")  # Debian package asc-music
CLIP_DB: Final = 3.0
LIMITERS: Final[tuple[tuple[float, float, float, Detection], ...]] = (
    (3.0, 2.0, 80.0, "true_peak"),
    (5.0, 1.0, 30.0, "sample_peak"),
    (6.0, 5.0, 200.0, "true_peak"),
)
"""Gain in dB, look-ahead and release in ms, and what the limiter looks at."""

Hiding = Callable[[Floats], tuple[Frames, int, int | None]]
"""From clipped samples to those of a file, its rate and word length (None: float)."""


def clipped(frames: Floats) -> tuple[Floats, int, int]:
    """Music with its highest 3 dB cut off, the runs of three and more samples that this made, and of any length."""
    ceiling = float(np.abs(frames).max()) * amplitude_of(-CLIP_DB)
    cut = np.clip(frames, -ceiling, ceiling)
    lengths = np.concatenate([_runs(sign * row >= ceiling) for row in cut.T for sign in (1.0, -1.0)])
    return cut, int((lengths >= 3).sum()), len(lengths)


def _runs(there: NDArray[np.bool_]) -> NDArray[np.int64]:
    edges = np.diff(np.concatenate([[0], there.astype(int), [0]]))
    return np.asarray(np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1), np.int64)


def converted(frames: Floats) -> tuple[Frames, int, int | None]:
    return np.asarray(scipy.signal.resample_poly(frames, 147, 160, axis=0), np.float32), 44_100, None


def high_passed(frames: Floats) -> tuple[Frames, int, int | None]:
    sections = scipy.signal.butter(2, 20.0, "highpass", fs=RATE, output="sos")
    return np.asarray(scipy.signal.sosfilt(sections, frames, axis=0), np.float32), RATE, None


def encoded(frames: Floats) -> tuple[Frames, int, int | None]:
    """MP3 at a constant 192 kbit/s, and decoded again."""
    file = io.BytesIO()
    kind = {"format": "MP3", "subtype": "MPEG_LAYER_III", "bitrate_mode": "CONSTANT", "compression_level": 128 / 288}
    soundfile.write(file, frames, RATE, **kind)
    assert abs(8.0 * file.tell() / (len(frames) / RATE) - 192_000) < 6_000
    file.seek(0)
    return soundfile.read(file, dtype="float32", always_2d=True)[0], RATE, None


def dithered(frames: Floats) -> tuple[Frames, int, int | None]:
    """Turned down to -20 dBFS, and dithered to 16 bits."""
    turned_down = np.asarray(frames / np.abs(frames).max() * amplitude_of(-20.0), np.float32)
    return quantised(turned_down, 16, dither_seed=1), RATE, 16


HIDING: Final[dict[str, tuple[Hiding, float]]] = {
    "48 to 44.1 kHz": (converted, 0.8),
    "20 Hz high-pass": (high_passed, 0.8),
    "MP3, 192 kbit/s": (encoded, 0.8),
    "-20 dB, 16-bit dither": (dithered, 0.9),
}
"""How clipping is hidden, and the share that has to be found."""


def found(file: tuple[Frames, int, int | None]) -> tuple[int, int]:
    """Hidden clips found in a file, and clipped runs of any kind."""
    frames, rate, bits = file
    values = measured(frames, rate, bits=bits).values
    hidden, full, flat = (int(values[f"{key}_runs"] or 0) for key in ("hidden_clipped", "clipped", "flat_top"))
    return hidden, hidden + full + flat


def made_music(seed: int, seconds: float = 40.0) -> Floats:
    """A made piece: plucked chords, a bass and drums, every note and hit at its own level. (samples, 2), RATE."""
    rng = np.random.default_rng(seed)
    length = round(seconds * RATE)
    piece = np.zeros((length, 2))
    step = round(60.0 / rng.uniform(80.0, 150.0) / 4.0 * RATE)
    root = 55.0 * 2.0 ** (rng.integers(-5, 7) / 12.0)
    for n, start in enumerate(range(0, length - RATE, step)):
        level = rng.uniform(0.75, 1.0)
        if n % 4 == 0:
            _add(piece, start, level * _drum(rng, 50.0, 0.15, 0.02), 0.0)
        if n % 8 == 4:
            _add(piece, start, 0.7 * level * _drum(rng, 190.0, 0.08, 0.2), 0.1)
        if n % 2 == 0:
            _add(piece, start, 0.9 * level * _pluck(rng, root * 2.0 ** (rng.integers(0, 8) / 12.0), 0.4), 0.0)
        for _ in range(rng.integers(0, 4)):
            pitch = root * 2.0 ** (rng.choice([12, 15, 17, 19, 22, 24, 27]) / 12.0)
            _add(piece, start, 0.25 * level * _pluck(rng, pitch, rng.uniform(0.1, 0.6)), rng.uniform(-0.8, 0.8))
    return np.asarray(piece / np.abs(piece).max())


def _add(piece: Floats, start: int, sound: Floats, pan: float) -> None:
    end = min(len(piece), start + len(sound))
    piece[start:end] += np.outer(sound[: end - start], [1.0 - max(pan, 0.0), 1.0 + min(pan, 0.0)])


def _drum(rng: np.random.Generator, hz: float, decay_s: float, noise: float) -> Floats:
    time = np.arange(RATE // 2) / RATE
    tone = np.sin(2.0 * np.pi * (hz * time - 0.04 * hz * np.exp(-time / 0.02)))
    return np.asarray((tone + noise * rng.standard_normal(len(time))) * np.exp(-time / decay_s))


def _pluck(rng: np.random.Generator, hz: float, decay_s: float) -> Floats:
    """A string: partials that fall with their number, each fading in its own time."""
    time = np.arange(RATE) / RATE
    partials = np.arange(1, int(min(24, 12_000 / hz)))
    levels = rng.uniform(0.3, 1.0, len(partials)) / partials**1.6
    phases = 2.0 * np.pi * (hz * partials[:, None] * time + rng.uniform(0.0, 1.0, (len(partials), 1)))
    return np.asarray((levels[:, None] * np.sin(phases) * np.exp(-time * partials[:, None] ** 0.5 / decay_s)).sum(0))


def pieces(folder: Path | None, made: int, seconds: float = 40.0) -> Iterator[tuple[str, Floats]]:
    """Excerpts of real music and made pieces, at 48 kHz, peaks at -1 dBFS."""
    files = sorted(MUSIC.glob("*.mp3")) + (sorted(folder.iterdir()) if folder else [])
    for path in files:
        info = soundfile.info(path)
        start = max(0, min(15 * info.samplerate, info.frames - round(seconds * info.samplerate)))
        frames = soundfile.read(path, round(seconds * info.samplerate), start, always_2d=True)[0]
        yield path.stem, at_48_khz(frames, info.samplerate)
    for seed in range(made):
        yield f"made {seed}", made_music(seed, seconds) * amplitude_of(-1.0)


def at_48_khz(frames: Frames | Floats, rate: int) -> Floats:
    """Music at RATE, peaks at -1 dBFS."""
    common = int(np.gcd(RATE, rate))
    converted = scipy.signal.resample_poly(np.asarray(frames, np.float64), RATE // common, rate // common, axis=0)
    return np.asarray(converted / np.abs(converted).max() * amplitude_of(-1.0))


def unclipped(frames: Floats, limiters: int = len(LIMITERS)) -> Iterator[tuple[str, tuple[Frames, int, int | None]]]:
    """The piece as it is and limited, each as it is and after every filter."""
    peak = float(db(np.abs(frames).max()))
    versions = {"as it is": frames}
    for gain, look_ahead, release, detection in LIMITERS[:limiters]:
        versions[f"limited by {gain:g} dB"] = limit(
            frames, RATE, gain_db=gain, ceiling_db=peak, detection=detection,
            look_ahead_ms=look_ahead, release_ms=release,
        ).frames  # fmt: skip
    for words, version in versions.items():
        yield words, (np.asarray(version, np.float32), RATE, None)
        for filter_words, (hide, _) in HIDING.items():
            yield f"{words}, {filter_words}", hide(np.asarray(version, np.float64))


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--music", type=Path, help="folder of unclipped music")
    parser.add_argument("--made", type=int, default=12, help="made pieces")
    parser.add_argument("--quick", action="store_true", help="few pieces, a limiter only")
    options = parser.parse_args()
    totals = {name: [0, 0, 0, 0] for name in HIDING}
    seconds, alarms = 0.0, []
    for name, frames in pieces(options.music, 3 if options.quick else options.made):
        cut, true, every = clipped(frames)
        row = [f"{name[:22]:22} true {true:5} of {every:5}, found"]
        for words, (hide, _) in HIDING.items():
            total = found(hide(cut))[1]
            totals[words] = [a + b for a, b in zip(totals[words], (true, min(true, total), every, total), strict=True)]
            row.append(f"{total:5}")
        for words, file in unclipped(frames, 1 if options.quick else len(LIMITERS)):
            seconds += len(file[0]) / file[1]
            if found(file)[0]:
                alarms.append(f"{name}, {words}: {found(file)[0]}")
        print(*row, flush=True)
    print()
    for words, (true, known, every, total) in totals.items():
        share = f"{known / true:6.1%} of {true} runs found (need {HIDING[words][1]:.0%})"
        print(f"{words:22} {share}; {total} told, and {every} tops were cut if those of one and two samples count")
    print(f"not clipped: {len(alarms)} alarms in {seconds / 3600.0:.1f} hours (at most one in an hour)")
    for alarm in alarms:
        print(f"  {alarm}")


if __name__ == "__main__":
    main()
