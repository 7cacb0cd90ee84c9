"""Deliveries, read back with libsndfile, `wavinfo` and mutagen, and against arithmetic and SciPy's converter."""

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import mutagen
import numpy as np
import pytest
import scipy.signal
import soundfile
import wavinfo

from master_check import DeliveryError, check, deliver, verify
from master_check.delivery.delivered import Delivered
from master_check.output import OutputError
from tests.signals import noise, programme, silence, write

RATE = 48_000
STEP = 2.0**-15
"""Of 16 bits."""


@pytest.fixture(scope="module")
def master(tmp_path_factory: pytest.TempPathFactory) -> Path:
    frames = programme(6.0, seed=5)
    return write(tmp_path_factory.mktemp("master") / "song.wav", 0.8 * frames / np.abs(frames).max())


def profile(folder: Path, called: str, /, **wanted: Any) -> Path:
    """One that asks for a file and has no rules that it could break."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in wanted.items()]
    text = f'[profile]\nname = "{called}"\ntitle = "T"\nsource = "common practice"\n[[rule]]\nmeasure = "duration_s"\n'
    (folder / f"{called}.toml").write_text(text + 'min = 0.0\nlevel = "note"\n[deliver]\n' + "\n".join(lines) + "\n")
    return folder / f"{called}.toml"


def delivered(master: Path, folder: Path, trim: bool = False, **wanted: Any) -> Delivered:
    return deliver(master, profile(folder, "place", **wanted), folder / "out", trim=trim)


def samples(path: str | Path) -> Any:
    return soundfile.read(path, always_2d=True)[0]


def test_what_loses_no_bits_is_the_same_to_the_last_one(master: Path, tmp_path: Path) -> None:
    (file,) = delivered(master, tmp_path).files
    assert np.array_equal(samples(file.path), samples(master))
    assert file.null.identical and file.null.null_db is None
    assert not file.dithered
    assert Path(file.path).name == "song (place).wav"


def test_dither_is_tpdf_of_two_steps(master: Path, tmp_path: Path) -> None:
    """The sum of two rectangular ones has a variance of a sixth of a step's square, and rounding adds a twelfth.

    Arithmetic; that the whole error then does not depend on the signal: S. P. Lipshitz, R. A. Wannamaker and J.
    Vanderkooy, "Quantization and dither: a theoretical survey", JAES 40 (1992).
    """
    (file,) = delivered(master, tmp_path, bits=16).files
    error = samples(file.path) - samples(master)
    assert file.dithered
    assert np.mean(error**2) == pytest.approx(STEP**2 / 4.0, rel=0.01)
    assert abs(np.mean(error)) < 0.01 * STEP
    assert np.abs(error).max() <= 1.5 * STEP
    assert file.null.null_db == pytest.approx(10.0 * np.log10(STEP**2 / 4.0), abs=0.05)
    assert np.corrcoef(error[:, 0], samples(master)[:, 0])[0, 1] == pytest.approx(0.0, abs=0.01)
    assert np.corrcoef(error[:, 0], error[:, 1])[0, 1] == pytest.approx(0.0, abs=0.01)
    assert file.null.as_expected


def test_the_same_delivery_twice_is_the_same_file(master: Path, tmp_path: Path) -> None:
    place = profile(tmp_path, "place", bits=16, metadata=False)
    first, second = (deliver(master, place, tmp_path / folder).files[0] for folder in ("a", "b"))
    assert Path(first.path).read_bytes() == Path(second.path).read_bytes()


def test_16_bits_in_a_24_bit_file_are_not_dithered(tmp_path: Path) -> None:
    frames = np.round(noise(2.0, -20.0) / STEP) * STEP
    (file,) = delivered(write(tmp_path / "padded.wav", frames), tmp_path, bits=16).files
    assert not file.dithered and file.null.identical
    assert np.array_equal(samples(file.path), frames)


def test_another_rate_is_what_scipy_makes_of_it(master: Path, tmp_path: Path) -> None:
    """By a Fourier transform of all of it, far from the ends; up to 15 kHz, to -120 dB."""
    (file,) = delivered(master, tmp_path, rate_hz=44_100, bits=24).files
    assert file.converted_from_hz == RATE
    own = samples(file.path)
    other = scipy.signal.resample(samples(master), 6 * 44_100, axis=0)
    assert abs(len(own) - 6 * 44_100) <= 1
    low = scipy.signal.firwin(401, 15_000.0, fs=44_100, window=("kaiser", 12.0))
    left = scipy.signal.oaconvolve(own - other[: len(own)], low[:, None], axes=0)[22_050:-22_050]
    assert 10.0 * np.log10(np.mean(left**2)) < -120.0
    assert file.null.as_expected and file.null.null_db is not None and file.null.null_db < -120.0


@pytest.mark.parametrize(("container", "suffix"), [("WAV", ".wav"), ("FLAC", ".flac"), ("AIFF", ".aiff")])
def test_containers_words_and_tags(tmp_path: Path, container: str, suffix: str) -> None:
    frames = programme(3.0, seed=1)
    source = tmp_path / "song.flac"
    write(source, 0.5 * frames / np.abs(frames).max(), 44_100, "PCM_24", "FLAC")
    tagged: Any = mutagen.File(source)
    tagged["title"], tagged["isrc"] = "A title", "QZABC2600001"
    tagged.save()
    (file,) = delivered(source, tmp_path, container=container, bits=24, name="{isrc} {title}").files
    assert Path(file.path).name == f"QZABC2600001 A title{suffix}"
    info = soundfile.info(file.path)
    assert (info.samplerate, info.subtype, info.channels) == (44_100, "PCM_24", 2)
    words = soundfile.read(file.path, dtype="int32")[0] >> 8
    packed = np.ascontiguousarray(words, "<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    assert file.audio_sha256 == hashlib.sha256(packed).hexdigest()
    assert file.sha256 == hashlib.sha256(Path(file.path).read_bytes()).hexdigest()
    if container == "WAV":
        read = wavinfo.WavInfoReader(file.path)
        measurement, _ = check(file.path)
        assert read.info.title == "A title"
        assert read.bext.version == 2
        loudness = measurement.values["integrated_lufs"]
        assert isinstance(loudness, float)
        assert read.bext.loudness_value == pytest.approx(loudness, abs=0.006)
        assert "W=24,M=stereo" in read.bext.coding_history
    else:
        tags: Any = mutagen.File(file.path)
        assert str(tags["title"][0] if container == "FLAC" else tags["TIT2"]) == "A title"


def test_silence_is_completed_not_added_twice(tmp_path: Path) -> None:
    sound = noise(2.0, -20.0)
    source = write(tmp_path / "song.wav", np.concatenate([silence(0.1, 2), sound]))
    (file,) = delivered(source, tmp_path, head_silence_s=0.5, tail_silence_s=1.0).files
    own = samples(file.path)
    assert file.added_s == pytest.approx((0.4, 1.0), abs=0.02)
    assert len(own) == pytest.approx(3.5 * RATE, abs=0.02 * RATE)
    first = round(file.added_s[0] * RATE)
    assert not own[:first].any()
    assert np.array_equal(own[first : first + len(sound) + 4_800], samples(source))
    assert file.null.identical


def test_nothing_is_clipped_or_turned_down_unasked(tmp_path: Path) -> None:
    frames = noise(2.0, -20.0)
    hot = write(tmp_path / "hot.wav", frames * (1.1 / np.abs(frames).max()), subtype="FLOAT")
    with pytest.raises(
        DeliveryError, match=r"would exceed full scale for place; --trim turns that file down by 0\.9 dB"
    ):
        delivered(hot, tmp_path, bits=24)
    assert not (tmp_path / "out").exists()
    (file,) = delivered(hot, tmp_path, trim=True, bits=24).files
    assert file.trim_db == 0.9  # 20 lg 1.1 = 0.83 dB
    own = samples(file.path)
    assert np.abs(own - samples(hot) * 10.0 ** (-0.9 / 20.0)).max() < 2.0**-22
    assert np.abs(own).max() < 1.0


def test_trim_keeps_the_limits_of_the_profile(master: Path, tmp_path: Path) -> None:
    before = check(master)[0].values["integrated_lufs"]
    (file,) = deliver(master, "broadcast-r128", tmp_path / "out", trim=True).files
    assert file.measurement is not None and isinstance(before, float)
    after = file.measurement.values["integrated_lufs"]
    assert isinstance(after, float)
    assert file.trim_db == pytest.approx(before + 23.0, abs=0.1)  # EBU R 128: -23 LUFS
    assert -23.2 <= after <= -22.99
    assert file.null.as_expected


def test_nothing_is_overwritten(master: Path, tmp_path: Path) -> None:
    (first,) = delivered(master, tmp_path).files
    before = Path(first.path).read_bytes()
    with pytest.raises(DeliveryError, match="already there"):
        delivered(master, tmp_path, bits=16)
    assert Path(first.path).read_bytes() == before
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["song (delivery).json", "song (place).wav"]


def test_a_later_delivery_has_a_list_of_its_own(master: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        deliver(master, profile(tmp_path, name), tmp_path / "out")
    lists = verify(tmp_path / "out")
    assert [Path(each.manifest).name for each in lists] == ["song (delivery 2).json", "song (delivery).json"]
    assert all(each.result == "pass" and len(each.files) == 1 for each in lists)


@pytest.mark.parametrize("name", [b"\xff\xe9 song", b"a:b*c?", 80 * "ä".encode() + 80 * b"n"])
def test_odd_names(tmp_path: Path, name: bytes) -> None:
    source = Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name + b".wav"))
    write(tmp_path / "plain.wav", noise(1.0, -20.0)).replace(source)
    found = delivered(source, tmp_path)
    assert Path(found.files[0].path).is_file() and Path(found.manifest).is_file()
    assert not set(':*?"<>|') & set(Path(found.manifest).name)
    assert verify(tmp_path / "out")[0].result == "pass"


@pytest.mark.parametrize(
    ("own", "choices", "wanted"),
    [
        (88_200, [44_100, 48_000], 44_100),  # divides evenly
        (96_000, [44_100, 48_000], 48_000),
        (48_000, [44_100, 48_000], 48_000),
        (32_000, [44_100, 48_000], 44_100),
        (192_000, [44_100, 88_200], 88_200),
    ],
)
def test_which_rate_is_made(tmp_path: Path, own: int, choices: list[int], wanted: int) -> None:
    source = write(tmp_path / "song.wav", noise(0.5, -20.0, rate=own), own)
    (file,) = delivered(source, tmp_path, rate_hz=choices).files
    assert soundfile.info(file.path).samplerate == wanted


def test_two_profiles_cannot_have_the_same_name_for_a_file(master: Path, tmp_path: Path) -> None:
    places = [profile(tmp_path, name, name="same") for name in ("one", "two")]
    with pytest.raises(DeliveryError, match="both one and two"):
        deliver(master, places, tmp_path / "out")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("container", ["WAV", "FLAC", "AIFF"])
def test_a_full_disk_leaves_nothing_behind(master: Path, tmp_path: Path, container: str) -> None:
    """A limit on the size of files stands for it: the same error comes from the same call."""
    place = profile(tmp_path, "place", bits=24, container=container)
    script = (
        "import resource, signal, sys\n"
        "from master_check import deliver\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (500_000, 500_000))\n"
        "deliver(sys.argv[1], sys.argv[2], sys.argv[3])\n"
    )
    words = [sys.executable, "-c", script, str(master), str(place), str(tmp_path / "out")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert "OutputError" in done.stderr and "cannot be written" in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_folder_that_is_none(master: Path, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="is not a folder"):
        delivered(master, tmp_path)


def test_a_profile_that_says_nothing_of_deliveries(master: Path, tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="give it a \\[deliver\\] table"):
        deliver(master, "premaster", tmp_path / "out")


def test_the_list_proves_the_folder_later(master: Path, tmp_path: Path) -> None:
    found = deliver(master, ["cd", "streaming"], tmp_path / "out")
    (again,) = verify(tmp_path / "out")
    assert again.result == "pass"
    assert [file.sha256 for file in again.files] == [file.sha256 for file in found.files]

    first, second = (Path(file.path) for file in found.files)
    content = bytearray(first.read_bytes())
    at = content.index(b"sendoff")  # in the coding history, behind the sound
    content[at : at + 7] = b"SENDOFF"
    first.write_bytes(content)
    content = bytearray(second.read_bytes())
    content[5_000] ^= 1
    second.write_bytes(content)
    (again,) = verify(tmp_path / "out")
    assert [file.state for file in again.files] == ["other metadata", "other sound"]
    second.unlink()
    (again,) = verify(found.manifest)
    assert [file.state for file in again.files] == ["other metadata", "missing"]
    assert again.result == "fail"


@pytest.mark.parametrize("name", ["../outside.wav", "/etc/passwd", "a/b.wav", "..\\b.wav", ""])
def test_a_list_reaches_for_nothing_outside_its_folder(tmp_path: Path, name: str) -> None:
    files = [{"name": name, "sha256": "0", "audio_sha256": "0"}]
    (tmp_path / "x (delivery).json").write_text(json.dumps({"sendoff_delivery": 1, "files": files}))
    with pytest.raises(DeliveryError, match="outside its folder"):
        verify(tmp_path)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"sendoff_delivery": 1}', '{"sendoff_delivery": 1, "files": [1]}'])
def test_a_list_that_is_none(tmp_path: Path, text: str) -> None:
    (tmp_path / "x (delivery).json").write_text(text)
    with pytest.raises(DeliveryError, match="no list of a delivery"):
        verify(tmp_path)


def test_surround_keeps_its_loudspeakers(tmp_path: Path) -> None:
    frames = noise(1.0, -30.0, channels=6)
    source = write(tmp_path / "five.wav", frames)
    found = deliver(source, profile(tmp_path, "place", bits=16), tmp_path / "out", layout=None)
    assert found.files[0].measurement is not None
    assert found.files[0].measurement.format.channels == 6
    assert found.files[0].measurement.values["layout"] == check(source)[0].values["layout"]
