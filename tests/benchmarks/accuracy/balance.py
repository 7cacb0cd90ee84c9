"""How well stems are found in mixes and rough mixes whose making is known.

    python -m tests.benchmarks.accuracy.balance                  # made songs, some minutes
    python -m tests.benchmarks.accuracy.balance --songs 1
    python -m tests.benchmarks.accuracy.balance --stems FOLDER   # and the stems in there
    python -m tests.benchmarks.accuracy.balance --render MIDIS FOLDER    # MIDI files into such a folder, stem by stem

Rendering needs `tinysoundfont` and `mido` from PyPI and Debian's `fluid-soundfont-gm`; `openttd-openmsx` has MIDIs.

Every stem gets a gain within 6 dB; then something is done to one stem, and something to the sum. Asked, before anything
was measured: half a decibel wherever a level is given, and a refusal where it cannot be had: never a wrong figure. What
is compared is each level against the median of those that nothing was done to.
"""

import argparse
import importlib
import tempfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
import scipy.signal
import soundfile

from master_check.balance.levels import Level
from master_check.balance.placed import against
from master_check.sound.kept import ArraySignal
from tests.balance.songs import RATE, Floats, delayed, mixed, song
from tests.balance.test_against import mp3
from tests.pair.processing import compressor_gain, equalised, limiter_gain

SOUNDS: Final = "/usr/share/sounds/sf2/FluidR3_GM.sf2"  # Debian package fluid-soundfont-gm

ALLOWED_DB: Final = 0.5

Stems = dict[str, Floats]


def _glued(x: Floats) -> Floats:
    return np.asarray(x * compressor_gain(x, RATE, 0.02, 0.2, 2.0, 2.0)[:, None])


def _limited(x: Floats) -> Floats:
    return np.asarray(x * limiter_gain(x, RATE, 3.0)[:, None])


BUSES: Final[dict[str, Callable[[Floats], Floats]]] = {
    "nothing": lambda x: x,
    "compressor 2 dB": _glued,
    "limiter 3 dB": _limited,
    "both, MP3 128": lambda x: mp3(_limited(_glued(x))),
    "equaliser, compressor": lambda x: _glued(equalised(x, RATE)),
}


def _bell(x: Floats) -> Floats:
    return np.asarray(x + 0.8 * scipy.signal.lfilter(*scipy.signal.iirpeak(2_500.0, 1.0, fs=RATE), x, axis=0))


def _reverb(x: Floats) -> Floats:
    tail = np.random.default_rng(5).standard_normal(round(1.2 * RATE)) * np.exp(
        -np.arange(round(1.2 * RATE)) / (0.35 * RATE)
    )
    tail /= np.sqrt(np.sum(tail**2))
    return np.asarray(x + 0.5 * scipy.signal.oaconvolve(x, tail[:, None], axes=0)[: len(x)])


def _again(x: Floats) -> Floats:
    """Played again: everything up to 20 ms earlier or later."""
    moved = np.interp(
        np.arange(len(x)), np.linspace(0, len(x), 30), np.random.default_rng(9).normal(0, 0.012 * RATE, 30)
    )
    return np.stack([np.interp(np.arange(len(x)) + moved, np.arange(len(x)), row) for row in x.T], axis=1)


DONE: Final[dict[str, Callable[[Floats], Floats]]] = {
    "nothing": lambda x: x,
    "3 ms late": lambda x: delayed(x, 144),
    "inverted": lambda x: -x,
    "played again": _again,
    "left out": lambda x: 0.0 * x,
    "equalised": _bell,
    "compressed 4 dB": lambda x: np.asarray(x * compressor_gain(x, RATE, 0.005, 0.1, 4.0, 4.0)[:, None]),
    "with reverb": _reverb,
}
"""To one stem."""

ABSENT: Final = ("played again", "left out")
LOUDER: Final = ("equalised", "compressed 4 dB", "with reverb")
"""What changes the stem's own level, so that its figure is another one; the other stems' are not."""


def songs(count: int, folder: Path | None) -> Iterator[tuple[str, Stems]]:
    for seed in range(31, 31 + count):
        yield f"made {seed}", song(seed, 24.0)
    for place in sorted(folder.iterdir()) if folder else ():
        found = {path.stem: soundfile.read(path, always_2d=True) for path in sorted(place.glob("*.wav"))}
        if found and all(rate == RATE for _, rate in found.values()):
            yield place.name, {name: frames[20 * RATE : 44 * RATE] for name, (frames, _) in found.items()}


def render(midis: Path, folder: Path) -> None:
    """Every channel of MIDI files on its own, 45 s at 48 kHz, without reverb; of songs with at least four channels."""
    mido, tinysoundfont = (importlib.import_module(name) for name in ("mido", "tinysoundfont"))  # for this only
    for path in sorted(midis.glob("*.mid")):
        song_ = mido.MidiFile(path)
        channels = sorted({m.channel for track in song_.tracks for m in track if m.type == "note_on"})
        parts = {f"{channel:02d}": _rendered(mido, tinysoundfont, song_, channel) for channel in channels}
        parts = {name: frames for name, frames in parts.items() if np.abs(frames[20 * RATE :]).max() > 1e-3}
        if len(parts) < 4:
            continue
        (folder / path.stem).mkdir(parents=True, exist_ok=True)
        loudest = np.abs(np.sum(list(parts.values()), axis=0)).max()
        for name, frames in parts.items():
            soundfile.write(folder / path.stem / f"{name}.wav", frames / loudest, RATE, subtype="FLOAT")


def _rendered(mido: Any, tinysoundfont: Any, whole: Any, channel: int) -> Floats:
    alone = mido.MidiFile(type=whole.type, ticks_per_beat=whole.ticks_per_beat)
    for track in whole.tracks:
        kept, late = mido.MidiTrack(), 0
        for message in track:
            late += message.time
            if message.is_meta or getattr(message, "channel", channel) == channel:
                kept.append(message.copy(time=late))
                late = 0
        alone.tracks.append(kept)
    with tempfile.NamedTemporaryFile(suffix=".mid") as file:
        alone.save(file.name)
        synth = tinysoundfont.Synth(gain=-12, samplerate=RATE)
        synth.sfload(SOUNDS)
        for each in range(16):
            synth.program_change(each, 0, each == 9)
        sequencer = tinysoundfont.Sequencer(synth)
        sequencer.midi_load(file.name)
        pieces = [bytes(synth.generate(RATE // 4)) for _ in range(180)]
    return np.concatenate([np.frombuffer(piece, np.float32).reshape(-1, 2) for piece in pieces]).astype(np.float64)


def held(stems: Mapping[str, Floats], mix: Floats) -> list[Level]:
    return against([ArraySignal(frames, RATE) for frames in stems.values()], ArraySignal(mix, RATE)).levels


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--songs", type=int, default=4, help="made songs")
    parser.add_argument("--stems", type=Path, help="a folder with a folder of 48 kHz WAV stems a song")
    parser.add_argument("--render", type=Path, nargs=2, metavar=("MIDIS", "FOLDER"))
    arguments = parser.parse_args()
    if arguments.render:
        render(*arguments.render)
        return
    print(f"Levels given, and how far they are off, dB. Asked: {ALLOWED_DB} at most")
    print(
        f"{'bus':22} {'one stem':16} {'given':>9} {'mean':>6} {'worst':>6} {'over':>5} "
        f"{'beyond stated':>13} {'absent told':>11}"
    )
    totals = [0, 0, 0, 0]
    for bus, process in BUSES.items():
        for done, change in DONE.items():
            off, beyond, of, told, absent = [], 0, 0, 0, 0
            for name, stems in songs(arguments.songs, arguments.stems):
                random = np.random.default_rng(zlib.crc32(f"{name} {bus} {done}".encode()))
                gains = {stem: float(random.uniform(-6.0, 6.0)) for stem in stems}
                one = list(stems)[int(random.integers(len(stems)))]
                levels = dict(
                    zip(stems, held(stems, process(0.5 * mixed(stems | {one: change(stems[one])}, gains))), strict=True)
                )
                rest = {stem: level for stem, level in levels.items() if stem != one or done not in (*ABSENT, *LOUDER)}
                known = {stem: level for stem, level in rest.items() if level.gain_db is not None}
                middle = float(np.median([(level.gain_db or 0.0) - gains[stem] for stem, level in known.items()]))
                errors = {stem: abs((level.gain_db or 0.0) - gains[stem] - middle) for stem, level in known.items()}
                off += list(errors.values())
                beyond += sum(error > (known[stem].within_db or 0.0) for stem, error in errors.items())
                of += len(rest)
                if done in ABSENT:
                    absent += 1
                    told += levels[one].gain_db is None
            over = sum(error > ALLOWED_DB for error in off)
            totals = [a + b for a, b in zip(totals, (len(off), of, over, beyond), strict=True)]
            print(
                f"{bus:22} {done:16} {len(off):4d}/{of:<4d} {np.mean(off):6.2f} {max(off):6.2f} {over:5d} {beyond:13d} "
                f"{f'{told}/{absent}' if absent else '':>11}",
                flush=True,
            )
    given, of, over, beyond = totals
    print(f"all: {given} of {of} given ({given / of:.0%}), {over} off by more, {beyond} by more than stated")


if __name__ == "__main__":
    main()
