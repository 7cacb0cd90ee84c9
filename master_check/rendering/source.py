"""A rendering as a source: what one layout plays of a file, for whatever takes samples."""

from collections.abc import Iterator, Sequence

from master_check.rendering.render import rendered
from master_check.sound.adm.items import RenderingItem
from master_check.sound.blocks import Block
from master_check.sound.format import AudioError, AudioFormat
from master_check.sound.pushed import PushedBlocks
from master_check.sound.source import Source
from master_check.tables.layouts import of_bs2051
from master_check.text import clock


class Rendering:
    """A file, rendered to one layout of BS.2051.

    Parameters
    ----------
    file : Source
        The tracks.
    items : sequence of RenderingItem
        What is to be rendered of them.
    layout : str
        A name of `BS2051`.

    Attributes
    ----------
    name, format, frames, notes
        As of any `Source`.
    """

    def __init__(self, file: Source, items: Sequence[RenderingItem], layout: str) -> None:
        speakers = of_bs2051(layout)
        self.name = f"{file.name} ({layout})"
        self.format = AudioFormat("", "FLOAT", file.format.rate, len(speakers.labels), speakers, 32, True)
        self._file, self._items, self._layout = file, tuple(items), layout

    @property
    def frames(self) -> int:
        return self._file.frames

    @property
    def notes(self) -> list[str]:
        return self._file.notes

    def blocks(self, hops: int | None = None, ahead: bool = False) -> Iterator[Block]:
        """The samples from the first to the last, `hops` hops of 10 ms at a time.

        Raises
        ------
        AudioError
            The file cannot be read, or a sample is too loud for any format.
        RenderingError
            It holds what is not rendered here.
        """
        blocks = PushedBlocks(self.format.rate, self.format.channels, hops)
        tracks = self._file.blocks(None, ahead)
        try:
            for piece in rendered(self._items, [self._layout], self.format.rate, tracks):
                yield from blocks.push(piece[self._layout])
            yield from blocks.end()
        except ValueError as error:
            where = clock(error.args[0] / self.format.rate)
            raise AudioError(
                self._file.name, f"rendered to {self._layout}, it is out of range at {where}; check its gains"
            ) from None
