"""What bad input gets: one line that names the file, what is wrong and where; or figures with a note."""

import os
import re
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from master_check.measurement.one_pass import measure
from master_check.sound.opening import RATES
from master_check.tables.layouts import parse
from tests.signals import RATE, Frames, noise, silence, sine, value, write
from tests.sound.files import refused, wav

# Nothing to open


def test_missing(tmp_path: Path) -> None:
    assert refused(tmp_path / "missing.wav") == "no such file"


def test_a_folder(tmp_path: Path) -> None:
    assert refused(tmp_path) == "is a folder, not a sound file"


def test_a_link_that_leads_nowhere(tmp_path: Path) -> None:
    (tmp_path / "link.wav").symlink_to(tmp_path / "gone.wav")
    assert refused(tmp_path / "link.wav") == "no such file"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    assert refused(tmp_path / "pipe.wav") == "is not a regular file"


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "master.wav").write_bytes(wav())
    assert refused(tmp_path / "master.wav" / "left.wav").startswith("cannot be opened (Not a directory")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_no_permission(tmp_path: Path) -> None:
    path = write(tmp_path / "secret.wav", noise(1.0))
    path.chmod(0)
    assert refused(path) == "no permission to read it"


# Not sound


def test_empty(tmp_path: Path) -> None:
    (tmp_path / "empty.wav").touch()
    assert refused(tmp_path / "empty.wav") == "is empty"


@pytest.mark.parametrize(
    "content",
    [
        b"Dear mastering engineer,\n",
        b"\x89PNG\r\n\x1a\n" + bytes(100),
        b"PK\x03\x04" + bytes(100),
        bytes(range(256)) * 40,
        bytes(10_000),
        b"RIFF",
        b"RIFF\x24\0\0\0WAVE",
        b"RIFF\x24\0\0\0AVI LIST" + bytes(100),
        b"fLaC",
        b"FORM\0\0\0\x10AIFF",
        b"OggS" + bytes(50),
        b"caff\0\1\0\0",
        b"ID3\3\0\0\0\0\0\0",
    ],
    ids=lambda content: repr(content[:8]),
)
@pytest.mark.parametrize("name", ["song.wav", "song.mp3", "song.flac", "song.raw", "song"])
def test_not_audio(tmp_path: Path, content: bytes, name: str) -> None:
    (tmp_path / name).write_bytes(content)
    problem = refused(tmp_path / name)
    assert "not a sound file that sendoff can read" in problem or "damaged" in problem or "no samples" in problem


# Cut short

CONTAINERS = [
    ("WAV", "PCM_16"),
    ("WAV", "PCM_24"),
    ("WAV", "FLOAT"),
    ("WAVEX", "PCM_24"),
    ("RF64", "PCM_24"),
    ("W64", "PCM_24"),
    ("AIFF", "PCM_24"),
    ("CAF", "PCM_24"),
    ("CAF", "ALAC_24"),
    ("AU", "PCM_24"),
    ("FLAC", "PCM_16"),
    ("FLAC", "PCM_24"),
    ("OGG", "VORBIS"),
    ("OGG", "OPUS"),
    ("MP3", "MPEG_LAYER_III"),
]


CUT_SHORT = {
    "FLAC": r"damaged after 0:0\d\.\d{3} ",  # its header counts samples, not bytes: it shows where decoding ends
    "OGG": "cut short: the Ogg stream's end is missing;",
    "MP3": r"cut short: \d+ MP3 frames expected, \d+ found;",
}
"""What is said of them; all other containers count bytes."""


@pytest.mark.parametrize(("container", "encoding"), CONTAINERS)
@pytest.mark.parametrize("left", [0.95, 0.5, 0.1])
def test_truncated(tmp_path: Path, container: str, encoding: str, left: float) -> None:
    path = write(tmp_path / "cut.mp3", noise(2.0, -20.0), RATE, encoding, container)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(left * len(whole))])
    assert re.match(CUT_SHORT.get(container, r"cut short: \d+ bytes expected, \d+ found;"), refused(path))


def test_truncated_by_a_single_sample(tmp_path: Path) -> None:
    path = write(tmp_path / "cut.wav", noise(1.0), RATE, "PCM_16")
    path.write_bytes(path.read_bytes()[:-4])
    assert refused(path) == "cut short: 192000 bytes expected, 191996 found; export or copy it again"


def test_a_header_that_promises_more_than_there_is(tmp_path: Path) -> None:
    (tmp_path / "liar.wav").write_bytes(wav(promised=1_000_000))
    assert refused(tmp_path / "liar.wav") == "cut short: 1000000 bytes expected, 4800 found; export or copy it again"


def test_a_flac_that_promises_more_than_there_is(tmp_path: Path) -> None:
    path = write(tmp_path / "liar.flac", noise(1.0), RATE, "PCM_16", "FLAC")
    content = bytearray(path.read_bytes())
    content[22:26] = (RATE * 100).to_bytes(4, "big")  # STREAMINFO's total samples (RFC 9639, section 8.2)
    path.write_bytes(content)
    assert refused(path) == "cut short: 4800000 frames expected, 48000 found; export or copy it again"


@pytest.mark.parametrize("size", [0xFFFFFFFF, 0xFFFFFFFF - 36, 0xFFFFFF00])
def test_a_length_that_could_not_be_known_is_no_promise(tmp_path: Path, size: int) -> None:
    """Programs that write WAV into a pipe say all ones."""
    data = (noise(1.0, -20.0) * 32768.0).astype("<i2").tobytes()
    (tmp_path / "piped.wav").write_bytes(wav(data=data, promised=size))
    assert value(measure(tmp_path / "piped.wav"), "duration_s") == 1.0


def test_a_file_without_samples(tmp_path: Path) -> None:
    (tmp_path / "none.wav").write_bytes(wav(data=b""))
    assert refused(tmp_path / "none.wav") == "holds no samples"
    assert refused(write(tmp_path / "none.aiff", silence(0.0, 2), RATE, "PCM_16", "AIFF")) == "holds no samples"


# Absurd formats


@pytest.mark.parametrize("rate", [1, 4_000, RATES[0] - 1, RATES[1] + 1, 2_147_483_647])
def test_absurd_rates(tmp_path: Path, rate: int) -> None:
    (tmp_path / "fast.wav").write_bytes(wav(rate=rate))
    assert refused(tmp_path / "fast.wav") == (
        f"has a sample rate of {rate} Hz, outside 8000 to 384000 Hz; is the header damaged?"
    )


@pytest.mark.parametrize(
    ("channels", "rate", "words"),
    [
        (0, RATE, "damaged, or not a sound file that sendoff can read (Channel count is zero)"),
        (0xFFFF, RATE, "damaged, or not a sound file that sendoff can read (Too many channels specified)"),
        (2, 0, "has a sample rate of 0 Hz, outside 8000 to 384000 Hz; is the header damaged?"),
        (2, 0xFFFFFFFF, "has a sample rate of 4294967295 Hz, outside 8000 to 384000 Hz; is the header damaged?"),
    ],
)
def test_impossible_headers(tmp_path: Path, channels: int, rate: int, words: str) -> None:
    (tmp_path / "broken.wav").write_bytes(wav(channels, rate))
    assert refused(tmp_path / "broken.wav").startswith(words)


@pytest.mark.parametrize("channels", [7, 9, 13])
def test_more_channels_than_a_layout_covers(tmp_path: Path, channels: int) -> None:
    path = write(tmp_path / "many.wav", np.full((RATE, channels), 0.5), RATE, "PCM_16", "WAV")
    found = measure(path)
    assert found.values["integrated_lufs"] is None and found.values["layout"] is None
    assert found.values["sample_peak_dbfs"] == pytest.approx(-6.02, abs=0.01)
    assert found.format.labels == tuple(str(n + 1) for n in range(channels))
    assert f"no layout is known for {channels} channels" in found.notes[0]


@pytest.mark.parametrize("channels", [129, 256])
def test_more_channels_than_any_delivery_has(tmp_path: Path, channels: int) -> None:
    path = write(tmp_path / "many.wav", np.zeros((100, channels)), RATE, "PCM_16", "WAV")
    assert refused(path) == f"has {channels} channels, outside 1 to 128; is the header damaged?"


def test_a_layout_that_is_named_makes_them_measurable(tmp_path: Path) -> None:
    path = write(tmp_path / "seven.wav", noise(1.0, channels=7), RATE)
    assert measure(path, parse("L,R,C,LFE,Ls,Rs,Cs")).values["channels"] == 7


# Samples that are no numbers


@pytest.mark.parametrize("encoding", ["FLOAT", "DOUBLE"])
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize(
    ("frame", "time"), [(0, "0:00.000"), (479, "0:00.010"), (48_000, "0:01.000"), (71_999, "0:01.500")]
)
def test_samples_that_are_not_numbers(tmp_path: Path, encoding: str, bad: float, frame: int, time: str) -> None:
    frames = sine(1.5, -6.0, channels=2).astype(np.float64)
    frames[frame, 1] = bad
    path = write(tmp_path / "nan.wav", frames, RATE, encoding)
    what = "not a number" if np.isnan(bad) else "out of range: infinite, or more than 770 dB above full scale"
    assert refused(path) == f"a sample at {time} (frame {frame}) is {what}; export it again"


def test_the_first_of_several_is_named(tmp_path: Path) -> None:
    frames = sine(3.0, -6.0, channels=2)
    frames[100_000, 0], frames[60_000, 1], frames[60_001, 0] = np.nan, np.inf, np.nan
    path = write(tmp_path / "nan.wav", frames, RATE, "FLOAT")
    assert "(frame 60000)" in refused(path)


def test_levels_that_no_desk_reaches(tmp_path: Path) -> None:
    frames = sine(1.0, -6.0, channels=2)
    frames[1_000, 0] = -1e30
    assert refused(write(tmp_path / "hot.wav", frames, RATE, "FLOAT")) == (
        "a sample at 0:00.021 (frame 1000) is 600 dB above full scale; export it again"
    )


# Odd, but measured


NOTHING = ("integrated_lufs", "loudness_range_lu", "momentary_max_lufs", "short_term_max_lufs", "plr_lu", "psr_min_lu")


@pytest.mark.parametrize("frames", [1, 479, 480, 19_199])
def test_shorter_than_400_ms_has_no_loudness_and_a_note(tmp_path: Path, frames: int) -> None:
    found = measure(write(tmp_path / "click.wav", sine(1.0, -6.0, channels=2)[1 : frames + 1], RATE))
    assert found.notes == ("shorter than 400 ms: no loudness can be given",)
    assert [found.values[key] for key in NOTHING] == [None] * len(NOTHING)
    assert value(found, "sample_peak_dbfs") < 0.0
    assert value(found, "true_peak_dbtp") < 0.0


@pytest.mark.parametrize("encoding", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
def test_digital_silence_has_no_levels_and_a_note(tmp_path: Path, encoding: str) -> None:
    found = measure(write(tmp_path / "silence.wav", silence(5.0, 2), RATE, encoding))
    assert found.notes == ("digital silence: no level can be given",)
    levels = (*NOTHING, "true_peak_dbtp", "sample_peak_dbfs", "rms_dbfs", "crest_db", "headroom_db", "dc_offset_dbfs")
    assert [found.values[key] for key in levels] == [None] * len(levels)
    assert found.values["clipped_runs"] == found.values["dropouts"] == found.values["flat_top_runs"] == 0
    assert found.at_s == {}


def test_a_file_under_the_wrong_name_is_measured(tmp_path: Path) -> None:
    frames = noise(1.0, -20.0)
    right = measure(write(tmp_path / "right.flac", frames, RATE, "PCM_24", "FLAC"))
    wrong = measure(write(tmp_path / "wrong.wav", frames, RATE, "PCM_24", "FLAC"))
    assert wrong.values == right.values
    assert wrong.values["container"] == "FLAC"


@pytest.mark.parametrize("name", ["spaces in it.wav", "-p.wav", "üñí☺.wav", "a'b\"c.wav", "%s.wav", "x" * 200 + ".wav"])
def test_any_name_is_a_name(tmp_path: Path, name: str) -> None:
    assert value(measure(write(tmp_path / name, noise(0.5))), "duration_s") == 0.5
    assert refused(tmp_path / ("no " + name)) == "no such file"


def test_chunks_around_the_sound_are_stepped_over(tmp_path: Path) -> None:
    plain = wav(data=(noise(1.0, -20.0) * 32768.0).astype("<i2").tobytes())
    junk = b"JUNK" + struct.pack("<I", 28) + bytes(28)
    content = plain[:12] + junk + plain[12:] + b"LIST" + struct.pack("<I", 4) + b"INFO"
    content = content[:4] + struct.pack("<I", len(content) - 8) + content[8:]
    (tmp_path / "chunks.wav").write_bytes(content)
    (tmp_path / "plain.wav").write_bytes(plain)
    assert measure(tmp_path / "chunks.wav").values == measure(tmp_path / "plain.wav").values


def test_a_decoder_that_would_go_on_for_a_year_is_not_started(tmp_path: Path) -> None:
    """A negative size: libsndfile promises 8e10 frames, and its GSM 06.10 decoder delivers them from nothing."""
    path = write(tmp_path / "a.w64", np.zeros(8000), 8000, "GSM610", "W64")
    data = bytearray(path.read_bytes())
    struct.pack_into("<q", data, data.index(b"data") + 16, -(2**40))
    path.write_bytes(data)
    assert refused(path).startswith("cut short: 84577817920 frames expected, but the file has only 1769 bytes")


def test_the_progress_told_adds_up_to_the_whole(tmp_path: Path) -> None:
    shares: list[float] = []
    measure(write(tmp_path / "a.wav", noise(3.3)), hops=100, progress=shares.append)
    assert sum(shares) == pytest.approx(1.0)
    assert len(shares) == 4


@pytest.mark.parametrize("make", [lambda: noise(1.0), lambda: silence(0.1, 2)], ids=["noise", "short silence"])
def test_no_handle_stays_open(tmp_path: Path, make: Callable[[], Frames]) -> None:
    """Also where measuring ends in an error."""
    frames = make()
    good = write(tmp_path / "good.wav", frames, RATE, "FLOAT")
    frames[-1, 0] = np.nan
    bad = write(tmp_path / "bad.wav", frames, RATE, "FLOAT")
    open_files = Path("/proc/self/fd")
    if not open_files.exists():
        pytest.skip("/proc does not tell which files are open here")
    before = len(list(open_files.iterdir()))
    for _ in range(5):
        measure(good)
        refused(bad)
        refused(tmp_path / "missing.wav")
    assert len(list(open_files.iterdir())) == before
