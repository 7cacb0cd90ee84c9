"""The word length really in use: which bits of the samples ever change.

A 16-bit file saved as 24 bits has eight bits that are always zero; dither at the longer word length hides it.
"""

import numpy as np

from master_check.audio import AudioFormat, Block
from master_check.meters import Reading
from master_check.meters.words_kernels import used_bits


class WordMeter:
    """Bits in use; nothing for lossy files, and for floats that fit no word of 24 bits."""

    def __init__(self, format: AudioFormat) -> None:
        self._bits = format.bit_depth
        self._lowest = 1 << 32 - min(format.bit_depth or 24, 24)
        # Bits seen, left-justified in 32; then: is there a sample that no word of 24 bits holds?
        self._seen = np.zeros(2, np.int64)

    def feed(self, block: Block) -> None:
        if self._bits is None or self._seen[1]:
            return
        if block.words is not None:
            if not self._seen[0] & 1:
                self._seen[0] |= int(np.bitwise_or.reduce(block.words, axis=None)) & 0xFFFFFFFF
            return
        for row in block.frames:
            if not self._seen[0] & self._lowest or self._bits > 24:
                used_bits(row, self._seen)

    def result(self) -> Reading:
        seen = int(self._seen[0])
        if self._bits is None or self._seen[1] or not seen:
            return Reading({"bits_used": None})
        return Reading({"bits_used": 32 - (seen & -seen).bit_length() + 1})
