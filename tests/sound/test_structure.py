"""Nothing is measured in part without a word: what is cut short, joined or wrong about itself is refused or noted."""

import hashlib
import io
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from master_check.measurement.one_pass import measure
from master_check.sound.file import AudioFile
from tests.signals import RATE, Frames, noise, quantised, silence, value, write
from tests.sound.files import (
    aiff,
    chunk,
    comm,
    ds64,
    encoded,
    fmt,
    pages,
    refused,
    riff,
    ssnd,
    streaminfo,
    with_checksum,
    without_length_header,
)

SECOND: Frames = quantised(noise(1.0, -20.0), 16)
OTHER: Frames = quantised(noise(0.5, -20.0, seed=1), 16)
WORDS = (SECOND * 32768.0).astype("<i2").tobytes()
MORE = (OTHER * 32768.0).astype("<i2").tobytes()
JOINED = "holds two files joined end to end, of which only the first would be measured; export it as one piece"


@pytest.fixture
def said(tmp_path: Path) -> Callable[[bytes], str]:
    """What is said about a file of these bytes, which is refused."""

    def say(content: bytes) -> str:
        (tmp_path / "a.mp3").write_bytes(content)
        return refused(tmp_path / "a.mp3")

    return say


@pytest.fixture
def notes(tmp_path: Path) -> Callable[[bytes], list[str]]:
    """What is noted of a file of these bytes, which is read; its whole length is checked against its frames."""

    def note(content: bytes) -> list[str]:
        (tmp_path / "a.mp3").write_bytes(content)
        with AudioFile(tmp_path / "a.mp3") as file:
            assert len(file.read_all()) <= file.frames
            return file.notes

    return note


Say = Callable[[bytes], str]
Note = Callable[[bytes], list[str]]


# Truncation is judged from the chunks, whatever stands before the sound


@pytest.mark.parametrize("metadata", [0, 2_000, 200_000])
def test_truncation_behind_any_amount_of_metadata(said: Say, metadata: int) -> None:
    """libsndfile's log of a header ends after 2 kB; so many small chunks fill it."""
    many = chunk(b"JUNK", bytes(20)) * (metadata // 28)
    whole = riff(fmt(), many, chunk(b"data", WORDS))
    assert said(whole[:-4]) == "cut short: 192000 bytes expected, 191996 found; export or copy it again"
    whole = aiff(comm(RATE), many.replace(struct.pack("<I", 20), struct.pack(">I", 20)), ssnd(WORDS))
    assert said(whole[:-4]) == "cut short: 192008 bytes expected, 192004 found; export or copy it again"


@pytest.mark.parametrize("line", [b"data : 999999999", b"SSND : 999999999", b"riff : 999999 (should be 5)"])
def test_a_comment_is_no_header(notes: Note, line: bytes) -> None:
    comment = chunk(b"LIST", b"INFO" + chunk(b"ICMT", b"\nLength : 5\n" + line + b"\n"))
    assert notes(riff(fmt(), comment, chunk(b"data", WORDS))) == []
    assert notes(aiff(chunk(b"ANNO", b"\n" + line + b"\n", order=">"), comm(RATE), ssnd(WORDS))) == []


def test_metadata_that_is_cut_off_behind_whole_sound_is_a_note(notes: Note) -> None:
    content = riff(fmt(), chunk(b"data", WORDS), chunk(b"LIST", b"INFO" + bytes(1000)))
    assert notes(content[:-500]) == ["ends 500 bytes early: the sound is complete, but the chunks after it are not"]


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0x7FFFF000])
def test_a_length_that_was_not_known_is_a_note(notes: Note, size: int) -> None:
    found = notes(riff(fmt(), chunk(b"data", WORDS, size), size=0xFFFFFFFF))
    assert found == ["the header does not say how long the file is, so a missing end would not show"]


def test_a_recording_that_was_never_closed(said: Say) -> None:
    assert said(riff(fmt(), chunk(b"data", WORDS, 0), size=0)) == (
        "the header says that it holds no sound, but 192000 bytes follow; repair it or export it again"
    )


def test_bytes_behind_the_sound_are_not_passed_over(notes: Note) -> None:
    found = notes(riff(fmt(), chunk(b"data", WORDS, 96_000)))
    assert found == ["the last 96000 bytes belong to no chunk: any sound in them was not measured"]


def test_a_wav_longer_than_its_header_can_count(tmp_path: Path) -> None:
    """5 GB of 16-bit stereo, its size less 4 GiB in the header; a file with a hole."""
    size = 5_000_000_000
    with (tmp_path / "long.wav").open("wb") as file:
        file.write(riff(fmt(), size=(size + 36) % 2**32) + b"data" + struct.pack("<I", size % 2**32))
        file.truncate(44 + size)
    assert refused(tmp_path / "long.wav") == "is longer than its header can count (4 GiB); save it as RF64 or BW64"


@pytest.mark.parametrize("counted", [100, RATE - 1])
def test_an_aiff_that_counts_fewer_frames_than_it_has(notes: Note, counted: int) -> None:
    found = notes(aiff(comm(counted), ssnd(WORDS)))
    assert found == [f"the header counts {counted} frames, but there are {RATE}: all of them were measured"]


def test_an_aiff_that_counts_more_frames_than_it_has(said: Say) -> None:
    assert said(aiff(comm(RATE + 1), ssnd(WORDS))) == (
        "cut short: 48001 frames expected, 48000 found; export or copy it again"
    )


# Two sounds in one file


@pytest.mark.parametrize("between", [b"", chunk(b"LIST", b"INFO"), chunk(b"fmt ", bytes(16))])
@pytest.mark.parametrize("order", [(WORDS, MORE), (MORE, WORDS)])
def test_a_wav_with_two_data_chunks(said: Say, between: bytes, order: tuple[bytes, bytes]) -> None:
    first, second = (chunk(b"data", words) for words in order)
    words = "holds 2 sound chunks, of which only one would be measured; export it as one piece"
    assert said(riff(fmt(), first, between, second)) == words


def test_an_aiff_with_two_sound_chunks(said: Say) -> None:
    assert "2 sound chunks" in said(aiff(comm(RATE), ssnd(WORDS), ssnd(MORE)))


@pytest.mark.parametrize(
    ("format", "subtype"),
    [
        ("WAV", "PCM_24"),
        ("AIFF", "PCM_16"),
        ("RF64", "PCM_16"),
        ("AU", "PCM_16"),
        ("W64", "PCM_24"),
        ("FLAC", "PCM_16"),
    ],
)
@pytest.mark.parametrize("second", [SECOND, OTHER], ids=["as long", "shorter"])
def test_files_joined_end_to_end(said: Say, format: str, subtype: str, second: Frames) -> None:
    assert said(encoded(SECOND, subtype, format) + encoded(second, subtype, format)) == JOINED


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
@pytest.mark.parametrize("second", [("VORBIS", RATE, 2), ("VORBIS", 44_100, 2), ("VORBIS", RATE, 1), ("OPUS", RATE, 2)])
def test_a_chained_ogg(said: Say, subtype: str, second: tuple[str, int, int]) -> None:
    """RFC 3533, section 4: streams one after the other, of any codec, rate and channels."""
    codec, rate, channels = second
    first = encoded(SECOND, subtype, "OGG")
    assert said(first + encoded(noise(0.5, -20.0, channels, rate), codec, "OGG", rate)) == (
        "holds 2 streams one after another (chained Ogg), of which only the first would be measured; "
        "export it as one piece"
    )
    assert "chained Ogg" in said(first + first)


def test_two_streams_side_by_side_in_an_ogg(said: Say) -> None:
    """RFC 3533, section 4: the first pages of all streams come first."""
    first, second = (encoded(frames, "VORBIS", "OGG") for frames in (SECOND, OTHER))
    (_, a), (_, b) = next(pages(first)), next(pages(second))
    assert said(first[:a] + second[:b] + first[a:] + second[b:]) == (
        "holds 2 parallel sound streams; export each to a file of its own"
    )


def test_an_ogg_with_a_page_missing(said: Say) -> None:
    """Pages are numbered (RFC 3533, section 6)."""
    content = encoded(noise(5.0, -20.0), "VORBIS", "OGG")
    begin, end = list(pages(content))[-4]
    assert said(content[:begin] + content[end:]) == (
        "damaged: Ogg pages are missing in one place; export or copy it again"
    )


def test_an_ogg_whose_times_run_backwards(said: Say) -> None:
    """As a buggy encoder of some games' music writes; libsndfile 1.2.2 drops what stands before."""
    content = encoded(noise(5.0, -20.0), "VORBIS", "OGG")
    begin, end = list(pages(content))[-4]
    page = with_checksum(content[begin : begin + 6] + struct.pack("<q", -104) + content[begin + 14 : end])
    assert said(content[:begin] + page + content[end:]) == (
        "the times in its Ogg pages run backwards: a part would not be measured; export it again"
    )


# MP3

MP3_RATE = 44_100


def mp3(frames: Frames, rate: int = MP3_RATE, mode: str = "CONSTANT") -> bytes:
    return encoded(frames, "MPEG_LAYER_III", "MP3", rate, bitrate_mode=mode, compression_level=0.5)


LONG = mp3(noise(2.0, -20.0, rate=MP3_RATE))
SHORT = mp3(noise(1.0, -20.0, rate=MP3_RATE, seed=1))
ID3V1 = b"TAG" + b"title".ljust(125, b"\0")
ID3V2 = b"ID3\3\0\0\0\0\2\0" + bytes(256)
APE = b"APETAGEX" + struct.pack("<IIII", 2000, 64, 1, 0) + bytes(40)


@pytest.mark.parametrize("between", [b"", ID3V1, ID3V2, ID3V1 + ID3V2, APE, ID3V1 + APE + ID3V2])
@pytest.mark.parametrize("parts", [(LONG, SHORT), (SHORT, LONG), (SHORT, without_length_header(LONG))])
def test_joined_mp3s_whose_length_header_counts_the_first(
    said: Say, between: bytes, parts: tuple[bytes, bytes]
) -> None:
    problem = said(parts[0] + between + parts[1])
    assert problem.startswith("the length header counts 0:0")
    assert problem.endswith("and players stop there: files joined end to end? export it as one piece")


@pytest.mark.parametrize("between", [ID3V1, ID3V2, ID3V1 + ID3V2])
@pytest.mark.parametrize("second", [without_length_header(SHORT), SHORT])
def test_joined_mp3s_without_a_length_header_are_measured_whole(tmp_path: Path, between: bytes, second: bytes) -> None:
    """Each second of sound takes 39 frames of 1152 samples and one or two of padding."""
    (tmp_path / "a.mp3").write_bytes(without_length_header(LONG) + between + second)
    found = measure(tmp_path / "a.mp3")
    assert value(found, "duration_s") == pytest.approx(3.0, abs=0.15)
    assert "2 MP3 files joined end to end: all of them were measured" in found.notes


@pytest.mark.parametrize(("rate", "channels"), [(48_000, 2), (MP3_RATE, 1), (22_050, 2)])
@pytest.mark.parametrize("first", [LONG, without_length_header(LONG)])
def test_joined_mp3s_of_other_formats(said: Say, first: bytes, rate: int, channels: int) -> None:
    new = f"{rate} Hz {'mono' if channels == 1 else 'stereo'}"
    problem = said(first + mp3(noise(1.0, -20.0, channels, rate), rate))
    assert problem.startswith(f"changes from 44100 Hz stereo to {new} at 0:02.0")


def test_an_mp3_of_varying_bit_rate_without_a_length_header(said: Say) -> None:
    """libsndfile guesses its length from the first frame's bit rate, and stops there."""
    frames = np.concatenate([noise(2.0, -10.0, rate=MP3_RATE), silence(10.0, 2, MP3_RATE)])
    problem = said(without_length_header(mp3(frames, mode="VARIABLE")))
    assert problem.startswith("only ") and problem.endswith("can be read: it has no length header; export it again")


def test_an_mp3_whose_last_frame_is_cut_off(notes: Note, said: Say) -> None:
    assert notes(without_length_header(LONG)[:-100]) == ["the last MP3 frame is incomplete: the end may be missing"]
    assert said(LONG[:-100]).startswith("cut short: ")


@pytest.mark.parametrize("tag", [ID3V1, ID3V2, APE, ID3V2 + APE + ID3V1])
@pytest.mark.parametrize("content", [LONG, without_length_header(LONG)])
def test_tags_around_an_mp3_are_no_sound(notes: Note, content: bytes, tag: bytes) -> None:
    assert notes(content + tag) == []
    assert notes(ID3V2 + content) == []


def test_bytes_that_are_no_frames_are_a_note(notes: Note) -> None:
    content = without_length_header(LONG)
    half = content.index(content[:2], len(content) // 2)
    assert notes(content[:half] + bytes(300) + content[half:])[0] == (
        "damaged in one place: bytes that are not MP3 frames were not measured"
    )


# FLAC (RFC 9639, section 8.2)

FLAC = encoded(SECOND, "PCM_16", "FLAC")


@pytest.mark.parametrize("md5", [None, bytes(16)], ids=["MD5", "no MD5"])
@pytest.mark.parametrize("counted", [1, 4096, RATE - 1])
def test_a_flac_that_counts_fewer_samples_than_it_has(said: Say, counted: int, md5: bytes | None) -> None:
    problem = said(streaminfo(FLAC, counted, md5))
    assert problem.startswith("the header counts only 0:0")
    assert problem.endswith("of 0:01.000, and players stop there; export it again")


@pytest.mark.parametrize("counted", [RATE + 1, 10 * RATE, 2**36 - 1])
def test_a_flac_that_counts_more_samples_than_it_has(said: Say, counted: int) -> None:
    assert said(streaminfo(FLAC, counted)) == (
        f"cut short: {counted} frames expected, {RATE} found; export or copy it again"
    )


@pytest.mark.parametrize("tag", [b"", ID3V1])
def test_a_flac_that_does_not_know_its_length_ends_with_its_last_frame(tmp_path: Path, tag: bytes) -> None:
    (tmp_path / "a.flac").write_bytes(streaminfo(FLAC, 0) + tag)
    with AudioFile(tmp_path / "a.flac") as file:
        np.testing.assert_array_equal(file.read_all(), SECOND)
        assert file.notes == []


@pytest.mark.parametrize("bits", [8, 16, 24])
@pytest.mark.parametrize("channels", [1, 2, 5])
def test_a_flac_whose_md5_is_wrong(tmp_path: Path, bits: int, channels: int) -> None:
    """The MD5 that libFLAC writes is that of the samples in whole bytes, little-endian (section 8.2)."""
    frames = quantised(noise(1.0, -20.0, channels), bits)
    content = encoded(frames, f"PCM_{'S8' if bits == 8 else bits}", "FLAC")
    words = (frames.astype(np.float64) * 2.0 ** (bits - 1)).astype("<i4")
    expected = hashlib.md5(words.view(np.uint8).reshape(-1, 4)[:, : bits // 8].tobytes()).digest()
    assert content[26:42] == expected
    for name, changed in (("good", content), ("none", streaminfo(content, md5=bytes(16)))):
        (tmp_path / f"{name}.flac").write_bytes(changed)
        assert value(measure(tmp_path / f"{name}.flac", hops=7), "duration_s") == 1.0
    (tmp_path / "bad.flac").write_bytes(streaminfo(content, md5=expected[::-1]))
    assert refused(tmp_path / "bad.flac") == (
        "damaged: the MD5 checksum of its samples does not match; export or copy it again"
    )


@pytest.mark.parametrize("frames", [1, 100, 4095, 4096, 4097, 20_000])
def test_a_flac_of_any_length_is_whole(tmp_path: Path, frames: int) -> None:
    """Of a few frames, or of one, the same ones are seen from both ends."""
    path = write(tmp_path / "short.flac", SECOND[:frames], RATE, "PCM_16", "FLAC")
    with AudioFile(path) as file:
        np.testing.assert_array_equal(file.read_all(), SECOND[:frames])


# Length hints of lossy files


def longer(content: bytes, frames: int) -> bytes:
    """An Ogg whose last page counts so many frames more (RFC 3533, section 6), its checksum put right."""
    begin = list(pages(content))[-1][0]
    page = bytearray(content[begin:])
    (position,) = struct.unpack_from("<q", page, 6)
    struct.pack_into("<q", page, 6, position + frames)
    return content[:begin] + with_checksum(bytes(page))


def test_a_page_with_its_checksum_put_right_is_the_page_that_libogg_wrote() -> None:
    content = encoded(SECOND, "OPUS", "OGG")
    begin, end = list(pages(content))[-1]
    assert with_checksum(content[begin:end]) == content[begin:end]


@pytest.mark.parametrize("frames", [10, 500])
def test_a_few_frames_more_than_there_are_packets_for_are_a_note(notes: Note, frames: int) -> None:
    """A whole file, whose encoder counted on packets that it did not write; libsndfile gives what there are."""
    content = encoded(SECOND, "OPUS", "OGG")
    there = len(soundfile.read(io.BytesIO(longer(content, 5000)))[0])
    assert RATE <= there < RATE + 960  # its packets hold 20 ms
    assert notes(longer(content, there - RATE + frames)) == [
        f"{frames} frames shorter than its header says: a wrong length, or a damaged packet"
    ]


@pytest.mark.parametrize("subtype", ["OPUS", "VORBIS"])
def test_many_frames_more_are_a_file_cut_short(said: Say, subtype: str) -> None:
    assert said(longer(encoded(SECOND, subtype, "OGG"), 20_000)).startswith("cut short: 68000 frames expected")


# BW64 (ITU-R BS.2088)


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("channels", [1, 2, 6])
def test_bw64_reads_as_rf64_does(tmp_path: Path, subtype: str, channels: int) -> None:
    frames = noise(0.6, -20.0, channels)
    content = encoded(frames, subtype, "RF64")
    (tmp_path / "a.rf64").write_bytes(content)
    (tmp_path / "a.wav").write_bytes(b"BW64" + content[4:])
    there, here = (measure(tmp_path / name) for name in ("a.rf64", "a.wav"))
    assert here.values == there.values | {"container": "BW64"}
    assert here.format.layout == there.format.layout


def test_bw64_with_metadata_before_and_behind_the_sound(tmp_path: Path) -> None:
    """An odd `axml` before the sound, which libsndfile 1.2.2 does not step over in an RF64 either."""
    axml = chunk(b"axml", b"<adm>" + bytes(5000))
    for name, container in ((b"BW64", "BW64"), (b"RF64", "RF64")):
        content = riff(
            ds64(0, len(WORDS)), fmt(), axml, chunk(b"data", WORDS, 0xFFFFFFFF), chunk(b"chna", bytes(44)),
            name=name, size=0xFFFFFFFF,
        )  # fmt: skip
        (tmp_path / "a.wav").write_bytes(content)
        with AudioFile(tmp_path / "a.wav") as file:
            assert (file.format.container, file.format.encoding, file.frames) == (container, "PCM_16", RATE)
            np.testing.assert_array_equal(file.read_all(), SECOND)
            assert file.notes == []


@pytest.mark.parametrize(
    ("mask", "layout"), [(0x3F, "5.1"), (0x60F, "5.1"), (0x90F, "L,R,C,LFE,Cs,T"), (0, "5.1"), (0x3, "5.1")]
)
def test_the_channel_mask_of_a_bw64(tmp_path: Path, mask: int, layout: str) -> None:
    """WAVEFORMATEXTENSIBLE (Microsoft, "Multiple Channel Audio Data and WAVE Files"); the usual layout without one."""
    guid = bytes.fromhex("0100000000001000800000aa00389b71")
    form = struct.pack("<HHIIHHHHI", 0xFFFE, 6, RATE, RATE * 18, 18, 24, 22, 24, mask) + guid
    data = chunk(b"data", bytes(1800), 0xFFFFFFFF)
    content = riff(ds64(0, 1800), chunk(b"fmt ", form), data, name=b"BW64", size=0xFFFFFFFF)
    (tmp_path / "a.wav").write_bytes(content)
    with AudioFile(tmp_path / "a.wav") as file:
        assert (file.format.encoding, file.format.channels, file.frames) == ("PCM_24", 6, 100)
        assert file.format.layout is not None and file.format.layout.name == layout


def test_a_bw64_cut_short(said: Say) -> None:
    content = riff(ds64(0, len(WORDS)), fmt(), chunk(b"data", WORDS, 0xFFFFFFFF), name=b"BW64", size=0xFFFFFFFF)
    assert said(content[:-4]) == "cut short: 192000 bytes expected, 191996 found; export or copy it again"


def test_a_bw64_of_more_than_4_gib(tmp_path: Path) -> None:
    """A file with a hole; its last sample is read."""
    size = 2**32 + 4000
    with (tmp_path / "a.wav").open("wb") as file:
        file.write(riff(ds64(0, size), fmt(), name=b"BW64", size=0xFFFFFFFF) + b"data" + b"\xff" * 4)
        file.seek(size, 1)
        file.write(chunk(b"axml", b"<adm/>"))
    with AudioFile(tmp_path / "a.wav") as opened:
        assert opened.frames == size // 4


def test_a_wav_with_a_byte_of_padding_left_out(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(riff(fmt(), b"LIST\x05\0\0\0INFOx", chunk(b"data", WORDS)))
    with AudioFile(tmp_path / "a.wav") as file:
        np.testing.assert_array_equal(file.read_all(), SECOND)


def test_a_vorbis_whose_sound_shares_the_page_of_its_headers(said: Say) -> None:
    """Forbidden by the Vorbis I specification (section A.2); libsndfile 1.2.2 drops what the first such page counts."""
    content = encoded(noise(5.0, -20.0), "VORBIS", "OGG")
    all = [content[begin:end] for begin, end in pages(content)]
    assert said(b"".join([all[0], *merged(all[1:])])).startswith("only ")


def merged(all: list[bytes]) -> list[bytes]:
    """The pages with the packets of the first with sound put into the one before, numbered anew."""
    first = next(at for at, page in enumerate(all) if struct.unpack_from("<q", page, 6)[0] > 0)
    before, sound = all[first - 1], all[first]
    tables = [page[27 : 27 + page[26]] for page in (before, sound)]
    contents = [page[27 + page[26] :] for page in (before, sound)]
    room = 255 - len(tables[0])
    assert len(tables[1]) <= room
    joined = before[:6] + sound[6:14] + before[14:26] + bytes([len(tables[0]) + len(tables[1])])
    rest = [joined + tables[0] + tables[1] + contents[0] + contents[1], *all[first + 1 :]]
    renumbered = [*all[: first - 1], *rest]
    return [with_checksum(page[:18] + struct.pack("<I", n + 1) + page[22:]) for n, page in enumerate(renumbered)]
