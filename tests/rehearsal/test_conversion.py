"""What comes out of an encode, against a second decoder, a Fourier transform and the encoders' own promises."""

from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from master_check.judgement.profile import Rehearsal
from master_check.rehearsal import libsndfile_encodes, pyav_encodes
from master_check.rehearsal.conversion import Conversion, Master, rate_for
from master_check.rehearsal.errors import RehearsalError
from master_check.rehearsal.feed import Feed
from master_check.tables.rehearsals import KINDS
from tests.rehearsal.masters import RATE, conversion, loud, master_of, peak_16_times, second_decoder
from tests.signals import Frames, noise

SECONDS = 2.5
CASES = [("mp3", 128), ("vorbis", 160), ("opus", 128), ("aac", 128), ("ac3", 192), ("eac3", 192)]


@pytest.fixture(scope="module")
def frames() -> Frames:
    return loud(SECONDS, rate=48_000)


@pytest.fixture(scope="module")
def master(frames: Frames) -> Master:
    return master_of(frames, 48_000)


def written(kind: str, kbps: float, frames: Frames, rate: int, path: Path) -> Path:
    """An encode as rehearsals make it, for others to read."""
    feed = Feed(master_of(frames, rate).signals[rate], None, 0, len(frames))
    if KINDS[kind].frame == 1024 or kind in ("ac3", "eac3"):
        pyav_encodes.encode(feed, kind, kbps, KINDS[kind].frame, path)
    else:
        libsndfile_encodes.encode(feed, kind, kbps, path)
    return path


@pytest.mark.parametrize(("kind", "kbps"), CASES)
def test_peaks_overs_length_and_place_are_those_of_a_second_decoder(
    master: Master, frames: Frames, tmp_path: Path, kind: str, kbps: float
) -> None:
    """MP3, Vorbis and Opus decoded by libavcodec in place of libsndfile; AAC and AC-3 straight from the file."""
    whole = conversion(master, tmp_path, kind, kbps=kbps).whole()
    assert list(tmp_path.iterdir()) == []
    other = second_decoder(written(kind, kbps, frames, 48_000, tmp_path / f"a.{kind}"))[: len(frames)]
    assert whole.values["true_peak_dbtp"] == pytest.approx(peak_16_times(other), abs=0.06)
    assert whole.values["over_full_scale_samples"] == pytest.approx(int((np.abs(other) > 1.0).sum()), rel=0.002, abs=1)
    assert whole.values["duration_s"] == pytest.approx(SECONDS, abs=1e-6)
    assert whole.late_samples == pytest.approx(0.0, abs=0.2)
    assert whole.loudest[0].true_peak_dbtp == pytest.approx(whole.values["true_peak_dbtp"], abs=0.03)
    at = round(whole.loudest[0].at_s * 48_000)
    assert peak_16_times(other[at - 400 : at + 400] * np.hanning(800)[:, None]) == pytest.approx(
        whole.loudest[0].true_peak_dbtp, abs=0.1
    )


@pytest.mark.parametrize(("kind", "kbps"), CASES)
def test_nothing_comes_late(frames: Frames, tmp_path: Path, kind: str, kbps: float) -> None:
    """The lag of the highest cross-correlation, by Fourier transform, of what a plain decoder gives."""
    other = second_decoder(written(kind, kbps, frames, 48_000, tmp_path / f"a.{kind}"))[: len(frames)]
    size = 2 * len(frames)
    product = np.fft.rfft(other[:, 0], size) * np.fft.rfft(frames[:, 0], size).conj()
    assert int(np.argmax(np.fft.irfft(product, size))) == 0


@pytest.mark.parametrize("kbps", KINDS["mp3"].kbps)
def test_mp3_has_the_bit_rate_that_was_asked_for(tmp_path: Path, kbps: int) -> None:
    """As libavformat reads it from the frames' headers (ISO/IEC 11172-3)."""
    path = written("mp3", kbps, noise(0.5, rate=RATE), RATE, tmp_path / "a.mp3")
    with av.open(str(path)) as file:
        headers = {frame.size for frame in file.demux(audio=0) if frame.size}
        assert max(headers) <= 144 * 1000 * kbps // RATE + 1
        assert max(headers) >= 144 * 1000 * kbps // RATE


@pytest.mark.parametrize(("kind", "kbps", "near"), [("opus", 96, 0.25), ("opus", 192, 0.25), ("aac", 96, 0.15)])
def test_other_encodes_come_near_it(tmp_path: Path, kind: str, kbps: float, near: float) -> None:
    frames = noise(4.0, rate=48_000)
    whole = conversion(master_of(frames, 48_000), tmp_path, kind, kbps=kbps).whole()
    assert whole.kbps == pytest.approx(kbps, rel=near)


def test_encoders_are_named_as_they_sign(master: Master, tmp_path: Path) -> None:
    names = [conversion(master, tmp_path, kind, kbps=kbps).whole().encoder or "" for kind, kbps in CASES[:4]]
    version = soundfile.__libsndfile_version__
    assert [name.split()[0] for name in names] == ["LAME", "libVorbis", "libopus", "libavcodec"]
    assert all(name.endswith(f"libsndfile {version}") for name in names[:3])
    assert names[3].endswith(f"PyAV {av.__version__}")


@pytest.mark.parametrize("kind", ["mp3", "vorbis"])
def test_a_passage_by_itself_is_as_in_the_whole(tmp_path: Path, kind: str) -> None:
    """What the search for the ceiling builds on."""
    master = master_of(loud(6.0))
    made = conversion(master, tmp_path, kind, kbps=128)
    whole = made.whole(-0.7)
    late = [place for place in whole.loudest if place.at_s > 2.0][:3]
    for place in late:
        assert made.peaks_at(-0.7, [place])["true_peak_dbtp"] == pytest.approx(place.true_peak_dbtp, abs=0.1)


@pytest.mark.parametrize(
    ("kind", "rate", "goes_in"),
    [
        ("mp3", 44_100, 44_100),
        ("mp3", 48_000, 48_000),
        ("mp3", 96_000, 48_000),
        ("aac", 176_400, 44_100),
        ("vorbis", 22_050, 44_100),
        ("opus", 44_100, 48_000),
        ("opus", 48_000, 48_000),
        ("word_length", 96_000, 96_000),
    ],
)
def test_what_is_not_taken_is_converted_first(kind: str, rate: int, goes_in: int) -> None:
    """RFC 6716: Opus knows 48 kHz at most. Of the others, the family of the master's rate (common practice)."""
    assert rate_for(Rehearsal("x", kind), rate) == goes_in
    assert rate_for(Rehearsal("x", kind, rate_hz=32_000), rate) == 32_000


@pytest.mark.parametrize(("channels", "kbps"), [(1, 64), (6, 384)])
def test_mono_and_surround(tmp_path: Path, channels: int, kbps: float) -> None:
    """Each channel comes out where it went in: a tone of its own in every one."""
    t = np.arange(96_000) / 48_000
    tones = [400.0 * (channel + 1) if channel != 3 else 60.0 for channel in range(channels)]
    frames = np.stack([0.3 * np.sin(2.0 * np.pi * hz * t) for hz in tones], axis=1).astype(np.float32)
    for kind in ("aac", "ac3"):
        made = second_decoder(written(kind, kbps, frames, 48_000, tmp_path / f"{channels}.{kind}"))[24_000:72_000]
        strongest = np.abs(np.fft.rfft(made, axis=0)).argmax(axis=0)
        assert strongest == pytest.approx(tones, abs=2)
        whole = conversion(master_of(frames, 48_000), tmp_path, kind, kbps=kbps).whole()
        assert whole.values["channels"] == channels


def test_too_many_channels_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RehearsalError, match="takes 1 or 2 channels; the master has 6"):
        conversion(master_of(noise(0.5, channels=6), 48_000), tmp_path, "mp3", kbps=128)


def test_an_encode_that_cannot_be_written_is_one_line(master: Master, tmp_path: Path) -> None:
    for kind in ("mp3", "aac"):
        with pytest.raises(RehearsalError, match=r"the encode cannot be written to .*nowhere"):
            Conversion(master, Rehearsal("x", kind, 128), tmp_path / "nowhere").whole()
