"""The album: the sequence against the concatenated file, consistency against planted faults, parallel against serial.

Album loudness is BS.1770-5 over the tracks one after another; the C library libebur128 and pyloudnorm (with the
filters of the standard's table) measure the concatenated samples beside it. Limits of the observations are common
practice.
"""

from collections.abc import Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pyloudnorm
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, resample_poly, sosfilt

from master_check.albums import album as album_module
from master_check.albums.album import Album, album, album_loudness, playback
from master_check.albums.consistency import Observation, octaves, programme_ends
from master_check.albums.tracks import AlbumError, find_tracks
from master_check.judgement.profile import Profile
from master_check.judgement.profile_files import load_profile
from master_check.measurement import store as store_module
from master_check.measurement.one_pass import measure, measure_source
from master_check.report.wording.album import observation as text
from master_check.tables.quantities import ALBUM_QUANTITIES

RATE = 44_100
MUSIC = Path("/usr/share/games/asc/music")


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("SENDOFF_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


@pytest.fixture(scope="module")
def streaming() -> Profile:
    return load_profile("streaming")


@pytest.fixture(scope="module")
def cd() -> Profile:
    return load_profile("cd")


def music(seconds: float, seed: int, level: float = 1.0, rate: int = RATE) -> NDArray[np.float64]:
    """Made up: a swelling bed and hits, stereo."""
    random = np.random.default_rng(seed)
    n = round(seconds * rate)
    out = 0.03 * (1.0 + 0.6 * np.sin(np.arange(n) / rate / 1.7 + seed))[:, None] * random.standard_normal((n, 2))
    for start in random.integers(0, max(n - rate // 4, 1), round(seconds * 4)):
        length = min(n - start, rate // 5)
        hit = random.standard_normal((length, 2)) * np.exp(-np.arange(length) / (rate / 20))[:, None]
        out[start : start + length] += random.uniform(0.05, 0.3) * hit
    low_passed = sosfilt(butter(2, 6000.0, fs=rate, output="sos"), out, axis=0)
    return np.asarray(0.8 * level * low_passed / np.abs(low_passed).max())


def write(path: Path, frames: NDArray[Any], rate: int = RATE, subtype: str = "PCM_24") -> Path:
    path.parent.mkdir(exist_ok=True)
    soundfile.write(path, frames, rate, subtype)
    return path


def loudness_elsewhere(frames: NDArray[Any], rate: int) -> float:
    """By the C library libebur128; pyloudnorm, which counts an incomplete last block, gets whole tenths of a second."""
    state = pyebur128.R128State(frames.shape[1], rate, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(frames, np.float32).ravel(), len(frames))
    found = float(pyebur128.get_loudness_global(state))
    meter = pyloudnorm.Meter(rate, filter_class="DeMan")
    whole = len(frames) * 10 // rate * rate // 10
    assert meter.integrated_loudness(frames[:whole].astype(np.float64)) == pytest.approx(found, abs=0.002)
    return found


def of_kind(found: Album, kind: str) -> list[Observation]:
    return [observation for observation in found.observations if observation.kind == kind]


ALBUMS = {
    "even": [(12.0, 1.0), (9.0, 1.0), (15.0, 1.0)],
    "a quiet track that the gate leaves out": [(15.0, 1.0), (20.0, 0.05), (10.0, 0.9)],
    "odd lengths": [(7.1234, 1.0), (3.00077, 0.3), (11.9999, 0.6), (0.9871, 1.0), (5.4321, 0.1)],
    "many short ones": [(1.2345 + 0.0137 * i, 0.3 + 0.05 * (i % 13)) for i in range(25)],
}


@pytest.mark.parametrize("tracks", ALBUMS.values(), ids=ALBUMS.keys())
@pytest.mark.parametrize("rate", [44_100, 22_050])
def test_album_loudness_is_that_of_the_concatenated_file(
    tracks: list[tuple[float, float]], rate: int, tmp_path: Path
) -> None:
    frames = [music(seconds, seed, level, rate) for seed, (seconds, level) in enumerate(tracks)]
    whole = np.concatenate(frames)
    measured = [measure(write(tmp_path / f"{i}.wav", each, rate, "FLOAT")) for i, each in enumerate(frames)]
    found = album_loudness(measured)
    assert found == pytest.approx(loudness_elsewhere(whole, rate), abs=0.01)
    concatenated = measure(write(tmp_path / "whole.wav", whole, rate, "FLOAT")).values["integrated_lufs"]
    assert found == pytest.approx(concatenated, abs=0.01)


def test_album_loudness_is_no_mean_of_means(tmp_path: Path) -> None:
    """The quiet track is under the relative gate: the album is as loud as the loud one (BS.1770-5, equation 6).

    But for the three blocks across the change, which hold 3/4, 2/4 and 1/4 of the loud tone.
    """
    measured = [
        measure(write(tmp_path / f"{i}.wav", tone_track(level, 20.0))) for i, level in enumerate((-14.0, -40.0))
    ]
    assert [m.values["integrated_lufs"] for m in measured] == pytest.approx([-14.0, -40.0], abs=0.01)
    expected = -14.0 + 10.0 * np.log10((197.0 + 1.5) / 200.0)
    assert album_loudness(measured) == pytest.approx(expected, abs=0.005)


def k_gain(rate: int) -> float:
    """What the high-pass of BS.1770-5's table passes high frequencies with: d = 1 + K/Q + K^2, other at every rate."""
    k = np.tan(np.pi * 38.13547087602444 / rate)
    return float(1.0 + k / 0.5003270373238773 + k * k)


def test_album_loudness_over_several_rates(tmp_path: Path) -> None:
    """Against one file at 48 kHz, with the difference that the sample rate makes to K-weighting taken out."""
    sos = butter(8, 5000.0, fs=48_000, output="sos")
    frames = [sosfilt(sos, music(20.0, s, level, 48_000), axis=0) for s, level in ((1, 1.0), (2, 0.4), (3, 0.8))]
    measured = []
    for i, (own, rate) in enumerate(zip(frames, (48_000, 44_100, 96_000), strict=True)):
        resampled = resample_poly(own, rate // 300, 160) * (k_gain(48_000) / k_gain(rate))
        measured.append(measure(write(tmp_path / f"{i}.wav", resampled, rate, "FLOAT")))
    assert album_loudness(measured) == pytest.approx(loudness_elsewhere(np.concatenate(frames), 48_000), abs=0.01)


@pytest.mark.skipif(not MUSIC.is_dir(), reason="the Debian package asc-music is not installed")
def test_album_loudness_of_real_music(tmp_path: Path) -> None:
    paths = find_tracks([MUSIC]).paths
    assert len(paths) >= 2
    decoded = [soundfile.read(path, dtype="float32") for path in paths]
    assert len({rate for _, rate in decoded}) == 1
    whole = np.concatenate([frames for frames, _ in decoded])
    found = album(paths, []).values["album_integrated_lufs"]
    assert found == pytest.approx(loudness_elsewhere(whole, decoded[0][1]), abs=0.01)


def test_album_loudness_of_nothing(tmp_path: Path) -> None:
    assert album_loudness([]) is None
    assert album_loudness([measure(write(tmp_path / "silence.wav", np.zeros((RATE, 2))))]) is None
    assert album_loudness([measure(write(tmp_path / "short.wav", music(0.1, 1)))]) is None


def test_figures_of_the_sequence(tmp_path: Path, streaming: Profile, cd: Profile) -> None:
    levels = (1.0, 0.5, 0.7)
    paths = [write(tmp_path / f"{i}.wav", music(588 * (400 + i) / RATE, i, level)) for i, level in enumerate(levels)]
    found = album(paths, [streaming, cd])
    values = found.values
    assert tuple(values) == tuple(ALBUM_QUANTITIES)
    loudness = [float(measure(path).values["integrated_lufs"] or 0.0) for path in paths]
    assert values["loudest_track_lufs"] == max(loudness)
    assert values["quietest_track_lufs"] == min(loudness)
    assert values["track_spread_lu"] == pytest.approx(max(loudness) - min(loudness))
    assert values["album_true_peak_dbtp"] == max(float(measure(p).values["true_peak_dbtp"] or 0.0) for p in paths)
    assert values["tracks"] == 3
    assert values["total_s"] == pytest.approx(588 * 1203 / RATE)
    assert values["shortest_track_s"] == pytest.approx(588 * 400 / RATE)
    assert [values[key] for key in ("sample_rates", "bit_depths", "channel_counts", "containers")] == [1, 1, 1, 1]
    assert values["duplicate_tracks"] == 0
    assert values["unframed_tracks"] == 0
    for track, own in zip(found.tracks, loudness, strict=True):
        assert track.offset_lu == pytest.approx(own - float(values["album_integrated_lufs"] or 0.0))
        assert [verdict.profile for verdict in track.verdicts] == ["streaming", "cd"]
    assert [track.number for track in found.tracks] == [1, 2, 3]
    assert [verdict.profile for verdict in found.verdicts] == ["streaming", "cd"]
    # 24 bits do not go on the disc.
    assert found.result == "fail"


@pytest.mark.parametrize(("extra", "unframed"), [((0, 0), 0), ((1, 0), 1), ((587, 300), 2)])
def test_whole_frames_of_the_disc(extra: tuple[int, int], unframed: int, tmp_path: Path, cd: Profile) -> None:
    """588 samples a frame (IEC 60908)."""
    tracks = [music(10.0, 1)[: 588 * 400 + more] for more in extra]
    paths = [write(tmp_path / f"{i}.wav", 0.9**i * each, subtype="PCM_16") for i, each in enumerate(tracks)]
    found = album(paths, [cd])
    assert found.values["unframed_tracks"] == unframed
    (verdict,) = found.verdicts
    results = {finding.measure: finding.result for finding in verdict.findings}
    assert results["unframed_tracks"] == ("warn" if unframed else "pass")


def test_frames_mean_nothing_at_other_rates(tmp_path: Path) -> None:
    assert album([write(tmp_path / "a.wav", music(5.0, 1, rate=48_000), 48_000)], []).values["unframed_tracks"] is None


def test_album_rules_of_the_disc(tmp_path: Path, cd: Profile) -> None:
    paths = [write(tmp_path / f"{i}.wav", music(s, i), subtype="PCM_16") for i, s in enumerate((6.0, 3.0))]
    (verdict,) = album(paths, [cd]).verdicts
    results = {finding.measure: finding.result for finding in verdict.findings}
    assert results["shortest_track_s"] == "fail"
    assert results["tracks"] == results["total_s"] == results["duplicate_tracks"] == "pass"


def test_one_broken_file_does_not_stop_the_rest(tmp_path: Path, streaming: Profile) -> None:
    paths = [write(tmp_path / f"{i}.wav", music(5.0, i)) for i in range(3)]
    paths[1].write_bytes(b"no sound at all")
    found = album([*paths, tmp_path / "gone.wav"], [streaming])
    assert [track.error is None for track in found.tracks] == [True, False, True, False]
    assert "not a sound file" in str(found.tracks[1].error)
    assert str(paths[1]) not in str(found.tracks[1].error)
    assert found.tracks[3].error == "no such file"
    assert found.tracks[1].result == found.result == "error"
    assert found.tracks[1].playback == ()
    assert found.tracks[1].verdicts == ()
    assert found.values["tracks"] == 4
    assert found.values["total_s"] == pytest.approx(10.0)
    assert [join.first for join in found.joins] == [0]
    assert of_kind(found, "unread")[0].tracks == (1, 3)


def test_nothing_but_broken_files(tmp_path: Path, streaming: Profile) -> None:
    found = album([tmp_path / "a.wav", tmp_path / "b.wav"], [streaming])
    assert found.result == "error"
    assert {key: value for key, value in found.values.items() if value is not None} == {
        "tracks": 2,
        "duplicate_tracks": 0,
    }


def test_an_album_of_nothing() -> None:
    found = album([], [])
    assert found.tracks == ()
    assert found.result == "pass"


def test_silence_and_short_tracks(tmp_path: Path, streaming: Profile) -> None:
    paths = [
        write(tmp_path / "1.wav", music(5.0, 1)),
        write(tmp_path / "2.wav", np.zeros((RATE * 5, 2))),
        write(tmp_path / "3.wav", music(0.2, 2)),
    ]
    found = album(paths, [streaming])
    assert [track.offset_lu is None for track in found.tracks] == [False, True, True]
    assert found.tracks[1].playback == ()
    assert [join.step_lu for join in found.joins] == [None, None]


def assert_same(a: Album, b: Album) -> None:
    """Equal in everything, and bit for bit in every array."""
    assert a == b
    for one, other in zip(a.tracks, b.tracks, strict=True):
        if one.measurement is not None and other.measurement is not None:
            for field in fields(one.measurement.series):
                np.testing.assert_array_equal(
                    getattr(one.measurement.series, field.name), getattr(other.measurement.series, field.name)
                )


@pytest.fixture
def mixed(tmp_path: Path) -> list[Path]:
    """Tracks with something of everything."""
    folder = tmp_path / "album"
    same = (30_000 * music(6.0, 1)).astype(np.int16)
    song = music(8.0, 5)
    write(folder / "1 a.wav", music(7.0, 0, 0.5))
    write(folder / "2 b.wav", same, subtype="PCM_16")
    write(folder / "3 b.flac", same, subtype="PCM_16")
    write(folder / "4 c.wav", music(5.0, 3, rate=48_000), 48_000)
    write(folder / "5 song.wav", song + music(8.0, 6, 0.3))
    write(folder / "5 song (instrumental).wav", np.concatenate([np.zeros((441, 2)), song]))
    write(folder / "10 mono.wav", music(4.0, 7)[:, 0])
    (folder / "11 broken.wav").write_bytes(b"RIFF")
    return list(find_tracks([folder]).paths)


@pytest.mark.parametrize("workers", [2, 8])
def test_parallel_equals_serial(workers: int, mixed: list[Path], streaming: Profile, cd: Profile) -> None:
    serial = album(mixed, [streaming, cd], workers=1, fresh=True)
    assert_same(serial, album(mixed, [streaming, cd], workers=workers, fresh=True))


def test_recalled_equals_measured(
    mixed: list[Path], streaming: Profile, cd: Profile, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = album(mixed, [streaming, cd])
    for name in ("same_samples", "delay"):

        def fail(*rest: object) -> None:
            raise AssertionError("a second run decodes nothing again")

        monkeypatch.setattr(album_module, name, fail)
    assert_same(first, album(mixed, [streaming, cd]))


def test_two_hundred_short_files(tmp_path: Path, streaming: Profile) -> None:
    folder = tmp_path / "album"
    sound = music(110.0, 9)
    for i in range(1, 201):
        write(folder / f"Track {i}.wav", sound[i * 20_000 : i * 20_000 + 22_050], subtype="PCM_16")
    tracks = find_tracks([folder])
    assert [path.stem for path in tracks.paths] == [f"Track {i}" for i in range(1, 201)]
    told: list[float] = []
    found = album(tracks.paths, [streaming], progress=told.append)
    assert sum(told) == pytest.approx(1.0)
    assert len(found.tracks) == found.values["tracks"] == 200
    assert found.values["duplicate_tracks"] == 0
    assert found.values["total_s"] == pytest.approx(100.0)
    assert_same(found, album(tracks.paths, [streaming]))


def test_progress_is_told_of_broken_and_recalled_files_too(mixed: list[Path]) -> None:
    for _ in range(2):
        told: list[float] = []
        album(mixed, [], progress=told.append)
        assert sum(told) == pytest.approx(1.0)
        assert min(told) >= 0.0


def test_only_the_changed_track_is_measured_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = [write(tmp_path / f"{i}.wav", music(5.0, i)) for i in range(4)]
    before = album(paths, [])
    write(paths[2], music(5.0, 2, 0.5))
    done: list[str] = []

    def counted(source: Any, **named: Any) -> Any:
        done.append(Path(source.name).name)
        return measure_source(source, **named)

    monkeypatch.setattr(store_module, "measure_source", counted)
    after = album(paths, [])
    assert done == ["2.wav"]
    assert after.tracks[2].offset_lu != before.tracks[2].offset_lu
    assert after.values["album_integrated_lufs"] != before.values["album_integrated_lufs"]


def test_same_audio_in_other_containers_with_other_tags(tmp_path: Path) -> None:
    words = (30_000 * music(6.0, 1)).astype(np.int16)
    paths = [write(tmp_path / "1.wav", words, subtype="PCM_16"), write(tmp_path / "2.wav", music(6.0, 2))]
    for name, kind in (("3.wav", "WAV"), ("4.flac", "FLAC"), ("5.aiff", "AIFF")):
        with soundfile.SoundFile(tmp_path / name, "w", RATE, 2, "PCM_16", format=kind) as file:
            file.title = f"Another title {name}"
            file.write(words)
        paths.append(tmp_path / name)
    found = album(paths, [])
    assert found.values["duplicate_tracks"] == 4
    (same,) = of_kind(found, "same_audio")
    assert same.tracks == (0, 2, 3, 4)
    assert len({track.sha256 for track in found.tracks}) == 5


def test_same_audio_with_other_words_or_gain(tmp_path: Path) -> None:
    frames = music(10.0, 1, 0.9)
    paths = [
        write(tmp_path / "1.wav", frames),
        write(tmp_path / "2.wav", frames, subtype="PCM_16"),
        write(tmp_path / "3.wav", 0.5 * frames),
        write(tmp_path / "4.wav", music(10.0, 2)),
    ]
    found = album(paths, [])
    assert found.values["duplicate_tracks"] == 2
    assert [o.tracks for o in of_kind(found, "same_audio")] == [(0, 1)]
    gains = of_kind(found, "same_audio_gain")
    assert [o.tracks for o in gains] == [(0, 2), (1, 2)]
    assert float(gains[0].values["gain_db"] or 0.0) == pytest.approx(-6.02, abs=0.01)


def test_same_audio_at_another_rate_or_without_its_dc_offset(tmp_path: Path) -> None:
    frames = music(10.0, 1, 0.9)
    converted = resample_poly(frames, 160, 147, axis=0)
    paths = [
        write(tmp_path / "1.wav", frames + 0.02),
        write(tmp_path / "2.wav", 0.5 * frames),
        write(tmp_path / "3.wav", converted, 48_000),
    ]
    first, second, third = album(paths, []).observations[-3:]
    assert [first.tracks, second.tracks, third.tracks] == [(0, 1), (0, 2), (1, 2)]
    assert [o.kind for o in (first, second, third)] == ["same_audio_gain", "same_audio", "same_audio_gain"]
    assert text(first) == "the same audio apart from -6.0 dB of gain and a DC offset that only one of them has"
    assert "apart from the sample rate, 44.1 and 48 kHz and a DC offset" in text(second)
    assert float(third.values["gain_db"] or 0.0) == pytest.approx(6.02, abs=0.1)


@pytest.mark.parametrize(
    ("loudness", "peak", "loudest", "highest", "gain", "withheld"),
    [
        (-8.0, -0.2, -8.0, -0.2, -6.0, 0.0),  # turned down
        (-20.0, -9.0, -20.0, -9.0, 6.0, 0.0),  # turned up
        (-20.0, -4.0, -20.0, -4.0, 3.0, 3.0),  # turned up as far as the peak lets it
        (-20.0, 0.5, -20.0, 0.5, 0.0, 6.0),  # past the limit already: not turned up, but not down either
        (-14.0, -1.0, -14.0, -1.0, 0.0, 0.0),
        (-18.0, -3.0, -10.0, -1.0, -4.0, 0.0),  # of an album: as the loudest
        (-24.0, -12.0, -20.0, -3.0, 2.0, 4.0),  # of an album: as the highest peak lets it
    ],
)
def test_playback(loudness: float, peak: float, loudest: float, highest: float, gain: float, withheld: float) -> None:
    """AES TD1008: to the level, and upwards no further than -1 dBTP. Worked by hand."""
    played = playback("album", -14.0, loudness, peak, loudest, highest)
    assert played.gain_db == pytest.approx(gain)
    assert played.withheld_db == pytest.approx(withheld)
    assert played.plays_lufs == pytest.approx(loudness + gain)
    assert played.true_peak_dbtp == pytest.approx(peak + gain)


def test_playback_of_an_album_keeps_the_distances(tmp_path: Path, streaming: Profile) -> None:
    paths = [write(tmp_path / f"{i}.wav", music(8.0, i, level)) for i, level in enumerate((1.0, 0.3))]
    quiet = load_profile("broadcast-r128")
    found = album(paths, [streaming, quiet, load_profile("cd")])
    for track in found.tracks:
        assert [(p.mode, p.level_lufs) for p in track.playback] == [
            ("track", -14.0), ("album", -14.0), ("track", -23.0), ("album", -23.0)
        ]  # fmt: skip
    loud, soft = (track.playback for track in found.tracks)
    assert loud[3].plays_lufs == pytest.approx(-23.0)
    offsets = [float(track.offset_lu or 0.0) for track in found.tracks]
    assert loud[3].plays_lufs - soft[3].plays_lufs == pytest.approx(offsets[0] - offsets[1])
    assert soft[3].gain_db == loud[3].gain_db
    assert [p.level_lufs for p in album(paths, []).tracks[0].playback] == [-14.0, -14.0]


def varied(tmp_path: Path, change: int = 2, **kinds: Any) -> list[Path]:
    """Five like tracks, of which one is made otherwise."""
    paths = []
    for i in range(5):
        own = kinds if i == change else {}
        frames = own.get("process", lambda x: x)(music(8.0, i, 0.8, own.get("rate", RATE)))
        name = f"{i}.{own.get('extension', 'wav')}"
        paths.append(write(tmp_path / name, frames, own.get("rate", RATE), own.get("subtype", "PCM_24")))
    return paths


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        ({"rate": 48_000}, [("sample_rate", "sample rate 48000 Hz; 4 of 5 tracks have 44100 Hz")]),
        ({"subtype": "PCM_16"}, [("word_length", "word length 16 bit; 4 of 5 tracks have 24 bit")]),
        ({"extension": "flac"}, [("container", "file type FLAC; 4 of 5 tracks have WAV")]),
        ({"process": lambda x: x[:, 0]}, [("channels", "channels 1; 4 of 5 tracks have 2")]),
        ({"process": lambda x: np.round(x * 32768.0) / 32768.0}, [("bits_used", "only 16 of its 24 bits in use")]),
        ({}, []),
    ],
)  # fmt: skip
def test_odd_formats(kinds: dict[str, Any], expected: Sequence[tuple[str, str]], tmp_path: Path) -> None:
    found = album(varied(tmp_path, **kinds), [])
    formats = {"sample_rate", "word_length", "container", "channels", "bits_used"}
    assert [(o.kind, text(o)) for o in found.observations if o.kind in formats] == expected
    assert all(o.tracks == (2,) for o in found.observations if o.kind in formats)


def test_a_loud_track_stands_out(tmp_path: Path) -> None:
    found = album(varied(tmp_path, process=lambda x: 0.3 * x), [])
    (loudness,) = of_kind(found, "loudness")
    assert loudness.tracks == (2,)
    assert float(loudness.values["difference_lu"] or 0.0) == pytest.approx(-10.5, abs=1.0)
    assert "quieter than the album's median" in text(loudness)
    assert not of_kind(found, "tone")
    assert not of_kind(found, "width")


def test_a_dull_track_stands_out(tmp_path: Path) -> None:
    """By a known filter: a Butterworth low-pass of second order at 2 kHz takes 10 log10(1 + (f / 2 kHz)^4) dB.

    Bent by the bilinear transform, and weighed by what the octave from 2.8 to 5.6 kHz holds.
    """
    sos = butter(2, 2000.0, fs=RATE, output="sos")
    found = album(varied(tmp_path, process=lambda x: sosfilt(sos, x, axis=0)), [])
    (dull,) = of_kind(found, "tone")
    assert dull.tracks == (2,)
    low, high = (10.0 * np.log10(1.0 + (f / 2000.0) ** 4) for f in (2818.0, 5623.0))
    assert -high - 1.0 < float(dull.values["octave_4_khz_db"] or 0.0) < -low - 1.0
    assert set(dull.values) == {"octave_4_khz_db", "octave_8_khz_db", "octave_16_khz_db"}


def test_octaves_follow_the_level(tmp_path: Path) -> None:
    noise = 0.05 * np.random.default_rng(1).standard_normal((RATE * 20, 2))
    a, b = (measure(write(tmp_path / f"{i}.wav", g * noise, subtype="FLOAT")) for i, g in enumerate((1.0, 0.1)))
    np.testing.assert_allclose(octaves(a) - octaves(b), 20.0, atol=0.01)
    # White noise: 3 dB an octave, and the power of both channels in all of them but for what lies below 22 Hz.
    assert np.diff(octaves(a)[3:9]) == pytest.approx(3.01, abs=0.5)
    total = 10.0 * np.log10(np.sum(10.0 ** (octaves(a) / 10.0)))
    assert total == pytest.approx(10.0 * np.log10(2.0 * 0.05**2), abs=0.1)


def narrow(frames: NDArray[np.float64], sides: float) -> NDArray[np.float64]:
    middle, side = frames.mean(axis=1), sides * (frames[:, 0] - frames[:, 1]) / 2.0
    return np.stack([middle + side, middle - side], axis=1)


def test_a_narrow_and_a_mono_track_stand_out(tmp_path: Path) -> None:
    found = album(varied(tmp_path, process=lambda x: narrow(x, 0.25)), [])
    (narrower,) = of_kind(found, "width")
    assert narrower.tracks == (2,)
    assert float(narrower.values["difference_db"] or 0.0) == pytest.approx(-12.04, abs=0.5)  # 20 log10(1/4)
    found = album(varied(tmp_path, process=lambda x: narrow(x, 0.0)), [])
    (mono,) = of_kind(found, "mono")
    assert mono.tracks == (2,)
    assert not of_kind(found, "width")


def test_two_tracks_make_no_median(tmp_path: Path) -> None:
    paths = [write(tmp_path / f"{i}.wav", music(8.0, i, level)) for i, level in enumerate((1.0, 0.05))]
    assert not of_kind(album(paths, []), "loudness")


def tone_track(level_dbfs: float, seconds: float, head: float = 0.0, tail: float = 0.0) -> NDArray[np.float64]:
    """997 Hz in both channels reads its own peak level in LUFS (BS.1770-5, Annex 1)."""
    time = np.arange(round(seconds * RATE)) / RATE
    sine = 10.0 ** (level_dbfs / 20.0) * np.sin(2.0 * np.pi * 997.0 * time)
    whole = np.concatenate([np.zeros(round(head * RATE)), sine, np.zeros(round(tail * RATE))])
    return np.stack([whole, whole], axis=1)


def test_the_step_from_track_to_track(tmp_path: Path) -> None:
    first = np.concatenate([tone_track(-10.0, 8.0), tone_track(-16.0, 4.0, tail=0.2)])
    second = np.concatenate([tone_track(-20.0, 4.0, head=0.1), tone_track(-12.0, 8.0)])
    third = tone_track(-12.5, 8.0, head=3.0)
    found = album([write(tmp_path / f"{i}.wav", each) for i, each in enumerate((first, second, third))], [])
    one, two = found.joins
    assert (one.first, one.second, two.first, two.second) == (0, 1, 1, 2)
    # 20 ms of silence are within reach of the 400 ms that the gate looks at: 0.05 LU of 3 s.
    assert one.end_lufs == pytest.approx(-16.0, abs=0.7)
    assert one.start_lufs == pytest.approx(-20.0, abs=0.7)
    assert one.step_lu == pytest.approx(-4.0, abs=0.7)
    assert one.silence_s == pytest.approx(0.3, abs=0.01)
    assert two.step_lu == pytest.approx(-0.5, abs=0.7)
    assert two.silence_s == pytest.approx(3.0, abs=0.01)
    (step,) = of_kind(found, "step")
    assert step.tracks == (0, 1)
    assert "drops by" in text(step)
    assert "without a pause" in text(step)


def test_a_fade_is_measured_where_it_is_still_programme(tmp_path: Path) -> None:
    """A fade of 10 s into nothing: what is 20 LU down does not count (EBU Tech 3342's gate)."""
    frames = np.concatenate([tone_track(-14.0, 20.0), tone_track(-14.0, 10.0)])
    frames[-10 * RATE :] *= np.logspace(0.0, -4.0, 10 * RATE)[:, None]  # 8 dB a second
    _, end = programme_ends(measure(write(tmp_path / "a.wav", frames, subtype="FLOAT")))
    # The last 3 s above -34.x LUFS: 10 log10 of the mean of 10^(-0.8 t) over t = 0 to 3 s, 24 dB above its end.
    t = np.linspace(0.0, 3.0, 10_001)
    closed = -34.3 + 24.0 + 10.0 * np.log10(np.mean(10.0 ** (-0.8 * t)))
    assert end == pytest.approx(closed, abs=2.0)


def test_long_silences(tmp_path: Path) -> None:
    tracks = [tone_track(-14.0, 5.0, 1.5, 0.5), tone_track(-14.0, 5.0, 0.2, 6.0), tone_track(-14.0, 5.0, 0.9, 4.9)]
    found = album([write(tmp_path / f"{i}.wav", each) for i, each in enumerate(tracks)], [])
    assert [(o.kind, o.tracks, text(o)) for o in found.observations if "silence" in o.kind] == [
        ("head_silence", (0,), "1.50 s of silence at the start"),
        ("tail_silence", (1,), "6.00 s of silence at the end"),
    ]


def test_versions_stand_beside_the_sequence(tmp_path: Path, streaming: Profile) -> None:
    backing, voice = music(12.0, 1, 0.5), music(12.0, 2, 0.3)
    late = np.concatenate([np.zeros((530, 2)), backing[:-530]])
    names = {
        "01 Song": backing + voice,
        "01 Song (Instrumental)": backing,
        "01 Song (A Cappella)": voice,
        "01 Song (TV)": late,
        "01 Song (Clean)": (backing + voice)[: -RATE // 2],
        "02 Other": music(12.0, 3, 0.8),
        "03 Lost (Instrumental)": music(12.0, 4, 0.8),
    }
    found = album([write(tmp_path / f"{name}.wav", frames) for name, frames in names.items()], [streaming])
    assert [track.number for track in found.tracks] == [1, None, None, None, None, 2, 3]
    assert found.values["tracks"] == 3
    assert found.values["total_s"] == pytest.approx(36.0)
    sequence = [track.measurement for track in found.tracks if track.number is not None]
    assert found.values["album_integrated_lufs"] == album_loudness([m for m in sequence if m is not None])
    assert [join.second for join in found.joins] == [5, 6]
    versions = [track.version for track in found.tracks]
    assert [v and v.main for v in versions] == [None, *[0] * 4, None, None]
    assert [round(v.later_s * RATE) for v in versions if v and v.later_s is not None] == [0, 0, 530, 0]
    about = [(o.kind, o.tracks, text(o)) for o in found.observations if o.kind.startswith("version")]
    assert about == [
        ("version_alone", (6,), "named like an alternate version, but no main version was found"),
        ("version_offset", (3, 0), "the music is 12.0 ms later than in its main version"),
        ("version_length", (4, 0), "500.0 ms shorter than its main version"),
    ]
    for track in found.tracks:
        assert [p.mode for p in track.playback] == (["track", "album"] if track.number else ["track"])
        assert len(track.verdicts) == 1


def test_a_version_that_is_its_main_version(tmp_path: Path) -> None:
    """The full mix exported under the instrumental's name."""
    frames = music(8.0, 1)
    paths = [write(tmp_path / "Song.wav", frames), write(tmp_path / "Song (Instrumental).wav", frames)]
    found = album(paths, [])
    assert [o.tracks for o in of_kind(found, "same_audio")] == [(0, 1)]
    assert found.values["duplicate_tracks"] == 0


def test_a_version_that_cannot_be_read_or_has_no_readable_main_version(tmp_path: Path) -> None:
    paths = [write(tmp_path / "Song.wav", music(5.0, 1)), tmp_path / "Song (Instrumental).wav"]
    version = album(paths, []).tracks[1].version
    assert version is not None
    assert (version.main, version.longer_s, version.later_s) == (0, None, None)
    turned = [tmp_path / "Gone.wav", write(tmp_path / "Gone (Instrumental).wav", music(5.0, 2))]
    version = album(turned, []).tracks[1].version
    assert version is not None
    assert (version.main, version.longer_s, version.later_s) == (0, None, None)


def test_a_version_of_other_music(tmp_path: Path) -> None:
    paths = [write(tmp_path / "Song.wav", music(9.0, 1)), write(tmp_path / "Song TV.wav", music(9.0, 2))]
    assert [o.kind for o in album(paths, []).observations] == ["version_unlike"]


def test_pattern_for_versions_of_the_users_own(tmp_path: Path) -> None:
    paths = [write(tmp_path / "Lied.wav", music(5.0, 1)), write(tmp_path / "Lied ohne Gesang.wav", music(5.0, 1, 0.5))]
    assert album(paths, []).values["tracks"] == 2
    assert album(paths, [], versions=" ohne gesang$").values["tracks"] == 1
    with pytest.raises(AlbumError):
        album(paths, [], versions="(")


def test_inputs_are_not_touched(mixed: list[Path]) -> None:
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in mixed}
    album(mixed, [])
    assert {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in mixed} == before
    assert len(list(mixed[0].parent.iterdir())) == len(mixed)
