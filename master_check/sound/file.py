"""A sound file as a source of blocks: its samples from the first to the last, and what turns out on the way."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import cycle
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from master_check.decibels import decibels
from master_check.sound import libsndfile
from master_check.sound.blocks import Block, Blocks, Samples
from master_check.sound.flac import SampleChecksum
from master_check.sound.format import AudioError
from master_check.sound.opening import UNKNOWN, open_audio
from master_check.tables.layouts import Layout
from master_check.text import clock

_PACKET: Final = {"VORBIS": 8192, "OPUS": 5760, "MPEG_LAYER_III": 1152, "MPEG_LAYER_II": 1152, "MPEG_LAYER_I": 384}
"""Frames in the longest packet of lossy encodings, whose files count their length in packets and not always right
(Vorbis I specification, section 4.2.2; RFC 6716, section 2.1.4: 120 ms; ISO/IEC 11172-3)."""


class AudioFile:
    """A sound file open for reading.

    Parameters
    ----------
    path : str or path
        Anything libsndfile reads, and BW64.
    layout : Layout, optional
        What the engineer says the channels are, in place of what the file says.

    Raises
    ------
    AudioError
        It is not there, not a file, not sound, empty, cut short, in several pieces, or of an absurd format.

    Attributes
    ----------
    format : AudioFormat
    frames : int
        Frames the file promises; as many as can be counted where it cannot know.
    notes : list of str
        What was odd about the file without keeping it from being read; complete once the blocks are through.
    """

    def __init__(self, path: str | Path, layout: Layout | None = None) -> None:
        if not str(path):
            raise AudioError('""', "no file name given")
        self.path = Path(path)
        self.name = str(path)
        opened = open_audio(self.path, layout)
        self.format = opened.format
        self.frames = opened.frames
        self.notes = list(opened.notes)
        if self.format.layout is None:
            self.notes.append(
                f"no layout is known for {self.format.channels} channels, so no loudness can be given; "
                "name it with --layout"
            )
        self._sound = opened.sound
        info = opened.stream_info
        self._checksum = SampleChecksum(info) if info and info.md5 else None
        self._using = Lock()  # a thread that reads ahead must not have the file closed under it

    def __enter__(self) -> "AudioFile":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._using:
            self._sound.close()

    def blocks(self, hops: int | None = None, ahead: bool = False) -> Iterator[Block]:
        """The samples from the first to the last, `hops` hops of 10 ms at a time; about `BLOCK` samples if not said.

        With `ahead`, each is decoded by another thread while the one before is worked on.

        Raises
        ------
        AudioError
            The file ends early, cannot be decoded, or holds a sample that is no number.
        """
        blocks = Blocks(self.format.rate, self.format.channels, hops)
        pieces = self._pieces(blocks, 2 if ahead else 1)
        for piece in _one_ahead(pieces) if ahead else pieces:
            yield self._laid(blocks, piece)

    def _pieces(self, blocks: Blocks, turns: int) -> Iterator[Samples]:
        """The samples of one block after the other, in so many arrays in turn."""
        shape = (next(blocks.sizes()) + 1, self.format.channels)
        whole = self.format.encoding == "PCM_32"
        arrays = [np.empty(shape, np.int32) if whole else np.empty(shape, np.float32) for _ in range(turns)]
        read = 0
        for size, array in zip(blocks.sizes(), cycle(arrays), strict=False):
            # Never past the promised end: there a decoder would take a tag behind the sound for damage.
            size = min(size, self.frames - read)
            piece = self._read(array[:size], read)
            read += len(piece)
            if len(piece):
                yield piece
            if not size or len(piece) < size:
                break
        self._check_end(read)

    def _read(self, into: Samples, at: int) -> Samples:
        try:
            with self._using:
                read = libsndfile.read_into(self._sound, into)
        except libsndfile.DecodingError as error:
            where = clock((at + error.read) / self.format.rate)
            raise AudioError(self.path, f"damaged after {where} ({error}); export or copy it again") from None
        piece = into[:read]
        if self._checksum:
            self._checksum.feed(piece)
        return piece

    def _laid(self, blocks: Blocks, piece: Samples) -> Block:
        try:
            return blocks.lay(piece)
        except ValueError as error:
            frame, level = error.args
            where = f"a sample at {clock(frame / self.format.rate)} (frame {frame})"
            if np.isnan(level):
                what = "is not a number"
            elif np.isinf(level):  # also what a file of doubles holds beyond what a float can be
                what = "is out of range: infinite, or more than 770 dB above full scale"
            else:
                what = f"is {decibels(level):.0f} dB above full scale"
            raise AudioError(self.path, f"{where} {what}; export it again") from None

    def _check_end(self, read: int) -> None:
        """Whether all that was promised came, and came as it was encoded."""
        if not read:
            raise AudioError(self.path, "holds no samples")
        missing = 0 if self.frames == UNKNOWN else self.frames - read
        if missing > _PACKET.get(self.format.encoding, 0):
            end = clock(read / self.format.rate)
            raise AudioError(
                self.path, f"cut short: {self.frames} frames expected, sound ends at {end}; export or copy it again"
            )
        if missing > 0:
            self.notes.append(f"{missing} frames shorter than its header says: a wrong length, or a damaged packet")
        if self._checksum and not self._checksum.agrees():
            raise AudioError(
                self.path, "damaged: the MD5 checksum of its samples does not match; export or copy it again"
            )

    def read_all(self) -> NDArray[np.float32]:
        """All samples at once, (frames, channels) float32: for comparing, planning and pictures, not for metering."""
        parts = [block.frames.T.copy() for block in self.blocks()]
        return np.concatenate(parts)


def _one_ahead(pieces: Iterator[Samples]) -> Iterator[Samples]:
    """The same pieces, each made by another thread while the one before is worked on."""
    with ThreadPoolExecutor(1) as thread:
        coming = thread.submit(next, pieces, None)
        while (piece := coming.result()) is not None:
            coming = thread.submit(next, pieces, None)
            yield piece
