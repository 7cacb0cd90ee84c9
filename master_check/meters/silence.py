"""Silence at head and tail, digital silence inside, dropouts, gaps of one channel.

Common practice throughout; no standard defines them. A channel may well be silent: until it enters, after it has
faded, while the other has the music to itself. So a gap counts only where the channel is cut off in the middle of
sound and comes back in the middle of sound, and a long one only while another channel plays.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import amplitude_of
from master_check.meters import MOST_PLACES, Reading, places
from master_check.meters.silence_kernels import gaps
from master_check.sound.blocks import HOPS_PER_SECOND, PAST, Block
from master_check.sound.format import AudioFormat

SOUND: Final = amplitude_of(-60.0)
"""Above it there is sound."""

LOUD: Final = amplitude_of(-50.0)
"""A gap between passages louder than this counts, if it lasts this long:"""

SHORTEST_S: Final = 0.001

LONGEST_S: Final = 0.1
"""A longer one is no dropout: a break if all channels are silent, else a gap of the channel."""


class SilenceMeter:
    """Head, tail, gaps."""

    def __init__(self, format: AudioFormat) -> None:
        self._rate = format.rate
        self._shortest = round(SHORTEST_S * format.rate)
        self._longest = round(LONGEST_S * format.rate)
        self._levels = np.zeros((format.channels, 2))
        self._states = np.zeros((format.channels, 5), np.int64)
        self._states[:, 2] = -1
        self._gaps = np.zeros((format.channels, 2, 4), np.int64)  # dropouts and gaps, as the kernel keeps them
        self._places = np.zeros((format.channels, 2, MOST_PLACES), np.int64)
        self._first = -1
        self._last = -1
        self._end = 0
        self._hop = 0
        self._waiting = 0  # silent hops that are inside only if something follows
        self._inside = 0
        self._inside_at = -1
        self._heard = False

    def feed(self, block: Block) -> None:
        playing = np.asarray((block.tops > SOUND).any(axis=0))
        for c, row in enumerate(block.buffer):
            if block.zeros[c].any() or self._states[c, 0] or self._states[c, 2] >= 0:
                gaps(
                    row, PAST, block.start, block.edges, block.zeros[c], playing, self._shortest, self._longest, LOUD,
                    self._levels[c], self._states[c], self._gaps[c], self._places[c],
                )  # fmt: skip
        self._find_sound(block, playing)
        self._find_digital_silence(block)
        self._end = block.start + block.length

    def _find_sound(self, block: Block, playing: NDArray[np.bool_]) -> None:
        loud = np.flatnonzero(playing)
        if not len(loud):
            return
        if self._first < 0:
            self._first = self._sample(block, int(loud[0]), 0)
        self._last = self._sample(block, int(loud[-1]), -1)

    def _sample(self, block: Block, hop: int, which: int) -> int:
        first, last = block.edges[hop], block.edges[hop + 1]
        sound = np.flatnonzero((np.abs(block.frames[:, first:last]) > SOUND).any(axis=0))
        return int(block.start + first + sound[which])

    def _find_digital_silence(self, block: Block) -> None:
        silent = (block.tops == 0.0).all(axis=0)
        if silent.any() or self._waiting:
            for hop, still in enumerate(silent, self._hop):
                if still:
                    self._waiting += self._heard
                    continue
                self._heard = True
                if self._waiting and self._inside_at < 0:
                    self._inside_at = hop - self._waiting
                self._inside += self._waiting
                self._waiting = 0
        else:
            self._heard = True
        self._hop += len(silent)

    def result(self) -> Reading:
        drops, wide = self._gaps[:, 0], self._gaps[:, 1]
        values: dict[str, float | int | None] = {
            "head_silence_s": self._first / self._rate if self._first >= 0 else None,
            "tail_silence_s": (self._end - 1 - self._last) / self._rate if self._first >= 0 else None,
            "digital_silence_s": self._inside / HOPS_PER_SECOND if self._heard else None,
            "dropouts": int(drops[:, 0].sum()),
            "channel_gaps": int(wide[:, 0].sum()),
            "channel_gap_longest_s": float(wide[:, 2].max()) / self._rate,
        }
        at_s = {}
        if self._inside:
            at_s["digital_silence_s"] = self._inside_at / HOPS_PER_SECOND
        for key, found in (("dropouts", drops), ("channel_gaps", wide)):
            if found[:, 0].any():
                at_s[key] = float(found[found[:, 0] > 0, 1].min()) / self._rate
        if wide[:, 0].any():
            at_s["channel_gap_longest_s"] = float(wide[np.argmax(wide[:, 2]), 3]) / self._rate
        channels = tuple(
            {
                "dropouts": int(own[0, 0]),
                "channel_gaps": int(own[1, 0]),
                "channel_gap_longest_s": float(own[1, 2]) / self._rate,
            }
            for own in self._gaps
        )
        return Reading(
            values,
            at_s,
            channels,
            {
                key: places(zip(self._places[:, kind], self._gaps[:, kind, 0], strict=True), self._rate)
                for kind, key in enumerate(("dropouts", "channel_gaps"))
            },
        )
