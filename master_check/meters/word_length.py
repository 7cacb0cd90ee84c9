"""The word length really in use: which bits of the samples ever change.

A 16-bit file saved as 24 bits has eight bits that are always zero; dither at the longer word length hides it.
"""

import numpy as np
from numpy.typing import NDArray

from master_check.meters import Reading
from master_check.sound.blocks import Block
from master_check.sound.format import AudioFormat


class WordMeter:
    """Bits in use; nothing for lossy files, and for floats that fit no word of 24 bits."""

    def __init__(self, format: AudioFormat) -> None:
        self._bits = format.bit_depth
        self._floating = format.floating
        self._lowest = 1 << 32 - min(format.bit_depth or 32, 32)
        self._seen = 0  # bits, left-justified in 32
        self._odd = False  # a sample that no word of 24 bits holds

    def feed(self, block: Block) -> None:
        if self._bits is None or self._odd or (self._seen & self._lowest and not self._floating):
            return
        if block.words is not None:
            self._see(block.words)
            return
        for row in block.frames:
            scaled = row * np.float32(2.0**23)
            with np.errstate(invalid="ignore"):  # beyond 32 bits; no word, and seen to be none below
                words = scaled.astype(np.int32)
            if self._floating and not np.array_equal(words.astype(np.float32), scaled):
                self._odd = True
                return
            self._see(words << 8)

    def _see(self, words: NDArray[np.int32]) -> None:
        self._seen |= int(np.bitwise_or.reduce(words, axis=None)) & 0xFFFFFFFF

    def result(self) -> Reading:
        if self._bits is None or self._odd or not self._seen:
            return Reading({"bits_used": None})
        return Reading({"bits_used": 32 - (self._seen & -self._seen).bit_length() + 1})
