"""Files that should hold the same music: the same audio twice, and alternate versions against their main version."""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from itertools import combinations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.measurement.measurement import Measurement, Series
from master_check.meters.loudness import loudness
from master_check.sound.blocks import HOPS_PER_SECOND, hop_edges
from master_check.sound.file import AudioFile
from master_check.tables.layouts import Layout

REACH_S: Final = 10.0
"""How far a version is looked for to either side."""

EXCERPT: Final = 1 << 17
EXCERPTS: Final = 6
"""Samples in an excerpt, and how many of the loudest are compared sample by sample."""

CLEAR: Final = 8.0
"""A peak of a correlation counts so many times above its RMS; the highest of 2^17 noise samples lies at 4.5."""

SAME_DB: Final = 0.2
"""The level of two copies may differ from its median difference by so much in 95 % of the hops that sound."""

SAME_RANGE_LU: Final = 0.1
"""Gain leaves the loudness range as it is; what differs in it need not be compared hop by hop."""

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


def gain_between(a: NDArray[np.float64], b: NDArray[np.float64]) -> float | None:
    """The gain in dB that makes the second of the first, from their `levels`; None where they differ in more.

    Other word lengths, dither and polarity do not count as a difference. None too for what is too short or too even
    to tell: less than a second of sound, or sound that moves by less than 1 dB.
    """
    a, b = a[: len(b)], b[: len(a)]
    heard = (a > HEARD_LUFS) & (b > HEARD_LUFS)
    if not _moves(np.where(heard, a, -np.inf)):
        return None
    gain = float(np.median((b - a)[heard]))
    away = np.abs((b - a)[heard] - gain)
    return gain if float(np.percentile(away, 95.0)) < SAME_DB else None


def _moves(level: NDArray[np.float64]) -> bool:
    heard = level[level > HEARD_LUFS]
    return len(heard) >= HOPS_PER_SECOND and float(np.std(heard)) >= 1.0


def delay(main: Measurement, version: Measurement, layout: Layout | None = None) -> tuple[float, bool] | None:
    """How much later the music of a version lies than that of its main version.

    Onsets in the loudness every 10 ms say where to look. Where both have one sample rate, the loudest excerpts are
    then compared by their phases (generalised cross-correlation with phase transform), to the sample.

    Returns
    -------
    (float, bool) or None
        Seconds, and whether they are exact to the sample (else to about 5 ms); None where nothing in common is
        found.

    Raises
    ------
    AudioError
        One of the files can no longer be read.
    """
    coarse = _onset_delay(hop_powers(main.series), hop_powers(version.series))
    rate = main.format.rate
    shortest = int(min(_duration(main), _duration(version)) * rate)
    if rate != version.format.rate or shortest < 1 << 13:
        return None if coarse is None else (coarse / HOPS_PER_SECOND, False)
    size = min(EXCERPT, 1 << (shortest.bit_length() - 1))
    found = [_fine_delay(main, version, lag, size, layout) for lag in {0, round(coarse or 0.0)}]
    height, samples = max(found)
    return (samples / rate, True) if height > CLEAR else None


def _duration(measurement: Measurement) -> float:
    return float(measurement.values["duration_s"] or 0.0)


def _onset_delay(main: NDArray[np.float64], version: NDArray[np.float64]) -> float | None:
    """Delay of the version in hops, by how loudness rises and falls; None without a clear peak or in less than 1 s."""
    if min(len(main), len(version)) < HOPS_PER_SECOND:
        return None
    a, b = (np.diff(np.log(power + 1e-8)) for power in (main, version))
    size = 2 ** (len(a) + len(b)).bit_length()
    correlation = np.fft.irfft(np.fft.rfft(b, size) * np.conj(np.fft.rfft(a, size)), size)
    reach = min(int(REACH_S * HOPS_PER_SECOND), size // 2 - 1)
    near = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
    spread = float(np.sqrt(np.mean(near**2)))
    best = int(np.argmax(near))
    if not spread > 0.0 or near[best] < 4.0 * spread:
        return None
    left, top, right = near[max(best - 1, 0)], near[best], near[min(best + 1, len(near) - 1)]
    bend = left - 2.0 * top + right
    return float(best - reach + (0.5 * (left - right) / bend if bend < 0.0 else 0.0))


def _fine_delay(
    main: Measurement, version: Measurement, lag: int, size: int, layout: Layout | None
) -> tuple[float, int]:
    """Height of the best peak above the RMS, and the version's delay in samples, around a delay of `lag` hops."""
    rate = main.format.rate
    shift = lag * rate // HOPS_PER_SECOND
    starts = _loudest(hop_powers(main.series), hop_powers(version.series), lag, -(-size * HOPS_PER_SECOND // rate))
    firsts = [start * rate // HOPS_PER_SECOND for start in starts]
    if not firsts:
        return 0.0, 0
    a = excerpts(main.path, firsts, size, layout)
    b = excerpts(version.path, [first + shift for first in firsts], size, layout)
    window = np.hanning(size)
    cross = np.fft.rfft(b * window) * np.conj(np.fft.rfft(a * window))
    magnitude = np.abs(cross)
    phases = np.divide(cross, magnitude, out=np.zeros_like(cross), where=magnitude > 1e-12)
    correlation = np.abs(np.fft.irfft(phases.sum(axis=0), size))
    best = int(np.argmax(correlation))
    spread = float(np.sqrt(np.mean(correlation**2)))
    offset = best if best < size // 2 else best - size
    return (float(correlation[best]) / spread if spread > 0.0 else 0.0), shift + offset


def _loudest(main: NDArray[np.float64], version: NDArray[np.float64], lag: int, hops: int) -> list[int]:
    """First hops, in the main version, of excerpts in which both sound the loudest, none across another."""
    start, end = max(0, -lag), min(len(main), len(version) - lag)
    count = (end - start) // hops
    if count < 1:
        return []
    a, b = main[start : start + count * hops], version[start + lag : start + lag + count * hops]
    common = np.minimum(a / max(a.mean(), 1e-12), b / max(b.mean(), 1e-12)).reshape(count, hops).sum(axis=1)
    best = np.argsort(-common, kind="stable")[:EXCERPTS]
    return sorted(int(start + hops * i) for i in best if common[i] > 0.0)


def excerpts(path: str, firsts: Sequence[int], size: int, layout: Layout | None = None) -> NDArray[np.float32]:
    """Means over the channels of `size` samples from each of `firsts` on: (len(firsts), size), zeros past the end."""
    found = np.zeros((len(firsts), size), np.float32)
    with AudioFile(path, layout) as file:
        for block in file.blocks():
            for row, first in zip(found, firsts, strict=True):
                low, high = max(first, block.start), min(first + size, block.start + block.length)
                if low < high:
                    piece = block.frames[:, low - block.start : high - block.start]
                    row[low - first : high - first] = piece.mean(axis=0)
    return found
