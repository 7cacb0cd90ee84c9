"""Files that should hold the same music: the same audio twice, and alternate versions against their main version."""

import hashlib
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.measurement.measurement import Measurement, Series
from master_check.meters.loudness import loudness
from master_check.sound.blocks import HOPS_PER_SECOND, hop_edges
from master_check.sound.file import AudioFile
from master_check.sound.kept import Kept
from master_check.tables.layouts import Layout
from master_check.tables.quantities import Value

SAME_DB: Final = 0.2
"""The level of two copies may differ from its median difference by so much in 95 % of the hops that sound."""

SAME_RANGE_LU: Final = 0.1
"""Gain leaves the loudness range as it is; what differs in it need not be compared hop by hop."""

DC_DBFS: Final = -60.0
DC_APART_DB: Final = 20.0
"""One of two copies has a DC offset that the other has lost where it is above that, and so much above the other's."""

HEARD_LUFS: Final = -60.0


def levels(series: Series) -> NDArray[np.float64]:
    """Loudness of every single hop of 10 ms, LUFS; -inf where silent."""
    return loudness(hop_powers(series))


def hop_powers(series: Series) -> NDArray[np.float64]:
    """K-weighted mean power of every hop, (hops,) float64, comparable between sample rates."""
    return np.asarray(series.energy / np.diff(hop_edges(series.rate, 0, len(series.energy))))


def same_samples(first: str, second: str, layout: Layout | None = None) -> bool:
    """Whether two files decode to the same samples, whatever their containers, word lengths and tags.

    Raises
    ------
    AudioError
        One of them can no longer be read.
    """
    with AudioFile(first, layout) as a, AudioFile(second, layout) as b:
        if (a.format.rate, a.format.channels) != (b.format.rate, b.format.channels):
            return False
        blocks, others = a.blocks(), b.blocks()
        for block in blocks:
            other = next(others, None)
            if other is None or not np.array_equal(block.frames, other.frames):
                return False
        return next(others, None) is None


def same_audio(files: Mapping[int, Measurement], same: Callable[[int, int], bool]) -> list[list[int]]:
    """Files sorted into heaps of the same audio; most heaps hold one.

    `same` decides about two files whose levels in every 10 ms are the same to the last bit, which is to say nearly
    always yes; it is asked because a reversed polarity does not show there.
    """
    alike: dict[bytes, list[int]] = {}
    for number, measurement in files.items():
        alike.setdefault(_fingerprint(measurement), []).append(number)
    heaps: list[list[int]] = []
    for numbers in alike.values():
        own: list[list[int]] = []
        for number in numbers:
            heap = next((heap for heap in own if same(heap[0], number)), None)
            if heap is None:
                own.append([number])
            else:
                heap.append(number)
        heaps += own
    return sorted(heaps)


def _fingerprint(measurement: Measurement) -> bytes:
    series = measurement.series
    digest = hashlib.sha256(f"{series.rate} {measurement.values['duration_s']} {series.tops.shape}".encode())
    digest.update(series.tops.tobytes())
    digest.update(series.energy.tobytes())
    return digest.digest()


def same_but_for_gain(files: Mapping[int, Measurement]) -> list[tuple[int, int, float]]:
    """Pairs of files, and the gain in dB that makes the second of the first, where nothing else sets them apart."""
    moving = {number: levels(m.series) for number, m in files.items()}
    moving = {number: level for number, level in moving.items() if _moves(level)}
    found = []
    for (i, a), (k, b) in combinations(moving.items(), 2):
        ranges = [float(files[n].values["loudness_range_lu"] or 0.0) for n in (i, k)]
        if abs(len(a) - len(b)) <= 0.1 * HOPS_PER_SECOND and abs(ranges[0] - ranges[1]) < SAME_RANGE_LU:
            gain = gain_between(a, b)
            if gain is not None:
                found.append((i, k, gain))
    return found


def conversions(first: Measurement, second: Measurement) -> dict[str, Value]:
    """What else sets two files of the same audio apart, by keys of the table: another sample rate, a DC offset."""
    apart: dict[str, Value] = {}
    rates = first.format.rate, second.format.rate
    if rates[0] != rates[1]:
        apart |= {"sample_rate_hz": rates[0], "other_sample_rate_hz": rates[1]}
    offsets = first.values["dc_offset_dbfs"], second.values["dc_offset_dbfs"]
    levels = [float(offset) if offset is not None else -np.inf for offset in offsets]
    if max(levels) > DC_DBFS and abs(levels[0] - levels[1]) > DC_APART_DB:
        apart |= {"dc_offset_dbfs": offsets[0], "other_dc_offset_dbfs": offsets[1]}
    return apart


def gain_between(a: NDArray[np.float64], b: NDArray[np.float64]) -> float | None:
    """The gain in dB that makes the second of the first, from their `levels`; None where they differ in more.

    Other word lengths, dither and polarity do not count as a difference. None too for what is too short or too even
    to tell: less than a second of sound, or sound that moves by less than 1 dB.
    """
    a, b = a[: len(b)], b[: len(a)]
    heard = (a > HEARD_LUFS) & (b > HEARD_LUFS)
    if not _moves(np.where(heard, a, -np.inf)):
        return None
    apart = b[heard] - a[heard]
    gain = float(np.median(apart))
    away = np.abs(apart - gain)
    return gain if float(np.percentile(away, 95.0)) < SAME_DB else None


def _moves(level: NDArray[np.float64]) -> bool:
    heard = level[level > HEARD_LUFS]
    return len(heard) >= HOPS_PER_SECOND and float(np.std(heard)) >= 1.0


def delay(main: Measurement, version: Measurement, layout: Layout | None = None) -> float | None:
    """How much later the music of a version lies than that of its main version, wherever they have the same in them.

    Returns
    -------
    float or None
        Seconds, a whole number of the version's samples; None where nothing in common is found.

    Raises
    ------
    AudioError
        One of the files can no longer be read.
    """
    from master_check.alignment.align import PairError, align  # most albums need neither it nor scipy

    with ExitStack() as stack:
        kept = []
        for measurement in (main, version):
            kept.append(stack.enter_context(Kept(stack.enter_context(AudioFile(measurement.path, layout)))))
            for _ in kept[-1].blocks():
                pass
        try:
            found, _ = align(kept[0], kept[1], least_coherence=0.0)
        except PairError:
            return None
    return round(found.offset_samples) / found.rate
