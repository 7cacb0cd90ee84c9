"""The transforms that lossy codecs quantise, at any number of neighbouring places at once.

A transform is computed for `width` places, each a sample later than the one before: rows are coefficients, columns are
places. Only coefficients between 1.5 and 16 kHz are of use: below, a place that is a sample off looks the same; above,
low rates keep nothing.

- `Mdct`: the transform of AAC (ISO/IEC 14496-3, 1024 coefficients, long window) and of Vorbis at its usual long block
  of 2048 samples (Vorbis I specification, 4.3.1); they differ in their windows.
- `Hybrid`: the filterbank of MPEG-1 Layer III (ISO/IEC 11172-3, C.1.3 and C.1.5.3.3): 32 polyphase subbands, a
  transform of 18 coefficients in each (long window), and butterflies against aliasing.
"""

from typing import Final, Protocol

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from master_check.provenance.filterbank_kernels import filter_bands, transform_bands

LOWEST_HZ: Final = 1500.0
HIGHEST_HZ: Final = 16000.0

Samples = NDArray[np.float32]


class Transform(Protocol):
    """What a codec codes its frames with.

    Attributes
    ----------
    frame : int
        Samples from one frame to the next.
    support : int
        Samples that the coefficients of one frame are made from.
    """

    frame: int
    support: int

    def at(self, samples: Samples, width: int) -> Samples:
        """Coefficients at `width` places, (coefficients, width), from (width - 1 + support,) samples."""
        ...


class Mdct:
    """A modified discrete cosine transform of `frame` coefficients."""

    def __init__(self, window: NDArray[np.float64], rate: int) -> None:
        self.support = len(window)
        self.frame = len(window) // 2
        self._first, self._last = _between(self.frame, rate)
        half = self.frame // 2
        n = np.arange(half)
        # Folded for a DCT-IV: (-c reversed - d, a - b reversed) of the windowed quarters a, b, c, d.
        self._one = np.concatenate([3 * half - 1 - n, n])
        self._other = np.concatenate([3 * half + n, self.frame - 1 - n])
        signs = np.repeat(np.array([-1.0, 1.0]), half)
        self._by_one = np.asarray(signs * window[self._one], np.float32)[:, None]
        self._by_other = np.asarray(-window[self._other], np.float32)[:, None]

    def at(self, samples: Samples, width: int) -> Samples:
        from scipy.fft import dct

        shifted = sliding_window_view(samples, width)
        folded = shifted[self._one] * self._by_one
        folded += shifted[self._other] * self._by_other
        return np.ascontiguousarray(dct(folded, 4, axis=0, overwrite_x=True)[self._first : self._last])


def sine_window(size: int) -> NDArray[np.float64]:
    """ISO/IEC 14496-3, 4.6.11.3.2."""
    return np.asarray(np.sin(np.pi * (np.arange(size) + 0.5) / size))


def kaiser_bessel_window(size: int, alpha: float = 4.0) -> NDArray[np.float64]:
    """Kaiser-Bessel-derived window; 4 is AAC's alpha for long windows (ISO/IEC 14496-3, 4.6.11.3.2)."""
    sums = np.cumsum(np.kaiser(size // 2 + 1, np.pi * alpha))
    rising = np.sqrt(sums[:-1] / sums[-1])
    return np.concatenate([rising, rising[::-1]])


def vorbis_window(size: int) -> NDArray[np.float64]:
    """Vorbis I specification, 4.3.1."""
    return np.asarray(np.sin(np.pi / 2.0 * np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2))


SUBBANDS: Final = 32
LINES: Final = 18
"""Coefficients of each subband."""

TAPS: Final = 512
STEPS: Final = 2 * LINES
"""Samples of a subband that a coefficient is made from."""


class Hybrid:
    """The filterbank of MPEG-1 Layer III, long blocks."""

    frame = SUBBANDS * LINES
    support = TAPS + SUBBANDS * (STEPS - 1)

    def __init__(self, rate: int) -> None:
        first, last = _between(SUBBANDS, rate)
        # One more on either side for the butterflies.
        bands = np.arange(max(0, first - 1), min(SUBBANDS, last + 2))
        self._window = np.asarray(polyphase_window(), np.float32)
        phases = np.arange(2 * SUBBANDS) - 16
        self._cosines = np.asarray(np.cos(np.outer(2 * bands + 1, phases) * np.pi / 64), np.float32)
        n = np.arange(STEPS)
        k = np.arange(LINES)[:, None]
        lines = np.sin(np.pi / STEPS * (n + 0.5)) * np.cos(np.pi / (2 * STEPS) * (2 * n + 1 + LINES) * (2 * k + 1))
        inverted = lines * np.where(n % 2, -1.0, 1.0)  # odd subbands lie mirrored (C.1.5.3.3)
        self._lines = np.asarray(np.stack([lines, inverted])[bands % 2], np.float32)

    def at(self, samples: Samples, width: int) -> Samples:
        count = len(self._cosines)
        length = width + SUBBANDS * (STEPS - 1)
        bands = np.empty((count, length), np.float32)
        filter_bands(samples, self._window, self._cosines, np.empty((2 * SUBBANDS, length), np.float32), bands)
        found = np.empty((count, LINES, width), np.float32)
        transform_bands(bands, self._lines, found)
        for i, (cs, ca) in enumerate(zip(*_butterflies(), strict=True)):
            below, above = found[:-1, LINES - 1 - i].copy(), found[1:, i].copy()
            found[:-1, LINES - 1 - i] = below * cs - above * ca
            found[1:, i] = above * cs + below * ca
        return np.ascontiguousarray(found[1:-1]).reshape(-1, width)


def _between(count: int, rate: int) -> tuple[int, int]:
    """The first of `count` bands up to half the rate that is of use, and the one after the last."""
    each = rate / 2.0 / count
    return int(LOWEST_HZ / each), min(count - 1, int(HIGHEST_HZ / each))


def _butterflies() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Coefficients cs and ca against aliasing (ISO/IEC 11172-3, table B.9)."""
    c = np.array([-0.6, -0.535, -0.33, -0.185, -0.095, -0.041, -0.0142, -0.0037])
    return np.asarray(1.0 / np.sqrt(1.0 + c * c), np.float32), np.asarray(c / np.sqrt(1.0 + c * c), np.float32)


def polyphase_window() -> NDArray[np.float64]:
    """The analysis window of the 32 filters, (512,): ISO/IEC 11172-3, table C.1."""
    rising = np.array(_WINDOW) / (65536.0 * SUBBANDS)
    falling = rising[-2:0:-1] * np.where(np.arange(255, 0, -1) % 64, -1.0, 1.0)
    return np.concatenate([rising, falling])


_WINDOW: Final = (
    0, -1, -1, -1, -1, -1, -1, -2, -2, -2, -2, -3, -3, -4,
    -4, -5, -5, -6, -7, -7, -8, -9, -10, -11, -13, -14, -16, -17,
    -19, -21, -24, -26, -29, -31, -35, -38, -41, -45, -49, -53, -58, -63,
    -68, -73, -79, -85, -91, -97, -104, -111, -117, -125, -132, -139, -147, -154,
    -161, -169, -176, -183, -190, -196, -202, -208, 213, 218, 222, 225, 227, 228,
    228, 227, 224, 221, 215, 208, 200, 189, 177, 163, 146, 127, 106, 83,
    57, 29, -2, -36, -72, -111, -153, -197, -244, -294, -347, -401, -459, -519,
    -581, -645, -711, -779, -848, -919, -991, -1064, -1137, -1210, -1283, -1356, -1428, -1498,
    -1567, -1634, -1698, -1759, -1817, -1870, -1919, -1962, -2001, -2032, -2057, -2075, -2085, -2087,
    -2080, -2063, 2037, 2000, 1952, 1893, 1822, 1739, 1644, 1535, 1414, 1280, 1131, 970,
    794, 605, 402, 185, -45, -288, -545, -814, -1095, -1388, -1692, -2006, -2330, -2663,
    -3004, -3351, -3705, -4063, -4425, -4788, -5153, -5517, -5879, -6237, -6589, -6935, -7271, -7597,
    -7910, -8209, -8491, -8755, -8998, -9219, -9416, -9585, -9727, -9838, -9916, -9959, -9966, -9935,
    -9863, -9750, -9592, -9389, -9139, -8840, -8492, -8092, -7640, -7134, 6574, 5959, 5288, 4561,
    3776, 2935, 2037, 1082, 70, -998, -2122, -3300, -4533, -5818, -7154, -8540, -9975, -11455,
    -12980, -14548, -16155, -17799, -19478, -21189, -22929, -24694, -26482, -28289, -30112, -31947, -33791, -35640,
    -37489, -39336, -41176, -43006, -44821, -46617, -48390, -50137, -51853, -53534, -55178, -56778, -58333, -59838,
    -61289, -62684, -64019, -65290, -66494, -67629, -68692, -69679, -70590, -71420, -72169, -72835, -73415, -73908,
    -74313, -74630, -74856, -74992, 75038,
)  # fmt: skip
"""The first 257 of the 512 values of the synthesis window, times 65536 (ISO/IEC 11172-3, table B.3; from memory, held
to the perfect reconstruction that the standard promises by the tests); the rest mirrors them."""
