"""What somebody should look at in the stems of a mix: what does not go together, plays nowhere or is there twice."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from master_check.albums.versions import same_audio, same_but_for_gain, same_samples
from master_check.judgement.checked import Checked
from master_check.measurement.measurement import Measurement
from master_check.sound.format import AudioError
from master_check.stem.polarity import LowBand, inverted
from master_check.stem.ringing import Ring
from master_check.tables.quantities import Value

SAME_LENGTH_S: Final = 0.001
SAME_GAIN_DB: Final = 0.05
"""Copies of less gain than this between them count as one."""

RUMBLE_DBFS: Final = -60.0
RUMBLE_DB: Final = 3.0
"""Rumble is told of above this level, and where it is more than half of the noise floor."""

Kind = Literal[
    "unread",
    "sample_rate",
    "word_length",
    "channels",
    "length",
    "start",
    "never_plays",
    "same_audio",
    "same_audio_gain",
    "rumble",
    "ringing",
    "polarity",
]


@dataclass(frozen=True, slots=True)
class Remark:
    """Something that is no rule's business.

    Attributes
    ----------
    kind : str
        One of `Kind`.
    stems : tuple of int
        Which stems, as indices into `Stems.stems`.
    values : dict
        Its figures; keys end in their unit.
    """

    kind: Kind
    stems: tuple[int, ...]
    values: Mapping[str, Value] = field(default_factory=dict)


def remarks(stems: Sequence[Checked]) -> Iterator[Remark]:
    """Everything to be said of stems, whatever profile they are held against."""
    measured = {i: m for i, stem in enumerate(stems) if (m := stem.measurement) is not None}
    unread = tuple(i for i in range(len(stems)) if i not in measured)
    if unread:
        yield Remark("unread", unread)
    silent = {i: m for i, m in measured.items() if m.values["playing_level_dbfs"] is None}
    for i, measurement in silent.items():
        yield Remark("never_plays", (i,), {key: measurement.values[key] for key in ("sample_peak_dbfs", "duration_s")})
    yield from _odd("sample_rate", "sample_rate_hz", measured)
    yield from _odd("word_length", "bit_depth", measured)
    yield from _channels(measured)
    yield from _lengths(measured)
    yield from _odd("start", "time_reference_s", measured)
    yield from _copies({i: m for i, m in measured.items() if i not in silent})
    for i, measurement in measured.items():
        yield from _rubbish(i, measurement.values)


def _rubbish(stem: int, values: Mapping[str, Value]) -> Iterator[Remark]:
    """What is in a single stem that nobody played."""
    rumble, floor = values.get("rumble_dbfs"), values.get("noise_floor_dbfs")
    if rumble is not None and floor is not None and float(rumble) > max(RUMBLE_DBFS, float(floor) - RUMBLE_DB):
        yield Remark("rumble", (stem,), {"rumble_dbfs": rumble, "noise_floor_dbfs": floor})


def ringing(stems: Sequence[Checked], rings: Mapping[str, Sequence[Ring]]) -> Iterator[Remark]:
    """Every resonance. rings : of every stem, by path."""
    for i, stem in enumerate(stems):
        for ring in rings.get(stem.path, ()):
            values = {"ringing_hz": ring.hz, "ringing_above_db": ring.above_db, "ringing_percent": ring.percent}
            yield Remark("ringing", (i,), values)


def polarity(stems: Sequence[Checked], low_bands: Mapping[str, LowBand]) -> Iterator[Remark]:
    """Pairs of stems of one group of which one is inverted; a copy upside down is told as a copy."""
    groups: dict[tuple[Any, int], list[tuple[int, NDArray[np.float16]]]] = {}
    for i, stem in enumerate(stems):
        m = stem.measurement
        if m is not None and m.values["playing_level_dbfs"] is not None:
            band = low_bands[stem.path]
            groups.setdefault((getattr(stem, "group", None), band.rate), []).append((i, band.samples()))
    for bands in groups.values():
        for found in inverted(bands):
            yield Remark("polarity", found.stems, {"correlation": found.correlation})


def usual(values: Iterable[Any]) -> Any:
    """The most frequent value, the first of several; None where there is none."""
    ((value, _),) = Counter(values).most_common(1) or ((None, 0),)
    return value


def _odd(kind: Kind, key: str, measured: Mapping[int, Measurement]) -> Iterator[Remark]:
    """Stems whose value is not the usual one, those alike in one."""
    values = {i: m.values[key] for i, m in measured.items()}
    most = usual(values.values())
    for other in dict.fromkeys(values.values()):
        if other != most:
            who = tuple(i for i, value in values.items() if value == other)
            yield Remark(kind, who, {key: other, f"usual_{key}": most})


def _channels(measured: Mapping[int, Measurement]) -> Iterator[Remark]:
    """Mono and stereo go together; anything else does not."""
    counts = {i: m.format.channels for i, m in measured.items()}
    widest = usual(count for count in counts.values() if count > 1)
    for other in dict.fromkeys(counts.values()):
        if other not in (1, widest):
            who = tuple(i for i, count in counts.items() if count == other)
            yield Remark("channels", who, {"channels": other, "usual_channels": widest})


def _lengths(measured: Mapping[int, Measurement]) -> Iterator[Remark]:
    lengths = {i: float(m.values["duration_s"] or 0.0) for i, m in measured.items()}
    most = usual(round(length / SAME_LENGTH_S) for length in lengths.values())
    others = {i: length for i, length in lengths.items() if abs(length / SAME_LENGTH_S - most) > 1.0}
    for length in dict.fromkeys(others.values()):
        who = tuple(i for i, other in others.items() if other == length)
        yield Remark("length", who, {"duration_s": length, "usual_duration_s": most * SAME_LENGTH_S})


def _copies(measured: Mapping[int, Measurement]) -> Iterator[Remark]:
    """The same audio more than once, sample for sample or apart from gain, polarity and word length."""

    def same(first: int, second: int) -> bool:
        a, b = measured[first], measured[second]
        try:
            return a.sha256 == b.sha256 or same_samples(a.path, b.path)
        except AudioError:  # taken away since it was measured
            return False

    heaps = same_audio(measured, same)
    for heap in heaps:
        if len(heap) > 1:
            yield Remark("same_audio", tuple(heap))
    for i, k, gain in same_but_for_gain({heap[0]: measured[heap[0]] for heap in heaps}):
        if abs(gain) < SAME_GAIN_DB:
            yield Remark("same_audio", (i, k), {"gain_db": gain})
        else:
            yield Remark("same_audio_gain", (i, k), {"gain_db": gain})
