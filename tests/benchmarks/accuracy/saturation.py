"""Saturation from one file: how often a curve is seen, how well its THD is read, and what else reads as one.

    python -m tests.benchmarks.accuracy.saturation                          # pieces of asc-music, some minutes
    python -m tests.benchmarks.accuracy.saturation --music FOLDER           # and 60 s of each file in there
    python -m tests.benchmarks.accuracy.saturation --render MIDIS FOLDER    # MIDI files into such a folder

The truth is constructed: a tanh, or one with an offset (0.5, either way), is put on left, mid and sides of music, so
that a sine at the side's own peak level (one sample in 10,000 is higher) would get so much THD. Equalisers,
compressors and limiters show what else reads as saturation. Rendering needs `tinysoundfont`, the MIDI files of Debian's
`openttd-openmsx` and the instruments of `fluid-soundfont-gm`; half of them were used to set the meter.

The requirements were set before anything was measured: a side is seen where its lower bound is above 0.5 %. Of
symmetrical curves 95 % are seen at 3 %, all at 5 %, and those are read within a quarter; of asymmetrical ones of 5 %
80 % are seen; of sides without any at most 2 %. Very fast compression and low-rate encodes are shown without one.
"""

import argparse
import importlib
import io
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
import scipy.ndimage
import scipy.optimize
import scipy.signal
import soundfile
from numpy.typing import NDArray

from master_check.jit import kernel
from master_check.limiting.limiter import limit
from master_check.meters.saturation import Saturation, SaturationMeter
from master_check.sound.blocks import blocks_of
from master_check.sound.format import AudioFormat
from master_check.tables.layouts import of_count
from tests.signals import Floats

MUSIC: Final = Path("/usr/share/games/asc/music")  # Debian package asc-music
SOUNDS: Final = "/usr/share/sounds/sf2/FluidR3_GM.sf2"  # Debian package fluid-soundfont-gm
SEEN: Final = 0.5
SINE: Final = np.sin(2.0 * np.pi * np.arange(4096) / 4096.0)

Process = Callable[[Floats, int], tuple[Floats, int]]
"""From a side and its rate to what was made of it."""


def distortion(curve: Callable[[Floats], Floats], peak: float) -> float:
    lines = np.abs(np.fft.rfft(curve(peak * SINE)))
    return float(100.0 * np.sqrt((lines[2:1000] ** 2).sum()) / lines[1])


def bent(samples: Floats, rate: int, percent: float, offset: float = 0.0) -> tuple[Floats, int]:
    """tanh(k x + offset) with k for that THD at the peak level; a negative offset bends the other polarity more."""
    peak = float(np.quantile(np.abs(samples), 0.9999))
    sign = -1.0 if offset < 0.0 else 1.0

    def curve(k: float) -> Callable[[Floats], Floats]:
        return lambda x: np.asarray(sign * (np.tanh(sign * k * x + abs(offset)) - np.tanh(abs(offset))) / k)

    k = scipy.optimize.brentq(lambda k: distortion(curve(k), peak) - percent, 1e-4 / peak, 50.0 / peak)
    made = curve(float(k))(samples)
    return made - (made.mean() if offset else 0.0), rate


def shelved(samples: Floats, rate: int, low_db: float, high_db: float) -> tuple[Floats, int]:
    """First-order shelves: below 150 Hz and above 5 kHz."""
    low = scipy.signal.lfilter(*scipy.signal.butter(1, 150.0, "low", fs=rate), samples)
    high = scipy.signal.lfilter(*scipy.signal.butter(1, 5000.0, "high", fs=rate), samples)
    return samples + (10 ** (low_db / 20) - 1) * low + (10 ** (high_db / 20) - 1) * high, rate


def compressed(
    samples: Floats, rate: int, attack_ms: float, release_ms: float = 100.0, ratio: float = 3.0
) -> tuple[Floats, int]:
    """A feed-forward compressor on peaks; 3 dB of gain reduction at the 99th percentile."""
    level = 20.0 * np.log10(np.abs(samples) + 1e-9)
    low, high = level.max() - 60.0, level.max()
    for _ in range(12):
        threshold = 0.5 * (low + high)
        gain = _followed(np.minimum(0.0, (threshold - level) * (1.0 - 1.0 / ratio)), rate, attack_ms, release_ms)
        low, high = (threshold, high) if np.quantile(gain, 0.01) < -3.0 else (low, threshold)
    return samples * 10 ** (gain / 20.0), rate


def _followed(wanted: Floats, rate: int, attack_ms: float, release_ms: float) -> Floats:
    """Gain that goes down by the attack and up by the release."""
    down, up = (float(np.exp(-1000.0 / (ms * rate))) for ms in (attack_ms, release_ms))
    gains = np.empty_like(wanted)
    _follow(wanted, down, up, gains)
    return gains


@kernel
def _follow(wanted: NDArray[np.float64], down: float, up: float, gains: NDArray[np.float64]) -> None:
    gain = 0.0
    for i in range(len(wanted)):
        keep = down if wanted[i] < gain else up
        gain = keep * gain + (1.0 - keep) * wanted[i]
        gains[i] = gain


def limited(samples: Floats, rate: int, release_ms: float = 80.0) -> tuple[Floats, int]:
    peak_db = float(20.0 * np.log10(np.abs(samples).max()))
    frames = limit(
        samples[:, None], rate, gain_db=3.0, ceiling_db=peak_db, detection="sample_peak", release_ms=release_ms
    )
    return np.asarray(frames.frames[:, 0], np.float64), rate


def encoded(samples: Floats, rate: int, percent: float) -> tuple[Floats, int]:
    """Bent, and through an MP3 at the lowest quality of a variable rate."""
    made, rate = bent(samples, rate, percent) if percent else (samples, rate)
    file = io.BytesIO()
    soundfile.write(file, 0.5 * made / np.abs(made).max(), rate, format="MP3", compression_level=0.9)
    file.seek(0)
    frames, rate = soundfile.read(file, dtype="float64")
    return frames, rate


WITHOUT: Final[dict[str, Process]] = {
    "as it is": lambda samples, rate: (samples, rate),
    "shelves +3, +3 dB": partial(shelved, low_db=3.0, high_db=3.0),
    "shelves -4, +4 dB": partial(shelved, low_db=-4.0, high_db=4.0),
    "compressed, attack 5 ms": partial(compressed, attack_ms=5.0),
    "compressed, attack 20 ms": partial(compressed, attack_ms=20.0, release_ms=200.0, ratio=2.0),
    "limited by 3 dB": limited,
    "limited by 3 dB, 30 ms": partial(limited, release_ms=30.0),
}
"""At most 2 % of all these may be seen."""

WITH: Final[dict[str, tuple[Process, float, float | None]]] = {
    "3 %": (partial(bent, percent=3.0), 3.0, 0.95),
    "5 %": (partial(bent, percent=5.0), 5.0, 1.0),
    "5 %, asymmetrical": (partial(bent, percent=5.0, offset=0.5), 5.0, 0.8),
    "5 %, the other way": (partial(bent, percent=5.0, offset=-0.5), 5.0, 0.8),
    "3 %, limited by 3 dB": (lambda samples, rate: limited(*bent(samples, rate, 3.0)), 3.0, None),
    "5 %, MP3 at a low rate": (partial(encoded, percent=5.0), 5.0, None),
    "none, MP3 at a low rate": (partial(encoded, percent=0.0), 0.0, None),
    "none, attack 0.3 ms": (partial(compressed, attack_ms=0.3, release_ms=30.0, ratio=4.0), 0.0, None),
}
"""Process, its THD, and the share that has to be seen."""


def read(samples: Floats, rate: int) -> Saturation | None:
    """What the meter reads of one side."""
    meter = SaturationMeter(AudioFormat("WAV", "FLOAT", rate, 1, of_count(1), 32, floating=True))
    for block in blocks_of(np.asarray(samples, np.float32)[:, None], rate):
        meter.feed(block)
    found = meter.result().values
    percent, low = found["saturation_mid_percent"], found["saturation_mid_low_percent"]
    return Saturation(float(percent), float(low)) if percent is not None and low is not None else None


def sides(folder: Path | None, quick: bool) -> Iterator[tuple[str, Floats, int]]:
    """Left, mid and sides of 40 s out of every 80 s of asc-music, and of 60 s of each file of a folder."""
    for path in sorted(MUSIC.glob("*.mp3")):
        frames, rate = soundfile.read(path)
        for start in range(40 * rate, len(frames) - 40 * rate, 80 * rate * (3 if quick else 1)):
            yield from _sides(f"{path.stem} {start // rate} s", frames[start : start + 40 * rate], rate)
    for path in sorted(folder.iterdir()) if folder else []:
        frames, rate = soundfile.read(path, frames=60 * soundfile.info(path).samplerate)
        yield from _sides(path.stem, frames, rate)


def _sides(name: str, frames: NDArray[np.float64], rate: int) -> Iterator[tuple[str, Floats, int]]:
    left, right = frames.T
    for side, samples in (("left", left), ("mid", 0.5 * (left + right)), ("sides", 0.5 * (left - right))):
        if np.abs(samples).max() > 1e-4:
            yield f"{name}, {side}", samples, rate


def tried(side: tuple[str, Floats, int]) -> tuple[str, dict[str, Saturation | None]]:
    """Every process on one side."""
    name, samples, rate = side
    processes = WITHOUT | {words: process for words, (process, _, _) in WITH.items()}
    return name, {words: read(*process(samples, rate)) for words, process in processes.items()}


def render(midis: Path, folder: Path) -> None:
    """MIDI files into WAVs of floats, 100 s at most, without reverb."""
    tinysoundfont = importlib.import_module("tinysoundfont")  # no dependency: for this only

    for path in sorted(midis.glob("*.mid")):
        synth = tinysoundfont.Synth(gain=-12, samplerate=44_100)
        synth.sfload(SOUNDS)
        for channel in range(16):
            synth.program_change(channel, 0, channel == 9)
        sequencer = tinysoundfont.Sequencer(synth)
        sequencer.midi_load(str(path))
        parts: list[NDArray[np.float32]] = []
        while len(parts) < 400 and not sequencer.is_empty():
            parts.append(np.frombuffer(bytes(synth.generate(11_025)), np.float32).reshape(-1, 2).copy())
        frames = np.concatenate(parts)
        first = int(np.argmax(np.abs(frames).max(axis=1) > 1e-4))
        soundfile.write(folder / f"{path.stem}.wav", frames[first:], 44_100, subtype="FLOAT")


def report(results: dict[str, dict[str, Saturation | None]]) -> None:
    alarms, total = [], 0
    print(f"{len(results)} sides")
    for words in WITHOUT:
        found = {name: result[words] for name, result in results.items()}
        seen = [(name, each) for name, each in found.items() if each and each.low_percent > SEEN]
        alarms += [f"{name}, {words}: {each.percent:.1f} %, at least {each.low_percent:.1f} %" for name, each in seen]
        total += len(found)
        print(f"{words:26} seen {len(seen) / len(found):6.1%}")
    print(f"{'without a curve':26} seen {len(alarms) / total:6.1%} of {total} (need 2 % or less)")
    for words, (_, percent, need) in WITH.items():
        read_as = np.array([each.percent if each else np.nan for each in (r[words] for r in results.values())])
        seen_at = np.array([bool(each and each.low_percent > SEEN) for each in (r[words] for r in results.values())])
        needed = f" (need {need:.0%})" if need else ""
        middle = f", median {np.median(read_as[seen_at]):.1f} %" if seen_at.any() else ""
        near = np.mean(np.abs(read_as / percent - 1.0) <= 0.25) if percent else np.nan
        within = f", within a quarter {near:.1%}" if percent else ""
        print(f"{words:26} seen {seen_at.mean():6.1%}{needed}{middle}{within}")
    print(*(f"  {alarm}" for alarm in alarms), sep="\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--music", type=Path, help="folder of music without saturation")
    parser.add_argument("--render", type=Path, nargs=2, help="folder of MIDI files, and where to write WAVs")
    parser.add_argument("--quick", action="store_true", help="a third of asc-music")
    options = parser.parse_args()
    if options.render:
        render(*options.render)
        return
    with ProcessPoolExecutor(2) as pool:
        results = dict(pool.map(tried, sides(options.music, options.quick)))
    report(results)


if __name__ == "__main__":
    main()
