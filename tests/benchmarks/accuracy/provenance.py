"""Where files come from: how often that is found, and how often something is found where there was nothing.

    python -m tests.benchmarks.accuracy.provenance                  # asc-music and made pieces, some minutes
    python -m tests.benchmarks.accuracy.provenance --music FOLDER   # and 30 s of each file in there
    python -m tests.benchmarks.accuracy.provenance --quick

The truth is constructed: encodes by libsndfile (LAME, libvorbis) and PyAV (AAC), conversions by resampy and scipy,
words and gains by NumPy. asc-music is MP3 itself, so it is first played 2 % faster, at 44.1 kHz, which hides that.
Files of FOLDER must never have been encoded; `tests.benchmarks.accuracy.saturation --render` makes such ones.

The thresholds were set on six pieces before anything else was measured. The requirement: as many encodes as 12, 11, 11
and 7 of 12 for MP3 at 128 to 320 kbit/s, 12, 11, 10 and 10 for AAC, and 7 of 8 for Vorbis; all words under a gain; no
alarm in 200 excerpts that were not encoded; and a fiftieth of the playing time.
"""

import argparse
import io
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import resampy
import scipy.signal
import soundfile

from master_check import ArraySource, Measurement, measure
from master_check.limiting.limiter import limit
from master_check.rehearsal import pyav_encodes
from master_check.rehearsal.feed import Feed
from master_check.sound.kept import ArraySignal
from master_check.tables.layouts import of_count
from tests.benchmarks.accuracy.hidden_clipping import MUSIC, made_music
from tests.signals import RATE, Floats, amplitude, quantised

Piece = tuple[str, Floats, int]
"""Name, samples (n, 2), rate."""

SECONDS: Final = 30

OLD: Final = "asc-music,"
"""How the names of its pieces begin: they come from 22.05 kHz, so that there is nothing above 11 kHz."""


def pieces(folder: Path | None, made: int, first_seed: int) -> Iterator[Piece]:
    """Music that no codec has touched, as far as can be known."""
    for path in sorted(MUSIC.glob("*.mp3")):
        rate = soundfile.info(path).samplerate
        for start in (20, 70):
            frames = soundfile.read(path, (SECONDS + 2) * rate, start * rate)[0]
            yield f"{OLD} {path.stem} {start} s", scipy.signal.resample_poly(frames, 100, 51, axis=0), 2 * rate
    for path in sorted(folder.iterdir()) if folder else []:
        info = soundfile.info(path)
        start = max(0, min(20 * info.samplerate, info.frames - SECONDS * info.samplerate))
        yield path.stem, soundfile.read(path, SECONDS * info.samplerate, start, always_2d=True)[0], info.samplerate
    for seed in range(first_seed, first_seed + made):
        noise = np.random.default_rng(seed).standard_normal((SECONDS * RATE, 2))
        yield f"made {seed}", 0.5 * made_music(seed, SECONDS) + amplitude(-66.0) * noise, RATE


def words(frames: Any, bits: int = 24, seed: int | None = None) -> Floats:
    return np.asarray(quantised(np.asarray(frames, np.float32), bits, seed), np.float64)


def mp3(frames: Floats, rate: int, kbps: int) -> Floats:
    quality: dict[str, Any] = {"bitrate_mode": "CONSTANT", "compression_level": (320 - kbps) / 288}
    return _through_libsndfile(frames, rate, "MP3", "MPEG_LAYER_III", quality)


def vorbis(frames: Floats, rate: int, percent: int) -> Floats:
    return _through_libsndfile(frames, rate, "OGG", "VORBIS", {"compression_level": 1.0 - percent / 100})


def _through_libsndfile(frames: Floats, rate: int, format: str, subtype: str, quality: dict[str, Any]) -> Floats:
    file = io.BytesIO()
    soundfile.write(file, frames, rate, format=format, subtype=subtype, **quality)
    file.seek(0)
    return np.asarray(soundfile.read(file, always_2d=True)[0])


def aac(frames: Floats, rate: int, kbps: int) -> Floats:
    with tempfile.TemporaryDirectory() as folder:
        feed = Feed(ArraySignal(frames, rate), of_count(2), 0, len(frames))
        path = Path(folder) / "encode.mp4"
        pyav_encodes.encode(feed, "aac", kbps, 1024, path)
        blocks = [block.frames.copy() for block in pyav_encodes.decoded(feed, "aac", path).blocks()]
    return np.asarray(np.concatenate(blocks, axis=1).T, np.float64)


ENCODES: Final[dict[str, tuple[str, Callable[[Floats, int], Floats], float]]] = {
    **{f"MP3 {k}": ("MP3", partial(mp3, kbps=k), need) for k, need in ((128, 12), (192, 11), (256, 11), (320, 7))},
    **{f"AAC {k}": ("AAC", partial(aac, kbps=k), need) for k, need in ((128, 12), (192, 11), (256, 10), (320, 10))},
    **{f"Vorbis {k} %": ("Vorbis", partial(vorbis, percent=k), 10.5) for k in (40, 80)},
}
"""Codec, encode and decode, and how many of twelve have to be found where nothing came after."""


def limited(frames: Floats, rate: int, gain_db: float) -> Floats:
    level = frames / np.abs(frames).max()
    return np.asarray(limit(level, rate, gain_db=gain_db, ceiling_db=-1.0).frames, np.float64)


def equalised(frames: Floats, rate: int) -> Floats:
    """A shelf of 6 dB above 8 kHz and one of 3.5 dB below 120 Hz, of first order."""
    high = scipy.signal.lfilter(*scipy.signal.iirfilter(1, 8_000, fs=rate, btype="high"), frames, axis=0)
    low = scipy.signal.lfilter(*scipy.signal.iirfilter(1, 120, fs=rate, btype="low"), frames, axis=0)
    return np.asarray(0.5 * (frames + high + 0.5 * low))


def low_passed(frames: Floats, rate: int, hz: float) -> Floats:
    return np.asarray(scipy.signal.fftconvolve(frames, scipy.signal.firwin(801, hz, fs=rate)[:, None], axes=0))


AFTER: Final[dict[str, Callable[[Floats, int], Floats]]] = {
    "24 bit": lambda x, r: words(x),
    "-3 dB, 16 bit": lambda x, r: words(0.7 * x, 16, 1),
    "equaliser": lambda x, r: words(equalised(x, r)),
    "limiter, 4 dB": lambda x, r: words(limited(x, r, 4.0)),
    "both, 16 bit": lambda x, r: words(limited(equalised(x, r), r, 6.0), 16, 2),
    "played 3 % slower": lambda x, r: words(scipy.signal.resample_poly(x, 103, 100, axis=0)),
}
"""What is done after an encode; nothing needs to be found after the last."""

LOSSLESS: Final[dict[str, Callable[[Floats, int], tuple[Floats, int]]]] = {
    "as it is": lambda x, r: (words(x), r),
    "16 bit": lambda x, r: (words(x, 16, 3), r),
    "equaliser": lambda x, r: (words(equalised(x, r)), r),
    "limiter, 4 dB": lambda x, r: (words(limited(x, r, 4.0)), r),
    "both, 16 bit": lambda x, r: (words(limited(equalised(x, r), r, 8.0), 16, 4), r),
    "clipped": lambda x, r: (words(np.clip(2.0 * x / np.abs(x).max(), -0.99, 0.99)), r),
    "low-pass 16 kHz": lambda x, r: (words(low_passed(x, r, 16_000)), r),
    "low-pass 20 kHz": lambda x, r: (words(low_passed(x, r, 20_000)), r),
    "low-pass 6 dB/octave": lambda x, r: (
        words(scipy.signal.lfilter(*scipy.signal.iirfilter(1, 5_000, fs=r, btype="low"), x, axis=0)), r
    ),
    "played 3 % slower": lambda x, r: (words(scipy.signal.resample_poly(x, 103, 100, axis=0)), r),
    "down to 32/44.1, soft filter": lambda x, r: (
        words(resampy.resample(x, r, r * 320 // 441, axis=0, filter="kaiser_fast")), r * 320 // 441
    ),
    "faded": lambda x, r: (words(words(x, 16, 5) * np.linspace(1.0, 0.3, len(x))[:, None]), r),
}  # fmt: skip
"""What is done to music that nothing was done to: none of it may be taken for an encode, another rate or mono."""

CONVERTERS: Final[dict[str, Callable[[Floats, int, int], Floats]]] = {
    "resampy, best": lambda x, a, b: resampy.resample(x, a, b, axis=0),
    "resampy, fast": lambda x, a, b: resampy.resample(x, a, b, axis=0, filter="kaiser_fast"),
    "Fourier": lambda x, a, b: np.asarray(scipy.signal.resample(x, round(len(x) * b / a), axis=0)),
}

HIGHER: Final[dict[str, Callable[[Floats], Floats]]] = {
    "24 bit": words,
    "noise at -80 dBFS": lambda x: words(x + amplitude(-80.0) * np.random.default_rng(6).standard_normal(x.shape)),
    "tanh, 3 dB": lambda x: words(np.tanh(1.4 * x / np.abs(x).max()) * 0.7),
    "16 bit": lambda x: words(x, 16, 7),
}
"""What is done after a conversion to a higher rate."""


def look(frames: Floats, rate: int) -> Measurement:
    return measure(ArraySource(np.asarray(frames, np.float32), rate), origin=True)


def results(measurement: Measurement) -> dict[str, str]:
    assert measurement.origin is not None
    return {finding.kind: finding.result for finding in measurement.origin}


def encodes(each: list[Piece]) -> None:
    print(f"encodes found, of {len(each)} pieces (and named rightly)")
    for name, (codec, encode, needed) in ENCODES.items():
        found: Counter[str] = Counter()
        named: Counter[str] = Counter()
        for _, frames, rate in each:
            decoded = encode(frames, rate)[1234:]
            for after, process in AFTER.items():
                measurement = look(process(decoded, rate), rate)
                if results(measurement)["encode"] == "found":
                    found[after] += 1
                    named[after] += codec in str(measurement.values["source_codec"])
        cells = [f"{after} {found[after]} ({named[after]})" for after in AFTER]
        print(f"  {name:12} need {needed / 12:4.0%}: {', '.join(cells)}", flush=True)


def alarms(each: list[Piece]) -> None:
    total, false, strongest = 0, [], 0.0
    for name, frames, rate in each:
        for what, process in LOSSLESS.items():
            done, at = process(frames, rate)
            measurement = look(done, at)
            total += 1
            strongest = max(strongest, float(measurement.values["codec_trace"] or 0.0))
            found = {kind for kind, result in results(measurement).items() if result == "found"}
            true = {"word_length"} if "16 bit" in what else {"bandwidth"} if "low-pass" in what else set()
            true |= {"bandwidth"} if name.startswith(OLD) else set()
            if found - true:
                false.append(f"{name}, {what}: {', '.join(sorted(found - true))}")
    print(
        f"never encoded nor converted up: {len(false)} alarms in {total}; strongest trace {strongest:.1f} (6 is found)"
    )
    for line in false:
        print(f"  {line}", flush=True)


def conversions(each: list[Piece]) -> None:
    print(f"lower sample rates, of {len(each)} pieces: found rightly / wrongly / undecided / nothing")
    for name, convert in CONVERTERS.items():
        for rate, higher in ((44_100, 48_000), (44_100, 96_000), (48_000, 96_000)):
            told: dict[str, Counter[str]] = {after: Counter() for after in HIGHER}
            for _, frames, _ in each:
                converted = convert(frames, rate, higher)
                for after, process in HIGHER.items():
                    measurement = look(process(converted), higher)
                    result = results(measurement)["sample_rate"]
                    wrong = result == "found" and measurement.values["source_rate_hz"] != rate
                    told[after]["wrong" if wrong else result] += 1
            order = ("found", "wrong", "undecided", "nothing")
            cells = [f"{after} {' / '.join(str(told[after][key]) for key in order)}" for after in HIGHER]
            print(f"  {name:14} {rate / 1000:g} to {higher / 1000:g}: {', '.join(cells)}", flush=True)


def gains(each: list[Piece]) -> None:
    print(f"16-bit words under a gain, of {len(each)} pieces")
    for gain_db in (-0.1, -1.0, -3.3, -9.7, -14.2, 2.5, 6.7):
        found = 0
        for _, frames, rate in each:
            level = 0.4 * frames / np.abs(frames).max()
            value = look(words(words(level, 16, 8) * amplitude(gain_db)), rate).values["source_gain_db"]
            found += isinstance(value, float) and abs(value - gain_db) < 0.05
        print(f"  {gain_db:+5.1f} dB: {found}", flush=True)


def cost(frames: Floats, rate: int) -> None:
    """What looking takes, over measuring alone, of a song of four minutes."""
    song = np.tile(frames, (240 * rate // len(frames) + 1, 1))[: 240 * rate]
    song = song + amplitude(-90.0) * np.random.default_rng(9).standard_normal(song.shape)
    source = ArraySource(np.asarray(words(song), np.float32), rate)
    took = {}
    for origin in (False, True, False, True):  # the first two compile
        started = time.process_time()
        measure(source, origin=origin)
        took[origin] = time.process_time() - started
    extra = took[True] - took[False]
    print(
        f"four minutes: {extra:.2f} s of processor time more, {240.0 / extra:.0f} times as fast as they play (need 50)"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--music", type=Path, help="folder of music that was never encoded")
    parser.add_argument("--made", type=int, default=6, help="made pieces")
    parser.add_argument("--first-seed", type=int, default=100, help="of the made pieces")
    parser.add_argument("--only", choices=["encodes", "alarms", "conversions", "gains", "cost"])
    parser.add_argument("--quick", action="store_true", help="three pieces")
    options = parser.parse_args()
    each = list(pieces(options.music, options.made, options.first_seed))
    each = each[:: max(1, len(each) // 3)][:3] if options.quick else each
    parts: dict[str, Callable[[], None]] = {
        "cost": lambda: cost(each[0][1], each[0][2]),
        "alarms": lambda: alarms(each),
        "encodes": lambda: encodes(each),
        "gains": lambda: gains(each),
        "conversions": lambda: conversions(each),
    }
    for name, part in parts.items():
        if options.only in (None, name):
            part()


if __name__ == "__main__":
    main()
