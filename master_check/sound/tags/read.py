"""From a file to all that it states."""

from pathlib import Path
from typing import Final

from master_check.sound import mpeg
from master_check.sound.chunks import walk
from master_check.sound.format import AudioError
from master_check.sound.tags import chunked, comments, id3
from master_check.sound.tags.tag import NAMES, Tag, Tags

_IN_FRONT: Final = 20
"""ID3 tags looked at in front of a file, which may be of any kind."""


def read_tags(path: str | Path) -> Tags:
    """What a sound file states of itself, in the order of `NAMES`.

    Whatever stands there is read within bounds: no more than some megabytes, chunks, frames or comments. What is
    damaged is left out, and a note says so where a whole chunk is.

    Raises
    ------
    AudioError
        It cannot be read.
    """
    try:
        with Path(path).open("rb") as file:
            start = 0
            front: list[Tag] = []
            for _ in range(_IN_FRONT):
                file.seek(start)
                length = mpeg.id3_length(file.read(10))
                if not length:
                    break
                file.seek(start)
                front += id3.read(file)
                start += length
            file.seek(start)
            name = file.read(4)
            if name == b"fLaC":
                found = Tags((*front, *comments.of_flac(file, start)))
            elif name == b"OggS":
                found = Tags((*front, *comments.of_ogg(file, start)))
            else:
                chunks = walk(file)
                found = chunked.read(chunks) if chunks else Tags((*front, *comments.of_ape(file)))
    except (OSError, ValueError) as error:
        raise AudioError(path, f"cannot be read ({getattr(error, 'strerror', None) or error})") from None
    return Tags(tuple(sorted(found.all, key=lambda tag: NAMES.index(tag.name))), found.notes)
