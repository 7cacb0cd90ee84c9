"""What `compare` reads of masters whose making is known.

    python -m tests.benchmarks.accuracy.compare lengths     # THD at 20 s and at four minutes, some minutes

The truth is constructed: a tanh distorts a sine at the side's own peak level (what one sample in ten thousand exceeds)
by so much. Pieces are the three of asc-music, and made ones.
"""

import argparse
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np
import soundfile

from master_check.pair.comparison import compare_aligned
from master_check.pair.overlap import Overlap
from tests.benchmarks.accuracy.hidden_clipping import made_music
from tests.conftest import MUSIC, TRACKS
from tests.pair.processing import Floats, shaped, tanh_of
from tests.signals import RATE

LENGTHS_S: Final = (20.0, 60.0, 240.0)
PERCENTS: Final = (1.0, 3.0, 10.0)
MEAN_OFF, WORST_OFF = 0.03, 0.12
"""What is asked of readings at any length, relative: of their mean and of each. Set before measuring."""


def pieces(seconds: float) -> Iterator[tuple[str, Floats, int]]:
    """Name, frames with peaks at half of full scale at most, rate."""
    for track in TRACKS:
        with soundfile.SoundFile(MUSIC / f"{track}.mp3") as file:
            rate = file.samplerate
            file.seek(max(0, min(20 * rate, file.frames - round(seconds * rate))))
            yield track, 0.5 * file.read(round(seconds * rate), dtype="float64", always_2d=True), rate
    for seed in (1, 2):
        yield f"made {seed}", 0.5 * made_music(seed, seconds), RATE


def lengths() -> None:
    print(f"THD read over THD made, less 1. Asked of all: mean within {MEAN_OFF:.0%}, worst within {WORST_OFF:.0%}")
    print(f"{'seconds':>8} {'sides':>6} {'mean':>8} {'worst':>8} {'cases':>6}", flush=True)
    for seconds in LENGTHS_S:
        off: dict[str, list[float]] = {"both": [], "side": []}
        for name, frames, rate in pieces(seconds):
            for sides in off:
                for percent in PERCENTS:
                    off[sides] += _off(name, frames, rate, sides, percent)
        for sides, found in off.items():
            worst = max(found, key=abs)
            print(f"{seconds:8.0f} {sides:>6} {np.mean(found):+8.1%} {worst:+8.1%} {len(found):6d}", flush=True)


def _off(name: str, frames: Floats, rate: int, sides: str, percent: float) -> list[float]:
    master = shaped(frames, lambda signal: tanh_of(signal, percent), sides)
    found = compare_aligned(Overlap.of_arrays(frames, master, rate))[1]
    read = [found.side(side).thd_percent for side in (("left", "right") if sides == "both" else ("side",))]
    off = [(each or 0.0) / percent - 1.0 for each in read]
    if max(map(abs, off)) > WORST_OFF:
        print(f"    {name}, {len(frames) / rate:.0f} s, {sides}, {percent:g} %: read {read}")
    return off


TABLES: Final[dict[str, Callable[[], None]]] = {"lengths": lengths}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("tables", nargs="*", choices=[*TABLES, []], help="which; all if none is named")
    for name in parser.parse_args().tables or TABLES:
        TABLES[name]()


if __name__ == "__main__":
    main()
