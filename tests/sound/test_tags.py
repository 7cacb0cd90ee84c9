"""What files state, read by our own readers and by general-purpose ones (mutagen, wavinfo); hostile tags."""

import random
import struct
from pathlib import Path
from typing import Any

import mutagen.apev2
import mutagen.flac
import mutagen.id3
import mutagen.oggopus
import mutagen.oggvorbis
import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from wavinfo import WavInfoReader

from master_check.sound.tags import ixml
from master_check.sound.tags.read import read_tags
from master_check.sound.tags.tag import LONGEST, NAMES
from tests.signals import noise
from tests.sound.files import bext, chunk, fmt, riff

SOUND = chunk(b"data", bytes(480))


def stated(path: Path) -> dict[str, Any]:
    """Values by name; the last where there are several."""
    return {tag.name: tag.value for tag in read_tags(path).all}


def wave(path: Path, *chunks: bytes) -> Path:
    path.write_bytes(riff(fmt(), SOUND, *chunks))
    return path


def sound(path: Path, format: str, subtype: str) -> Path:
    soundfile.write(path, noise(0.3, -20.0), 48_000, subtype, format=format)
    return path


# --- bext, LIST-INFO, cue: wavinfo is the second reader ---


def test_bext_is_read_as_wavinfo_reads_it(tmp_path: Path) -> None:
    history = b"A=PCM,F=48000,W=24,M=stereo,T=desk\r\nA=PCM,F=44100,W=16,M=stereo,T=dither\r\n"
    content = bext(history, (-1402, 512, -103, -950, -1187), 2, 0x1_2345_6789, b"A description", b"Someone")
    path = wave(tmp_path / "a.wav", chunk(b"bext", content))
    found, other = stated(path), WavInfoReader(str(path)).bext
    assert other is not None
    assert found["description"] == other.description == "A description"
    assert found["originator"] == other.originator == "Someone"
    assert found["origination_date"] == other.originator_date
    assert found["time_reference_samples"] == other.time_reference == 0x1_2345_6789
    assert found["coding_history"].split() == other.coding_history.rstrip("\0").split()
    assert (found["loudness_lufs"], found["loudness_range_lu"], found["true_peak_dbtp"]) == (
        other.loudness_value,
        other.loudness_range,
        other.max_true_peak,
    )
    assert (found["momentary_max_lufs"], found["short_term_max_lufs"]) == (
        other.max_momentary_loudness,
        other.max_shortterm_loudness,
    )


@pytest.mark.parametrize(
    ("loudness", "version"), [((0x7FFF,) * 5, 2), ((0,) * 5, 2), ((-1400, 0, 0, 0, 0), 1), ((-10_000,) * 5, 2)]
)
def test_loudness_that_is_not_set_is_not_stated(tmp_path: Path, loudness: Any, version: int) -> None:
    """EBU Tech 3285 v2: 0x7fff and whatever lies outside +-99.99 is not set; before version 2 there are no fields."""
    found = stated(wave(tmp_path / "a.wav", chunk(b"bext", bext(b"", loudness, version))))
    assert not {"loudness_lufs", "true_peak_dbtp", "loudness_range_lu"} & set(found)


def test_latin_1_is_tolerated_and_utf_8_preferred(tmp_path: Path) -> None:
    path = wave(tmp_path / "a.wav", chunk(b"bext", bext(originator=b"Caf\xe9", description="Café".encode())))
    assert (stated(path)["originator"], stated(path)["description"]) == ("Café", "Café")


def test_list_info_is_read_as_wavinfo_reads_it(tmp_path: Path) -> None:
    texts = {b"INAM": b"A song\0", b"IART": b"Somebody\0", b"IPRD": b"An album", b"ICRD": b"2031\0", b"ISFT": b"x"}
    content = b"INFO" + b"".join(chunk(name, text) for name, text in texts.items())
    path = wave(tmp_path / "a.wav", chunk(b"LIST", content))
    found, other = stated(path), WavInfoReader(str(path)).info
    assert other is not None
    assert found["title"] == other.title == "A song"
    assert found["artist"] == other.artist == "Somebody"
    assert found["album"] == other.product == "An album"
    assert found["date"] == other.created_date == "2031"


@pytest.mark.parametrize(
    ("text", "code"),
    [(b"GBAAA2612345", True), (b"GB-AAA-26-12345", True), (b"From the attic", False), (b"tape", False)],
)
def test_isrc_in_list_info_is_a_code_or_the_source_that_riff_means(tmp_path: Path, text: bytes, code: bool) -> None:
    path = wave(tmp_path / "a.wav", chunk(b"LIST", b"INFO" + chunk(b"ISRC", text)))
    assert ("isrc" in stated(path)) is code


def test_cue_points_are_read_as_wavinfo_reads_them(tmp_path: Path) -> None:
    points = [struct.pack("<II4sIII", number, at, b"data", 0, 0, at) for number, at in enumerate((5, 70, 119), 1)]
    path = wave(tmp_path / "a.wav", chunk(b"cue ", struct.pack("<I", 3) + b"".join(points)))
    found = [tag.value for tag in read_tags(path).named("cue_point_samples")]
    other = WavInfoReader(str(path)).cues
    assert other is not None
    assert found == [cue.sample_offset for cue in other.cues] == [5, 70, 119]


def test_an_isrc_in_axml(tmp_path: Path) -> None:
    """EBU Tech 3352, from memory: dc:identifier holds ISRC: and the code."""
    xml = b"<ebuCoreMain><dc:identifier>ISRC:GBAAA2612345</dc:identifier></ebuCoreMain>"
    assert stated(wave(tmp_path / "a.wav", chunk(b"axml", xml)))["isrc"] == "GBAAA2612345"


# --- iXML ---


def test_ixml_states_rate_word_length_and_position(tmp_path: Path) -> None:
    xml = b"""<?xml version="1.0" encoding="UTF-8"?><BWFXML><PROJECT>A &amp; B</PROJECT><SPEED>
    <FILE_SAMPLE_RATE>96000</FILE_SAMPLE_RATE><AUDIO_BIT_DEPTH>24</AUDIO_BIT_DEPTH>
    <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>1</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>
    <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>7</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO></SPEED></BWFXML>\0"""
    found = stated(wave(tmp_path / "a.wav", chunk(b"iXML", xml)))
    assert found == {
        "project": "A & B",
        "sample_rate_hz": 96_000,
        "bit_depth": 24,
        "time_reference_samples": (1 << 32) + 7,
    }


BOMB = b'<!DOCTYPE a [<!ENTITY x "ha"><!ENTITY y "&x;&x;&x;">]><BWFXML><PROJECT>&y;</PROJECT></BWFXML>'


@pytest.mark.parametrize("xml", [BOMB, b"<a>" * 100_000, b"<a>&", b"", b"\xff\xfe<", b"<a/><b/>", b"x" * 99])
def test_xml_that_is_damaged_or_a_trap_is_not_read(tmp_path: Path, xml: bytes) -> None:
    assert ixml.parse(xml) is None
    path = wave(tmp_path / "a.wav", chunk(b"iXML", xml))
    assert read_tags(path).notes == ("its iXML chunk is damaged and was not read",)


# --- ID3, Vorbis comments, APE: mutagen writes, we read ---

WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1, max_size=40).map(str.strip)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tagged")
    sound(folder / "a.mp3", "MP3", "MPEG_LAYER_III")
    sound(folder / "a.flac", "FLAC", "PCM_16")
    sound(folder / "a.ogg", "OGG", "VORBIS")
    sound(folder / "a.opus", "OGG", "OPUS")
    return folder


@settings(max_examples=8)
@given(title=WORDS, artist=WORDS, version=st.sampled_from((3, 4)), encoding=st.sampled_from((1, 3)))
def test_id3_that_mutagen_wrote(files: Path, title: str, artist: str, version: int, encoding: int) -> None:
    tags = mutagen.id3.ID3()
    tags.add(mutagen.id3.APIC(3, "image/jpeg", 3, "x", bytes(20_000)))
    tags.add(mutagen.id3.TIT2(encoding, title))
    tags.add(mutagen.id3.TPE1(encoding, artist))
    tags.add(mutagen.id3.TSRC(encoding, "GBAAA2612345"))
    tags.add(mutagen.id3.TXXX(encoding, "REPLAYGAIN_TRACK_GAIN", "-7.35 dB"))
    tags.add(mutagen.id3.TXXX(encoding, "other", "thing"))
    tags.save(files / "a.mp3", v2_version=version)
    found = stated(files / "a.mp3")
    assert found.pop("software", "") is not None
    wanted = {"title": title, "artist": artist, "isrc": "GBAAA2612345", "replaygain_track_gain_db": -7.35}
    assert found == {name: value for name, value in wanted.items() if value}


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("a.flac", mutagen.flac.FLAC),
        ("a.ogg", mutagen.oggvorbis.OggVorbis),
        ("a.opus", mutagen.oggopus.OggOpus),
    ],
)
def test_comments_that_mutagen_wrote(files: Path, name: str, kind: Any) -> None:
    """The picture in front makes an Ogg's comments span pages."""
    tags = kind(files / name)
    tags["METADATA_BLOCK_PICTURE"] = "x" * 200_000
    tags["Title"], tags["ISRC"], tags["R128_TRACK_GAIN"] = "Sørgå \u6b4c", "GBAAA2612345", "-1234"
    tags["replaygain_track_peak"], tags["replaygain_track_gain"] = "0.988547", "loud"
    tags.save()
    found = stated(files / name)
    found.pop("software", None)
    assert found == {
        "title": "Sørgå \u6b4c",
        "isrc": "GBAAA2612345",
        "r128_track_gain": -1234,
        "replaygain_track_peak": 0.988547,
        "replaygain_track_gain_db": "loud",
    }


def test_ape_that_mutagen_wrote(tmp_path: Path) -> None:
    path = sound(tmp_path / "a.mp3", "MP3", "MPEG_LAYER_III")
    tags = mutagen.apev2.APEv2()
    tags["Title"], tags["REPLAYGAIN_TRACK_GAIN"] = "A song", "+1.50 dB"
    tags.save(path)
    found = stated(path)
    assert (found["title"], found["replaygain_track_gain_db"]) == ("A song", 1.5)


def test_id3_in_aiff_and_wav_and_the_aiffs_own_names(tmp_path: Path) -> None:
    path = sound(tmp_path / "a.aiff", "AIFF", "PCM_16")
    from mutagen.aiff import AIFF

    tags = AIFF(path)
    tags.add_tags()
    tags.tags.add(mutagen.id3.TSRC(3, "GBAAA2612345"))
    tags.save()
    assert stated(path)["isrc"] == "GBAAA2612345"
    body = path.read_bytes()[12:] + chunk(b"NAME", b"A song", order=">")
    path.write_bytes(b"FORM" + struct.pack(">I", 4 + len(body)) + b"AIFF" + body)
    assert stated(path)["title"] == "A song"


# --- hostile ---


def test_a_short_bext_chunk_gives_what_it_has_and_a_note(tmp_path: Path) -> None:
    path = wave(tmp_path / "a.wav", chunk(b"bext", bext(originator=b"Someone")[:400]))
    assert stated(path) == {"originator": "Someone", "origination_date": "2031-05-09", "origination_time": "14:30:00"}
    assert read_tags(path).notes == ("its bext chunk is too short: 400 of at least 602 bytes",)


def test_long_texts_are_cut_and_many_chunks_bounded(tmp_path: Path) -> None:
    info = b"INFO" + chunk(b"INAM", b"x" * 2_000_000)
    path = wave(tmp_path / "a.wav", chunk(b"bext", bext(b"y" * 3_000_000)), *[chunk(b"LIST", info)] * 3)
    lengths = [len(str(tag.value)) for tag in read_tags(path).all]
    assert max(lengths) == LONGEST
    cues = wave(tmp_path / "b.wav", chunk(b"cue ", bytes(2_400_004)))
    assert len(read_tags(cues).all) == 1000


def test_a_compressed_frame_of_id3_is_left_alone(tmp_path: Path) -> None:
    """It could unpack to a thousand times its size (ID3v2.3, section 3.3.1)."""
    frame = b"TIT2" + struct.pack(">IH", 100, 0x0080) + bytes(100)
    path = tmp_path / "a.mp3"
    path.write_bytes(b"ID3\x03\0\0\0\0\0" + bytes([len(frame)]) + frame)
    assert read_tags(path).all == ()


def test_random_damage_never_stops_the_readers(files: Path, tmp_path: Path) -> None:
    """300 damaged files of six kinds: no exception but the one error there is, and no statement that is not one."""
    cue = chunk(b"cue ", struct.pack("<I", 1) + bytes(24))
    wave(files / "a.wav", chunk(b"bext", bext(b"A=PCM")), chunk(b"LIST", b"INFO" + chunk(b"INAM", b"x")), cue)
    rng = random.Random(20)
    for path in sorted(files.iterdir()):
        whole = path.read_bytes()[:250_000]
        for number in range(60):
            data = bytearray(whole[: rng.choice((len(whole), rng.randrange(len(whole))))])
            for _ in range(rng.randrange(1, 20)):
                if data:
                    data[rng.randrange(min(len(data), 2000))] = rng.choice((0, 0x7F, 0x80, 0xFF, rng.randrange(256)))
            broken = tmp_path / f"{number}{path.suffix}"
            broken.write_bytes(data)
            for tag in read_tags(broken).all:
                assert tag.name in NAMES
                assert isinstance(tag.value, str) or np.isfinite(tag.value)
