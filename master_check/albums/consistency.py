"""What does not go together in an album: formats, levels, tone, width, joins and silences.

Every limit here is common practice and asks for a look, not for a verdict: profiles judge. A track stands out where
it lies further from the album's median than three times the robust standard deviation (1.4826 times the median
distance from the median, which is the standard deviation of a normal distribution), and never for less than the
least distance given here, which a listener would hear.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

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


@dataclass(frozen=True, slots=True)
class Observation:
    """Something about an album that somebody should look at.

    Attributes
    ----------
    kind : str
        What it is about, such as `sample_rate`, `loudness`, `same_audio`, `step`.
    tracks : tuple of int
        The tracks it is about, as indices into `Album.tracks`.
    text : str
        One line for the engineer, to be read behind the tracks' names; holds no name.
    values : dict
        The figures in it; keys end in their unit.
    """

    kind: str
    tracks: tuple[int, ...]
    text: str
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
    for kind, key, words, unit in (
        ("sample_rate", "sample_rate_hz", "sample rate", " Hz"),
        ("word_length", "bit_depth", "word length", " bit"),
        ("channels", "channels", "channels", ""),
        ("container", "container", "file type", ""),
    ):
        groups: dict[Value, list[int]] = {}
        for i, m in tracks:
            if m.values[key] is not None:
                groups.setdefault(m.values[key], []).append(i)
        usual = max(groups, key=lambda value: len(groups[value]), default=None)
        for value, odd in groups.items():
            if value != usual:
                text = f"{words} {value}{unit}, against {usual}{unit} in {len(groups[usual])} of {len(tracks)} tracks"
                found.append(Observation(kind, tuple(odd), text, {key: value, f"usual_{key}": usual}))
    return [*found, *_padded(tracks)]


def _padded(tracks: Numbered) -> list[Observation]:
    """Words that are longer than what is in them, where that is not the rule on the album."""
    depths = dict(_figures(tracks, "bit_depth"))
    padded = [(i, used) for i, used in _figures(tracks, "bits_used") if i in depths and used < depths[i]]
    if 2 * len(padded) > len(tracks):
        return []
    return [
        Observation("bits_used", (i,), f"only {used:.0f} of its {depths[i]:.0f} bits in use", {"bits_used": int(used)})
        for i, used in padded
    ]


def outliers(tracks: Numbered) -> list[Observation]:
    """Tracks far from the album's median in loudness, tonal balance and width."""
    return [*_loudness(tracks), *_tone(tracks), *_width(tracks)]


def _loudness(tracks: Numbered) -> list[Observation]:
    found = []
    for i, away, median in _standing_out(_figures(tracks, "integrated_lufs"), LEAST["loudness"]):
        text = f"{abs(away):.1f} LU {'louder' if away > 0 else 'quieter'} than the album's median of {median:.1f} LUFS"
        found.append(Observation("loudness", (i,), text, {"difference_lu": away, "median_lufs": median}))
    return found


def _width(tracks: Numbered) -> list[Observation]:
    wide = _figures(tracks, "side_to_mid_db")
    found = []
    for i, away, median in _standing_out(wide, LEAST["width"]):
        text = (
            f"{abs(away):.1f} dB {'wider' if away > 0 else 'narrower'} than the album's median "
            f"(sides to middle {median:.1f} dB)"
        )
        found.append(Observation("width", (i,), text, {"difference_db": away, "median_db": median}))
    with_sides = {i for i, _ in wide}
    mono = tuple(i for i, correlation in _figures(tracks, "correlation") if correlation > 0.0 and i not in with_sides)
    if mono and len(wide) >= FEWEST - 1:
        found.append(Observation("width", mono, "both channels are the same: mono among stereo tracks"))
    return found


def _figures(tracks: Numbered, key: str) -> list[tuple[int, float]]:
    """A quantity of all tracks that have it."""
    return [(i, float(m.values[key] or 0.0)) for i, m in tracks if m.values[key] is not None]


def _tone(tracks: Numbered) -> list[Observation]:
    levels = {i: octaves(m) for i, m in tracks if m.values["integrated_lufs"] is not None}
    if len(levels) < FEWEST:
        return []
    usual = np.array([_median(column) for column in np.transpose(list(levels.values()))])
    found: dict[int, list[tuple[str, float]]] = {}
    tilts = {i: own - usual for i, own in levels.items()}
    # A track that only lacks one end of the spectrum is not to look louder in all the rest.
    tilts = {i: tilt - _median(tilt[1:9]) for i, tilt in tilts.items()}
    for octave, name in enumerate(OCTAVES):
        there = [(i, float(tilt[octave])) for i, tilt in tilts.items() if np.isfinite(tilt[octave])]
        for i, away, _ in _standing_out(there, LEAST["tone"]):
            found.setdefault(i, []).append((name, away))
    observations = []
    for i, bands in sorted(found.items()):
        listed = ", ".join(f"{name} {away:+.1f} dB" for name, away in bands)
        values: dict[str, Value] = {f"octave_{re.sub(r'[ .]', '_', name).lower()}_db": away for name, away in bands}
        observations.append(Observation("tone", (i,), f"tonal balance against the album's median: {listed}", values))
    return observations


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
    found = []
    for key, longest, words in (
        ("head_silence_s", HEAD_S, "of silence before it begins"),
        ("tail_silence_s", TAIL_S, "of silence at the end"),
    ):
        for i, length in _figures(tracks, key):
            if length > longest:
                found.append(Observation(key.removesuffix("_s"), (i,), f"{length:.2f} s {words}", {key: length}))
    return found


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
            pause = "without a pause" if runs_on else f"after {join.silence_s:.1f} s of silence"
            text = (
                f"loudness steps {'up' if join.step_lu > 0 else 'down'} by {abs(join.step_lu):.1f} LU "
                f"from one to the next {pause} ({join.end_lufs:.1f} to {join.start_lufs:.1f} LUFS)"
            )
            values: dict[str, Value] = {"step_lu": join.step_lu, "silence_s": join.silence_s}
            notable.append(Observation("step", (join.first, join.second), text, values))
    return notable
