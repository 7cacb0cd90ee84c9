"""What `compare` reads of masters whose making is known.

    python -m tests.benchmarks.accuracy.compare             # all of it, some minutes
    python -m tests.benchmarks.accuracy.compare lengths     # THD at 20 s and at four minutes
    python -m tests.benchmarks.accuracy.compare words       # what is called saturated or clipped, and what is not
    python -m tests.benchmarks.accuracy.compare gain        # gain reduction of compressors, limiters and filters
    python -m tests.benchmarks.accuracy.compare balance     # the tone of a low shelf

The truth is constructed: a tanh distorts a sine at the side's own peak level (what one sample in ten thousand exceeds)
by so much. Pieces are passages of the three of asc-music, and made ones.
"""

import argparse
from collections.abc import Callable, Iterator
from typing import Final

import numpy as np
import soundfile

from master_check.pair.comparison import compare_aligned
from master_check.pair.overlap import Overlap
from master_check.pair.saturation import PairSaturation
from tests.benchmarks.accuracy.hidden_clipping import made_music
from tests.conftest import MUSIC, TRACKS
from tests.pair.gain import changed_in, high_passed, low_shelf, true_reduction
from tests.pair.processing import (
    Floats,
    bass_compressor_gain,
    clipped,
    compressor_gain,
    equalised,
    limiter_gain,
    multiband,
    shaped,
    tanh_of,
)
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


Process = Callable[[Floats, int], Floats]

SECONDS: Final = 15.0

DYNAMICS: Final[dict[str, Process]] = {
    "compressor, 20 ms, 3 dB": lambda x, rate: x * compressor_gain(x, rate, 0.02, 0.2, 2.0, 3.0)[:, None],
    "compressor, 5 ms, 3 dB": lambda x, rate: x * compressor_gain(x, rate, 0.005, 0.08, 4.0, 3.0)[:, None],
    "compressor, 1 ms, 4 dB": lambda x, rate: x * compressor_gain(x, rate, 0.001, 0.05, 4.0, 4.0)[:, None],
    "compressor, 0.2 ms, 3 dB": lambda x, rate: x * compressor_gain(x, rate, 0.0002, 0.02, 4.0, 3.0)[:, None],
    "bass-triggered, 4 dB": lambda x, rate: x * bass_compressor_gain(x, rate, 4.0)[:, None],
    "limiter, 3 dB": lambda x, rate: x * limiter_gain(x, rate, 3.0)[:, None],
    "limiter, 6 dB": lambda x, rate: x * limiter_gain(x, rate, 6.0)[:, None],
    "three bands, 3 dB": multiband,
    "equaliser": equalised,
    "high-pass 30 Hz": lambda x, rate: high_passed(x, rate, 30.0, 4),
    "tanh 0.1 %": lambda x, rate: shaped(x, lambda signal: tanh_of(signal, 0.1), "both"),
}
"""None of these is saturation to be told."""

MADE: Final[dict[str, tuple[Process, frozenset[str]]]] = {
    "both 1 %": (lambda x, _: shaped(x, lambda signal: tanh_of(signal, 1.0), "both"), frozenset({"left", "right"})),
    "both 3 %": (lambda x, _: shaped(x, lambda signal: tanh_of(signal, 3.0), "both"), frozenset({"left", "right"})),
    "left 3 %": (lambda x, _: shaped(x, lambda signal: tanh_of(signal, 3.0), "left"), frozenset({"left"})),
    "mid 3 %": (lambda x, _: shaped(x, lambda signal: tanh_of(signal, 3.0), "mid"), frozenset({"mid"})),
    "sides 3 %": (lambda x, _: shaped(x, lambda signal: tanh_of(signal, 3.0), "side"), frozenset({"side"})),
    "compressor, sides 3 %": (
        lambda x, rate: shaped(
            x * compressor_gain(x, rate, 0.02, 0.2, 2.0, 3.0)[:, None], lambda signal: tanh_of(signal, 3.0), "side"
        ),
        frozenset({"side"}),
    ),
    "sides 3 %, limiter": (
        lambda x, rate: _limited(shaped(x, lambda signal: tanh_of(signal, 3.0), "side"), rate, 3.0),
        frozenset({"side"}),
    ),
}
"""Saturation, and the sides it was done to."""

FALSE, MISSED = 0.05, 0.05
"""What is asked: sides called saturated where none was, and sides not called so where they were; set beforehand."""

CLIPPED: Final[dict[str, Process]] = {
    "clip 1 dB": lambda x, _: clipped(x, 1.0),
    "clip 3 dB": lambda x, _: clipped(x, 3.0),
    "sides 3 %, clip 1 dB": lambda x, _: clipped(shaped(x, lambda signal: tanh_of(signal, 3.0), "side"), 1.0),
    "sides 3 %, clip 3 dB": lambda x, _: clipped(shaped(x, lambda signal: tanh_of(signal, 3.0), "side"), 3.0),
}
CUT: Final = 20
"""Samples of a channel that a clipper has to cut by 0.2 dB, so that the channel is to be called clipped."""

GAINS: Final[dict[str, Callable[[Floats, int], Floats]]] = {
    "compressor, 50 ms, 2 dB": lambda x, rate: compressor_gain(x, rate, 0.05, 0.6, 2.0, 2.0),
    "compressor, 20 ms, 3 dB": lambda x, rate: compressor_gain(x, rate, 0.02, 0.2, 2.0, 3.0),
    "compressor, 5 ms, 4 dB": lambda x, rate: compressor_gain(x, rate, 0.005, 0.08, 4.0, 4.0),
    "compressor, 1 ms, 4 dB": lambda x, rate: compressor_gain(x, rate, 0.001, 0.05, 4.0, 4.0),
    "bass-triggered, 4 dB": lambda x, rate: bass_compressor_gain(x, rate, 4.0),
    "bass-triggered, 8 dB": lambda x, rate: bass_compressor_gain(x, rate, 8.0),
    "limiter, 3 dB": lambda x, rate: limiter_gain(x, rate, 3.0),
    "limiter, 6 dB": lambda x, rate: limiter_gain(x, rate, 6.0),
}
FILTERS: Final[dict[str, Process]] = {
    "none": lambda x, _: x,
    "equaliser": equalised,
    "low shelf, 3 dB": low_shelf,
    "high-pass 30 Hz, 12 dB/oct": lambda x, rate: high_passed(x, rate, 30.0, 2),
    "high-pass 30 Hz, 24 dB/oct": lambda x, rate: high_passed(x, rate, 30.0, 4),
}
GAIN_MEAN, GAIN_WORST, FILTER_WORST = 0.2, 0.6, 0.3
"""What is asked of the maximum and the 95th percentile of gain reduction, dB; set beforehand."""

BALANCE_OFF: Final = 0.7
"""What the tone away from a shelf may be told to have moved, dB: where the summary begins to speak of it."""


def _limited(frames: Floats, rate: int, reduction_db: float) -> Floats:
    return np.asarray(frames * limiter_gain(frames, rate, reduction_db)[:, None])


def words() -> None:
    print(f"Sides called saturated that were not, of four a piece. Asked: {FALSE:.0%} at most")
    wrong = 0
    for name, process in DYNAMICS.items():
        found = [_read(frames, process(frames, rate), rate) for _, frames, rate in pieces(SECONDS)]
        called = sum(side.saturated for each in found for side in each.sides)
        wrong += called
        print(f"  {name:28} {called:3d} of {4 * len(found)}", flush=True)
    print(f"  {'all':28} {wrong / (4 * len(found) * len(DYNAMICS)):.1%}")
    print(f"Sides named that were saturated, and others named. Asked: {MISSED:.0%} missed at most")
    for name, (process, true) in MADE.items():
        found = [_read(frames, process(frames, rate), rate) for _, frames, rate in pieces(SECONDS)]
        named = [{side.side for side in each.sides if side.saturated} for each in found]
        hit, more = sum(len(each & true) for each in named), sum(len(each - true) for each in named)
        print(f"  {name:28} {hit:3d} of {len(true) * len(found)}, others {more}", flush=True)
    print(
        f"Channels called clipped that were (of which {CUT} samples lost 0.2 dB), and that were not; sides at 3 % named"
    )
    for name, process in CLIPPED.items():
        hit = true_ones = more = sides = 0
        for _, frames, rate in pieces(SECONDS):
            master = process(frames, rate)
            each = _read(frames, master, rate)
            top = np.abs(master).max()
            before = shaped(frames, lambda signal: tanh_of(signal, 3.0), "side") if "sides" in name else frames
            cut = [(np.abs(row) > 1.023 * top).sum() >= CUT for row in before.T]
            told = [each.side(side).clip_dbfs is not None for side in ("left", "right")]
            hit += sum(a and b for a, b in zip(cut, told, strict=True))
            true_ones += sum(cut)
            more += sum(b and not (np.abs(row) > top).any() for row, b in zip(before.T, told, strict=True))
            sides += each.side("side").saturated
        print(f"  {name:28} {hit:3d} of {true_ones}, not clipped {more}, sides {sides}", flush=True)


def gain() -> None:
    print(
        f"Gain reduction read less true, dB. Asked: mean {GAIN_MEAN}, worst {GAIN_WORST}; filters alone {FILTER_WORST}"
    )
    print(f"{'':28} {'most: mean':>11} {'worst':>6} {'95th: mean':>11} {'worst':>6}")
    cases = [("none", name) for name in GAINS] + [("equaliser", name) for name in GAINS] + [(n, "") for n in FILTERS]
    for filter_, name in cases:
        off = []
        for _, frames, rate in pieces(SECONDS):
            into = FILTERS[filter_](frames, rate)
            by = GAINS[name](into, rate) if name else np.ones(len(into))
            found = changed_in(Overlap.of_arrays(frames, 0.8 * into * by[:, None], rate))
            true = true_reduction(into, by, rate)
            off.append([(found.gain_reduction_max_db or 0.0) - true[0], (found.gain_reduction_p95_db or 0.0) - true[1]])
        mean, worst = np.abs(off).mean(axis=0), np.abs(off).max(axis=0)
        title = f"{filter_}, alone" if not name else name if filter_ == "none" else f"eq, {name}"
        print(f"{title:28} {mean[0]:11.2f} {worst[0]:6.2f} {mean[1]:11.2f} {worst[1]:6.2f}", flush=True)


def balance() -> None:
    print(
        f"Level change of a +3 dB low shelf at 31.5 Hz, and at most above 800 Hz. Asked: above {BALANCE_OFF} dB at most"
    )
    for name, frames, rate in pieces(SECONDS):
        bands = changed_in(Overlap.of_arrays(frames, low_shelf(frames, rate), rate)).bands
        low = next(band.level_change_db for band in bands if band.hz == 31.5)
        high = max((band.level_change_db or 0.0 for band in bands if band.hz >= 800.0), key=abs)
        print(f"  {name:28} {low or 0.0:+.2f} {high:+.2f}", flush=True)


def _read(premaster: Floats, master: Floats, rate: int) -> PairSaturation:
    return compare_aligned(Overlap.of_arrays(premaster, master, rate))[1]


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


TABLES: Final[dict[str, Callable[[], None]]] = {
    "lengths": lengths,
    "words": words,
    "gain": gain,
    "balance": balance,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("tables", nargs="*", choices=[*TABLES, []], help="which; all if none is named")
    for name in parser.parse_args().tables or TABLES:
        TABLES[name]()


if __name__ == "__main__":
    main()
