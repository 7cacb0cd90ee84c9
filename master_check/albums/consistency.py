"""What does not go together in an album: formats, levels, tone, width, joins and silences.

Every limit here is common practice and asks for a look, not for a verdict: profiles judge. A track stands out where
it lies further from the album's median than three times the robust standard deviation (1.4826 times the median
distance from the median, which is the standard deviation of a normal distribution), and never for less than the
least distance given here, which a listener would hear.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from master_check.albums.versions import hop_powers
from master_check.decibels import power_decibels_each
from master_check.measurement.measurement import Measurement
from master_check.meters.loudness import MOMENTARY, RANGE_GATE, SHORT_TERM, finite_loudness
from master_check.tables.quantities import Value

FEWEST: Final = 3
"""Tracks that make a median worth comparing with."""

LEAST: Final = {"loudness": 3.0, "tone": 6.0, "width": 6.0}
"""LU, dB in an octave, dB of sides to middle."""

RUN_ON_S: Final = 0.5
"""With less silence between them, tracks run into each other."""

STEP_LU: Final = 3.0
STEP_AFTER_PAUSE_LU: Final = 12.0
"""A step in loudness worth a word where tracks run into each other, and after a pause."""

HEAD_S: Final = 1.0
TAIL_S: Final = 5.0
"""Silence at the start and at the end of a track worth a word."""

OCTAVES: Final = ("31.5 Hz", "63 Hz", "125 Hz", "250 Hz", "500 Hz", "1 kHz", "2 kHz", "4 kHz", "8 kHz", "16 kHz")
"""Octave bands (IEC 61260-1): three third-octaves each, from 25 Hz on."""

Numbered = Sequence[tuple[int, Measurement]]
"""Tracks in sequence: number of the track in the album, and what was measured of it."""


Kind = Literal[
    "unread",
    "sample_rate",
    "word_length",
    "channels",
    "container",
    "bits_used",
    "loudness",
    "tone",
    "width",
    "mono",
    "head_silence",
    "tail_silence",
    "step",
    "same_audio",
    "same_audio_gain",
    "version_alone",
    "version_length",
    "version_unlike",
    "version_offset",
]


@dataclass(frozen=True, slots=True)
class Observation:
    """Something about an album that somebody should look at.

    Attributes
    ----------
    kind : str
        What it is about.
    tracks : tuple of int
        The tracks it is about, as indices into `Album.tracks`.
    values : dict
        The figures in it; keys end in their unit.
    """

    kind: Kind
    tracks: tuple[int, ...]
    values: dict[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Join:
    """From the end of one track to the start of the next.

    Attributes
    ----------
    first, second : int
        Indices into `Album.tracks`.
    end_lufs, start_lufs : float or None
        Loudness of the last and of the first 3 s of programme: what is more than 20 LU below a track's integrated
        loudness (the gate of EBU Tech 3342) is fade or silence.
    step_lu : float or None
        Start minus end.
    silence_s : float or None
        Below -60 dBFS between the two.
    """

    first: int
    second: int
    end_lufs: float | None
    start_lufs: float | None
    step_lu: float | None
    silence_s: float | None


def formats(tracks: Numbered) -> list[Observation]:
    """Sample rate, word length, channels and container that most tracks do not have; padded words."""
    found = []
    keys: Mapping[Kind, str] = {
        "sample_rate": "sample_rate_hz",
        "word_length": "bit_depth",
        "channels": "channels",
        "container": "container",
    }
    for kind, key in keys.items():
        groups: dict[Value, list[int]] = {}
        for i, m in tracks:
            if m.values[key] is not None:
                groups.setdefault(m.values[key], []).append(i)
        usual = max(groups, key=lambda value: len(groups[value]), default=None)
        for value, odd in groups.items():
            if value != usual:
                counts: dict[str, Value] = {"usual_tracks": len(groups[usual]), "all_tracks": len(tracks)}
                found.append(Observation(kind, tuple(odd), {key: value, f"usual_{key}": usual} | counts))
    return [*found, *_padded(tracks)]


def _padded(tracks: Numbered) -> list[Observation]:
    """Words that are longer than what is in them, where that is not the rule on the album."""
    depths = dict(_figures(tracks, "bit_depth"))
    padded = [(i, used) for i, used in _figures(tracks, "bits_used") if i in depths and used < depths[i]]
    if 2 * len(padded) > len(tracks):
        return []
    return [Observation("bits_used", (i,), {"bits_used": int(used), "bit_depth": int(depths[i])}) for i, used in padded]


def outliers(tracks: Numbered) -> list[Observation]:
    """Tracks far from the album's median in loudness, tonal balance and width."""
    return [*_loudness(tracks), *_tone(tracks), *_width(tracks)]


def _loudness(tracks: Numbered) -> list[Observation]:
    return [
        Observation("loudness", (i,), {"difference_lu": away, "median_lufs": median})
        for i, away, median in _standing_out(_figures(tracks, "integrated_lufs"), LEAST["loudness"])
    ]


def _width(tracks: Numbered) -> list[Observation]:
    wide = _figures(tracks, "side_to_mid_db")
    found = [
        Observation("width", (i,), {"difference_db": away, "median_db": median})
        for i, away, median in _standing_out(wide, LEAST["width"])
    ]
    with_sides = {i for i, _ in wide}
    mono = tuple(i for i, correlation in _figures(tracks, "correlation") if correlation > 0.0 and i not in with_sides)
    if mono and len(wide) >= FEWEST - 1:
        found.append(Observation("mono", mono))
    return found


def _figures(tracks: Numbered, key: str) -> list[tuple[int, float]]:
    """A quantity of all tracks that have it."""
    return [(i, float(m.values[key] or 0.0)) for i, m in tracks if m.values[key] is not None]


def _tone(tracks: Numbered) -> list[Observation]:
    levels = {i: octaves(m) for i, m in tracks if m.values["integrated_lufs"] is not None}
    if len(levels) < FEWEST:
        return []
    usual = np.array([_median(column) for column in np.transpose(list(levels.values()))])
    found: dict[int, dict[str, Value]] = {}
    tilts = {i: own - usual for i, own in levels.items()}
    # A track that only lacks one end of the spectrum is not to look louder in all the rest.
    tilts = {i: tilt - _median(tilt[1:9]) for i, tilt in tilts.items()}
    for octave, name in enumerate(OCTAVES):
        there = [(i, float(tilt[octave])) for i, tilt in tilts.items() if np.isfinite(tilt[octave])]
        for i, away, _ in _standing_out(there, LEAST["tone"]):
            found.setdefault(i, {})[octave_key(name)] = away
    return [Observation("tone", (i,), values) for i, values in sorted(found.items())]


def octave_key(name: str) -> str:
    """Key of an octave's level in the values of an observation: `31.5 Hz` has `octave_31_5_hz_db`."""
    return f"octave_{re.sub(r'[ .]', '_', name).lower()}_db"


def octaves(measurement: Measurement) -> NDArray[np.float64]:
    """Levels of the ten octave bands of `OCTAVES`, all channels together, in dB; -inf where there is nothing."""
    channels = measurement.series.bands[: measurement.format.channels]
    return power_decibels_each(channels.sum(axis=0).reshape(10, 3).sum(axis=1))


def _median(values: NDArray[np.float64]) -> float:
    """Of what is finite; 0 of nothing."""
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) else 0.0


def _standing_out(values: Sequence[tuple[int, float]], least: float) -> list[tuple[int, float, float]]:
    """Of (track, value): the tracks whose value stands out, how far it is from the median, and the median."""
    if len(values) < FEWEST:
        return []
    figures = np.array([value for _, value in values])
    median = float(np.median(figures))
    limit = max(least, 3.0 * 1.4826 * float(np.median(np.abs(figures - median))))
    return [(i, value - median, median) for i, value in values if abs(value - median) > limit]


def silences(tracks: Numbered) -> list[Observation]:
    """Long silence before and after the sound of a track."""
    longest: Mapping[Kind, float] = {"head_silence": HEAD_S, "tail_silence": TAIL_S}
    return [
        Observation(kind, (i,), {f"{kind}_s": length})
        for kind, most in longest.items()
        for i, length in _figures(tracks, f"{kind}_s")
        if length > most
    ]


def joins(tracks: Numbered) -> list[Join]:
    """The loudness on both sides of every change of track."""
    found = []
    for (i, first), (k, second) in pairwise(tracks):
        end, start = programme_ends(first)[1], programme_ends(second)[0]
        tail, head = first.values["tail_silence_s"], second.values["head_silence_s"]
        step = start - end if start is not None and end is not None else None
        silence = float(tail) + float(head) if tail is not None and head is not None else None
        found.append(Join(i, k, end, start, step, silence))
    return found


def programme_ends(measurement: Measurement) -> tuple[float | None, float | None]:
    """Loudness in LUFS of the first and of the last 3 s of programme; None where there is no programme.

    Of a programme shorter than 3 s it is the loudness of all of it.
    """
    integrated = measurement.values["integrated_lufs"]
    powers = hop_powers(measurement.series)
    if integrated is None or len(powers) < MOMENTARY:
        return None, None
    loud = np.flatnonzero(measurement.series.momentary() > float(integrated) + RANGE_GATE)
    first, end = int(loud[0]), int(loud[-1]) + MOMENTARY
    opening, closing = powers[first : min(first + SHORT_TERM, end)], powers[max(end - SHORT_TERM, first) : end]
    return finite_loudness(float(opening.mean())), finite_loudness(float(closing.mean()))


def steps(found: Sequence[Join]) -> list[Observation]:
    """The joins at which loudness changes by more than a listener expects."""
    notable = []
    for join in found:
        if join.step_lu is None or join.silence_s is None:
            continue
        runs_on = join.silence_s < RUN_ON_S
        if abs(join.step_lu) > (STEP_LU if runs_on else STEP_AFTER_PAUSE_LU):
            values: dict[str, Value] = {
                "step_lu": join.step_lu,
                "silence_s": join.silence_s,
                "end_lufs": join.end_lufs,
                "start_lufs": join.start_lufs,
            }
            notable.append(Observation("step", (join.first, join.second), values))
    return notable
