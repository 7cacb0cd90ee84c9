"""The demo EP: exactly the faults that were planted come out, and `compare` tells how each pair was made."""

from pathlib import Path, PurePath
from typing import Any, cast

import numpy as np
import pytest

from demo.make_demo import EVERY_MASTER_BREAKS, LOUD, RECEIVED, TRACKS, File, Track, make
from demo.stems import SESSIONS, Session
from master_check import Stems, check, stems
from master_check.albums.tracks import find_tracks
from master_check.judgement.profile_files import load_profile
from master_check.judgement.verdict import Verdict, judge
from master_check.measurement.one_pass import measure_kept
from master_check.pair.comparison import Comparison, compare
from master_check.rehearsal.rehearse import limited, peaks_of
from master_check.report.wording.balance import mix_summary
from master_check.report.wording.comparison import summary

PROFILES: dict[File, list[Any]] = {"premaster": ["premaster"], "master": ["streaming", "cd"]}
CASES = [(track, file) for track in TRACKS for file in ("premaster", "master")]

pytestmark = pytest.mark.xdist_group("demo")


@pytest.fixture(scope="module")
def ep(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("ep")
    files = [track.path(file) for track in TRACKS for file in ("premaster", "master")]
    made = make(out)
    files.insert(4, LOUD)
    assert made[: len(files) + 1] == [out / path for path in (*files, RECEIVED)]
    assert all(path.is_relative_to(out / "stems") for path in made[len(files) + 1 :])
    return out


def named(case: Any) -> str:
    return f"{case.number}" if isinstance(case, Track) else str(case)


def broken(verdicts: list[Verdict]) -> set[str]:
    return {f"{verdict.profile}/{finding.measure}" for verdict in verdicts for finding in verdict.broken()}


@pytest.mark.parametrize(("track", "file"), CASES, ids=named)
def test_exactly_the_planted_faults_are_found(ep: Path, track: Track, file: File) -> None:
    measurement, verdicts = check(ep / track.path(file), PROFILES[file])
    faults = [fault for fault in track.faults if fault.file == file]
    planted = {rule for fault in faults for rule in fault.breaks}
    assert broken(verdicts) == planted | (set(EVERY_MASTER_BREAKS) if file == "master" else set())
    for figure in (figure for fault in faults for figure in fault.figures):
        value = measurement.values[figure.measure]
        assert isinstance(value, (int, float)), figure
        assert figure.low <= value <= figure.high, figure
    if file == "master":
        assert measurement.values["integrated_lufs"] == pytest.approx(track.integrated_lufs, abs=0.1)
    else:
        for side in ("left", "right", "mid", "side"):  # compressed on the mix bus (demo README), no more
            for kind in ("saturation", "pinned"):
                found = measurement.values[f"{kind}_{side}_percent"]
                assert isinstance(found, float) and found < 0.5, (kind, side)


ORIGINS = {
    TRACKS[0].path("master"): {"word_length"},  # 16 bits, padded
    TRACKS[2].path("master"): {"sample_rate"},  # made at 44.1 kHz, converted to 48 kHz
    RECEIVED: {"encode", "bandwidth"},  # an MP3, with its encoder's low-pass
    TRACKS[4].path("master"): set(),
}
"""What a file has been through before."""


@pytest.mark.parametrize("path", ORIGINS, ids=lambda path: path.stem)
def test_exactly_the_planted_origins_are_found(ep: Path, path: Path) -> None:
    measurement, _ = check(ep / path, origin=True)
    assert measurement.origin is not None
    found = {finding.kind for finding in measurement.origin if finding.result == "found"}
    assert found == ORIGINS[path]
    if path == RECEIVED:
        assert measurement.values["source_codec"] == "MP3"
    if "sample_rate" in found:
        assert measurement.values["source_rate_hz"] == 44_100


OVERSHOOTS = {
    LOUD: {"AAC at 128 kbit/s", "Opus at 128 kbit/s"},
    TRACKS[4].path("master"): set(),
}
"""What goes over full scale; the others of `REHEARSED` do not."""

REHEARSED = {"AAC at 128 kbit/s", "Opus at 128 kbit/s", "MP3 at 128 kbit/s", "48 kHz"}


@pytest.mark.parametrize("path", OVERSHOOTS, ids=lambda path: path.stem)
def test_only_the_loud_master_overshoots_and_only_in_low_rate_encodes(ep: Path, path: Path) -> None:
    streaming = load_profile("streaming")
    rehearsals = [rehearsal for rehearsal in limited(streaming) if rehearsal.name in REHEARSED]
    assert {rehearsal.name for rehearsal in rehearsals} == REHEARSED
    measurement, kept = measure_kept(ep / path)
    with kept:
        peaks = peaks_of(measurement, kept, rehearsals)
    assert judge(measurement, streaming).result == "pass"
    assert {each.rehearsal.name for each in peaks if each.over_db > 0.0} == OVERSHOOTS[path]


def test_the_masters_are_an_album_folder(ep: Path) -> None:
    assert [path.name[:2] for path in find_tracks([ep / "masters"]).paths] == ["01", "02", "03", "04", "05"]


def compared(ep: Path, number: int) -> tuple[Track, Comparison]:
    track = TRACKS[number - 1]
    return track, compare(ep / track.path("premaster"), ep / track.path("master"))


def test_compare_finds_a_limiter_and_a_compressor_and_no_saturation(ep: Path) -> None:
    track, found = compared(ep, 1)
    assert found.alignment.offset_samples == pytest.approx(-track.chain.head_cut, abs=0.2)
    assert all(side.clip_dbfs is None for side in found.saturation.sides)
    assert max(side.thd_percent or 0.0 for side in found.saturation.sides) < 0.5
    assert found.change.gain_reduction_p95_db is not None and 0.5 < found.change.gain_reduction_p95_db < 4.0
    assert "no saturation found" in " ".join(summary(found))


@pytest.mark.parametrize(("number", "ceiling"), [(2, 0.0), (3, -4.7)])
def test_compare_finds_clipping_and_its_level(ep: Path, number: int, ceiling: float) -> None:
    track, found = compared(ep, number)
    # Of a converted pair, the master's clock counts.
    expected = -track.chain.head_cut * track.chain.sample_rate / 44_100
    assert found.alignment.offset_samples == pytest.approx(expected, abs=0.5)
    left = found.saturation.side("left")
    assert left.clip_dbfs == pytest.approx(ceiling, abs=0.1)
    assert found.change.gain_reduction_max_db is not None and found.change.gain_reduction_max_db < 1.0
    assert "left clipped" in " ".join(summary(found))


def test_compare_finds_plain_gain_and_eq_under_an_offset(ep: Path) -> None:
    track, found = compared(ep, 4)
    assert found.differences["integrated_lufs"] == pytest.approx(track.chain.gain_db, abs=0.2)
    assert max(side.thd_percent or 0.0 for side in found.saturation.sides) < 0.1


def test_compare_finds_the_saturated_sides_and_clears_the_middle(ep: Path) -> None:
    track, found = compared(ep, 5)
    side, mid = found.saturation.side("side"), found.saturation.side("mid")
    assert found.saturation.domain == "mid_side"
    # The desk's curve is tanh(drive x / peak) of the side's highest sample; the reading is for the level that one
    # sample in ten thousand exceeds, which lies some decibels lower: it must read less, and not by much.
    drive = track.chain.side_drive
    assert drive is not None
    wave = np.tanh(drive * np.sin(2 * np.pi * np.arange(4096) / 4096))
    harmonics = np.abs(np.fft.rfft(wave))
    at_highest = 100 * np.sqrt(np.sum(harmonics[2:1000] ** 2)) / harmonics[1]
    assert side.thd_percent is not None and mid.thd_percent is not None
    assert 0.5 * at_highest < side.thd_percent < at_highest
    assert mid.thd_percent < 0.5
    assert "sides saturated" in " ".join(summary(found))
    bands = {band.hz: band.level_change_db for band in found.change.bands}
    assert bands[12500.0] is not None and bands[1000.0] is not None
    assert bands[12500.0] - bands[1000.0] == pytest.approx(3.0, abs=1.0)  # the high shelf of 3 dB


@pytest.fixture(scope="module", params=SESSIONS, ids=lambda session: session.title)
def sheet(ep: Path, request: pytest.FixtureRequest) -> tuple[Session, Stems]:
    session = cast("Session", request.param)
    return session, stems(ep / session.folder, mix=ep / session.made, rough=ep / session.rough)


def test_exactly_the_faults_of_the_stems_are_found(sheet: tuple[Session, Stems]) -> None:
    session, found = sheet
    assert found.balance is not None and found.balance.mix is not None and found.balance.rough is not None

    mix = found.balance.mix
    for stem in mix.stems:
        name = PurePath(stem.path).stem.replace(" ", "_")
        assert stem.missing == (name in session.left_out), name
        if stem.missing:
            continue
        assert stem.level.inverted == (name in session.inverted), name
        assert stem.delay_samples == -session.late.get(name, 0), name
        if stem.level.gain_db is not None:
            assert stem.level.gain_db == pytest.approx(-session.gains_db.get(name, 0.0), abs=0.1), name
    assert {PurePath(stem.path).stem for stem in mix.stems if stem.level.gain_db is None} == set(session.left_out)
    assert not mix.nulls
    assert mix.complete
    told = "\n".join(mix_summary(mix))
    assert ("compression or limiting on the bus" in told) == (session.mix is not None)  # the EP's mixes are glued
    assert "equalised" not in told

    rough = found.balance.rough
    known = {PurePath(each.path).stem.replace(" ", "_"): each for each in rough.stems if each.difference_db is not None}
    assert set(session.rough_db) <= set(known)
    for name, each in known.items():
        assert each.difference_db == pytest.approx(session.rough_db.get(name, 0.0), abs=each.within_db), name
    assert rough.alignment.offset_samples == pytest.approx(session.rough_late, abs=2.0)
    assert rough.extra is None


def test_only_what_is_wrong_with_single_stems_is_told(sheet: tuple[Session, Stems]) -> None:
    session, found = sheet
    broken = {
        (stem.name, finding.measure)
        for stem in found.stems
        for verdict in stem.verdicts
        for finding in verdict.broken()
    }
    hot = {(f"bass/{name}.wav", "sample_peak_dbfs") for name, gain in session.gains_db.items() if gain > 0.0}
    hums = {("bass/bass.wav", "hum_dbfs")} if "bass" in session.added else set()
    assert broken == hot | hums
    told = {(each.kind, *(found.stems[place].name for place in each.stems)) for each in found.remarks}
    planted = {"bass": ("rumble", "bass/bass.wav"), "snare": ("ringing", "drums/snare.wav")}
    assert told == {planted[name] for name in session.added}
    for stem in found.stems:
        if stem.name == "bass/bass.wav" and hums:
            assert stem.values["hum_hz"] == pytest.approx(50.0, abs=0.5)
            assert stem.values["hum_dbfs"] == pytest.approx(-54.0 + 3.0, abs=1.0)  # on the scale on which a sine peaks
        if stem.name == "drums/snare.wav" and session.added:
            assert stem.values["ringing_hz"] == pytest.approx(1870.0, rel=0.01)
