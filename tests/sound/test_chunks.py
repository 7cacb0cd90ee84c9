"""The walk over chunks: every container it knows, sizes of every kind, and files made to hurt it."""

import io
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from master_check.sound.chunks import MOST, Chunks, walk
from tests.signals import RATE, noise, quantised
from tests.sound.files import chunk, ds64, fmt, riff

DATA = bytes(range(256)) * 4


def walked(tmp_path: Path, content: bytes) -> Chunks:
    (tmp_path / "a").write_bytes(content)
    with (tmp_path / "a").open("rb") as file:
        found = walk(file)
    assert found is not None
    return found


def rows(chunks: Chunks) -> list[tuple[str, int, int | None, int]]:
    return [(chunk.id, chunk.start, chunk.size, chunk.there) for chunk in chunks.all]


@pytest.mark.parametrize(
    ("format", "endian", "container", "name", "before"),
    [
        ("WAV", "LITTLE", "RIFF", "data", 0),
        ("WAV", "BIG", "RIFX", "data", 0),
        ("RF64", "FILE", "RF64", "data", 0),
        ("W64", "FILE", "W64", "data", 0),
        ("AIFF", "FILE", "AIFF", "SSND", 8),  # offset and block size stand before the samples
        ("AIFF", "LITTLE", "AIFC", "SSND", 8),
        ("CAF", "FILE", "CAF", "data", 4),  # the count of edits does
    ],
)
def test_the_sound_is_where_libsndfile_wrote_it(
    tmp_path: Path, format: str, endian: str, container: str, name: str, before: int
) -> None:
    frames = quantised(noise(0.1), 16)
    soundfile.write(tmp_path / "a", frames, RATE, format=format, subtype="PCM_16", endian=endian)
    with (tmp_path / "a").open("rb") as file:
        found = walk(file)
        assert found is not None and found.container == container
        sound = found.find(name)
        assert sound is not None and sound.is_whole
        content = found.read(name, 10**9)
    order = ">" if found.order == "big" and endian != "LITTLE" else "<"
    samples = np.frombuffer((content or b"")[before:], f"{order}i2").reshape(-1, 2)
    np.testing.assert_array_equal(samples / 32768.0, frames)


def test_every_chunk_with_its_place_and_size(tmp_path: Path) -> None:
    found = walked(tmp_path, riff(chunk(b"bext", b"odd"), fmt(), chunk(b"data", DATA), chunk(b"LIST", b"INFO")))
    assert rows(found) == [
        ("bext", 20, 3, 3),
        ("fmt ", 32, 16, 16),
        ("data", 56, 1024, 1024),
        ("LIST", 1088, 4, 4),
    ]
    assert (found.container, found.order, found.size, found.end, found.there) == ("RIFF", "little", 1092, 1092, 1092)


def test_contents_are_read_as_far_as_asked_for(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(riff(chunk(b"iXML", DATA), fmt()))
    with (tmp_path / "a").open("rb") as file:
        found = walk(file)
        assert found is not None
        assert found.read("iXML", 10) == DATA[:10]
        assert found.read("iXML", 10**9) == DATA
        assert found.read("axml", 10) is None


def test_a_byte_of_padding_that_was_left_out(tmp_path: Path) -> None:
    """As some programs write; what follows an odd chunk then begins at once."""
    odd = b"LIST" + struct.pack("<I", 5) + b"INFOx"
    found = walked(tmp_path, riff(odd, fmt(), chunk(b"data", DATA)))
    assert rows(found)[1:] == [("fmt ", 33, 16, 16), ("data", 57, 1024, 1024)]
    assert [chunk.padded for chunk in found.all] == [False, True, True]


@pytest.mark.parametrize("name", [b"RF64", b"BW64"])
def test_sizes_beyond_32_bits_stand_in_ds64(tmp_path: Path, name: bytes) -> None:
    """EBU Tech 3306 and ITU-R BS.2088: all ones in the chunk, the true size in `ds64`; data's stands apart."""
    many = 5 * 2**32
    whole = riff(
        ds64(many, len(DATA), {b"axml": 6}),
        fmt(),
        chunk(b"axml", b"<adm/>", 0xFFFFFFFF),
        chunk(b"data", DATA, 0xFFFFFFFF),
        name=name,
        size=0xFFFFFFFF,
    )
    found = walked(tmp_path, whole)
    assert [(row[0], *row[2:]) for row in rows(found)][2:] == [("axml", 6, 6), ("data", 1024, 1024)]
    assert found.size == many + 8


def test_a_chunk_of_more_than_4_gib(tmp_path: Path) -> None:
    """A file with a hole: nothing is written in it."""
    size = 2**32 + 1000
    head = riff(ds64(2**33, size), fmt(), name=b"BW64", size=0xFFFFFFFF) + b"data" + b"\xff" * 4
    with (tmp_path / "a").open("wb") as file:
        file.write(head)
        file.seek(len(head) + size)
        file.write(chunk(b"axml", b"<adm/>"))
    with (tmp_path / "a").open("rb") as file:
        found = walk(file)
        assert found is not None and found.read("axml", 100) == b"<adm/>"
    assert rows(found)[2:] == [("data", len(head), size, size), ("axml", len(head) + size + 8, 6, 6)]


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0xFFFFFF00, 0x7FFFF000])
def test_a_size_that_was_not_known(tmp_path: Path, size: int) -> None:
    """Programs that write into a pipe; common practice."""
    found = walked(tmp_path, riff(fmt(), chunk(b"data", DATA, size), size=0xFFFFFFFF))
    assert rows(found)[-1] == ("data", 44, None, 1024)
    assert found.size is None
    assert found.all[-1].is_whole


def test_a_size_beyond_the_end(tmp_path: Path) -> None:
    found = walked(tmp_path, riff(fmt(), chunk(b"data", DATA, 5000)))
    assert rows(found)[-1] == ("data", 44, 5000, 1024)
    assert not found.all[-1].is_whole
    assert (found.end, found.there) == (5044, 1068)


def test_a_tag_at_the_end_is_no_chunk_of_a_wild_size(tmp_path: Path) -> None:
    """ID3v1: 128 bytes from `TAG` on (common practice)."""
    found = walked(tmp_path, riff(fmt(), chunk(b"data", DATA)) + b"TAG" + b"title".ljust(125))
    assert rows(found)[-1] == ("TAG", 1068, 128, 128)


@pytest.mark.parametrize(
    "content",
    [b"", b"RIFF", b"RIFF\0\0\0\0AVI ", b"FORM\0\0\0\x04ILBM", b"caff", b"OggS" + bytes(100), bytes(100), b"riff" * 10],
)
def test_what_is_none_of_these_containers(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a").write_bytes(content)
    with (tmp_path / "a").open("rb") as file:
        assert walk(file) is None


def test_more_chunks_than_any_file_has_are_not_walked(tmp_path: Path) -> None:
    found = walked(tmp_path, riff(b"junk\0\0\0\0" * (MOST + 10)))
    assert len(found.all) == MOST


class CountingFile(io.FileIO):
    """A file that counts what is read of it."""

    total = 0

    def read(self, size: int | None = -1, /) -> Any:
        data = super().read(size)
        self.total += len(data or b"")
        return data


@pytest.mark.parametrize("seed", range(20))
def test_hostile_headers_end_soon_and_read_little(tmp_path: Path, seed: int) -> None:
    """Bytes of random chunks changed at random: chunks lie in the file, in order, and no content is read."""
    rng = np.random.default_rng(seed)
    names = [b"data", b"ds64", b"LIST", b"RIFF", b"fmt "]
    table = {b"data": 2**63, b"LIST": 2**64 - 1}
    parts = [chunk(names[rng.integers(5)], bytes(rng.integers(0, 99)), int(rng.integers(2**32))) for _ in range(50)]
    content = bytearray(riff(ds64(2**64 - 1, 2**64 - 1, table), *parts, bytes(10**6), name=b"BW64"))
    for _ in range(20):
        content[rng.integers(12, len(content))] = rng.integers(256)
    (tmp_path / "a").write_bytes(content)
    with CountingFile(tmp_path / "a") as file:
        found = walk(file)
        assert found is not None and 0 < len(found.all) <= MOST
        starts = [chunk.start for chunk in found.all]
        assert starts == sorted(set(starts))
        assert all(0 <= chunk.there <= len(content) - min(chunk.start, len(content)) for chunk in found.all)
        assert file.total < 40_000 + 20 * len(found.all)
