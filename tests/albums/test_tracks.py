"""Finding an album's files, their order, and alternate versions by name. Names and limits are common practice."""

import os
import re
import unicodedata
from pathlib import Path

import numpy as np
import pytest

from master_check.albums.tracks import (
    AlbumError,
    Tracks,
    find_tracks,
    find_versions,
    lone_versions,
    natural,
    read_order,
)
from master_check.measurement.one_pass import measure
from tests.fuzz.mutations import seeds
from tests.signals import value


def names(tracks: Tracks) -> list[str]:
    return [path.name for path in tracks.paths]


def put(folder: Path, *files: str) -> Path:
    folder.mkdir(exist_ok=True)
    for name in files:
        (folder / name).write_bytes(b"x")
    return folder


@pytest.mark.parametrize(
    "expected",
    [
        ["1 a", "2 a", "10 a"],
        ["Track 2", "track 10", "Track 11"],
        ["a", "B", "c"],
        ["Disc 1-2", "Disc 1-10", "Disc 2-1"],
        ["01", "1", "002", "3"],
        ["Song", "Song 2", "Song 10"],
        ["eta", "Été 2", "été 10", "etude"],
        ["９ full width", "１０ full width"],
        ["٢", "９", "10", "١١"],
        ["2", "02 b", "2 c"],
        ["take 2 of 9", "take 2 of 10", "take 12 of 1"],
        ["99999999999999999999998", "99999999999999999999999"],
    ],
)
def test_natural_order(expected: list[str]) -> None:
    """2 before 10, capitals and accents as without, digits of all scripts by value."""
    paths = [Path(name + ".wav") for name in reversed(expected)]
    assert [p.stem for p in sorted(paths, key=natural)] == expected


def test_natural_order_is_the_same_from_any_start(tmp_path: Path) -> None:
    random = np.random.default_rng(0)
    paths = [Path(f"{n:0{width}d} x.wav") for n in range(30) for width in (1, 2, 3)]
    expected = sorted(paths, key=natural)
    for _ in range(5):
        assert sorted((paths[i] for i in random.permutation(len(paths))), key=natural) == expected
    assert [int(p.stem.split()[0]) for p in expected] == sorted(int(p.stem.split()[0]) for p in paths)


def test_finds_sound_files_and_counts_the_rest(tmp_path: Path) -> None:
    folder = put(
        tmp_path / "album", "2 b.WAV", "10 c.flac", "1 a.aif", "cover.jpg", "notes.txt", ".DS_Store", "._1 a.aif", "x"
    )
    (folder / "stems").mkdir()
    (folder / "odd.wav").mkdir()
    found = find_tracks([folder])
    assert names(found) == ["1 a.aif", "2 b.WAV", "10 c.flac"]
    assert found.skipped == 7


def test_files_keep_the_order_given_and_are_not_sorted_by_name(tmp_path: Path) -> None:
    folder = put(tmp_path / "album", "1.wav", "2.wav", "3.wav", "song.data")
    given = [folder / name for name in ("3.wav", "1.wav", "song.data", "3.wav")]
    found = find_tracks([*given, folder])
    assert names(found) == ["3.wav", "1.wav", "song.data", "2.wav"]
    assert found.skipped == 4  # a repeat, song.data by its name, and two that are there already


def test_a_file_that_is_not_there_is_left_to_the_measuring(tmp_path: Path) -> None:
    assert names(find_tracks([tmp_path / "gone.wav"])) == ["gone.wav"]


def test_folders_without_sound_are_named(tmp_path: Path) -> None:
    a, b = put(tmp_path / "a", "x.txt"), put(tmp_path / "b")
    with pytest.raises(AlbumError) as caught:
        find_tracks([a, b])
    assert caught.value.faults == [f"{a}: no sound files in this folder", f"{b}: no sound files in this folder"]


# Usual names of files of libsndfile's kinds, where they are not called as the kind.
CALLED = {"WAV": "wav", "WAVEX": "bwf", "AIFF": "aif", "OGG": "oga", "SVX": "8svx", "NIST": "sph", "MAT4": "mat"}


def test_a_folder_gives_what_can_be_read_and_nothing_else(tmp_path: Path) -> None:
    """A file of every kind that libsndfile can write, under its usual name: all that is found is measured."""
    for seed in {seed.container: seed for seed in seeds()}.values():
        suffix = CALLED.get(seed.container, seed.container.lower())
        (tmp_path / f"{seed.container}.{suffix}").write_bytes(seed.data())
    put(tmp_path, "a.raw", "b.txt", "c.jpg", "d", ".hidden.wav")
    found = find_tracks([tmp_path])
    assert {path.stem for path in found.paths} == {
        "WAV", "WAVEX", "RF64", "BW64", "W64", "AIFF", "CAF", "FLAC", "OGG", "MP3", "AU",
    }  # fmt: skip
    for path in found.paths:
        assert value(measure(path), "duration_s") == pytest.approx(0.5, abs=0.1)
    assert found.skipped >= 10 + 5


def order(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "order.txt"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize(
    "text", ["c.wav\na.wav\nb.wav\n", "\ufeffc.wav\r\n\r\n a.wav \r\nb.wav", "c.wav\na.wav\n\nb.wav"]
)
def test_order_file(text: str, tmp_path: Path) -> None:
    tracks = find_tracks([put(tmp_path / "album", "a.wav", "b.wav", "c.wav")])
    assert names(read_order(order(tmp_path, text), tracks)) == ["c.wav", "a.wav", "b.wav"]


def test_order_file_lists_everything_wrong(tmp_path: Path) -> None:
    tracks = find_tracks([put(tmp_path / "album", "a.wav", "b.wav", "c.wav")])
    path = order(tmp_path, "b.wav\nx.wav\nb.wav\ny.wav\n")
    with pytest.raises(AlbumError) as caught:
        read_order(path, tracks)
    assert caught.value.faults == [
        f"{path}: line 2: no such track: x.wav",
        f"{path}: line 3: b.wav is in line 1 already",
        f"{path}: line 4: no such track: y.wav",
        f"{path}: a.wav is not named; add a line or take the file away",
        f"{path}: c.wav is not named; add a line or take the file away",
    ]


@pytest.mark.parametrize(
    ("problem", "words"),
    [
        ("gone", "no such file"),
        ("folder", "not a file"),
        ("pipe", "not a file"),
        ("device", "not a file"),
        ("bytes", "not UTF-8 text (byte 0)"),
        ("long", "larger than 1 MB"),
        ("n" * 300, "cannot be read (File name too long)"),
    ],
)
def test_order_file_that_cannot_be_read(problem: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / problem
    if problem == "folder":
        path.mkdir()
    elif problem == "pipe":
        os.mkfifo(path)
    elif problem == "device":
        path = Path("/dev/zero")
    elif problem in ("bytes", "long"):
        path.write_bytes(b"\xff\xfe\x00" if problem == "bytes" else b"a.wav\n" * 200_000)
    with pytest.raises(AlbumError, match=re.escape(f"{path}: {words}") + "$"):
        read_order(path, Tracks(()))


def test_of_many_faults_the_first_are_told_and_the_rest_counted(tmp_path: Path) -> None:
    path = order(tmp_path, "x.wav\n" * 1000)
    with pytest.raises(AlbumError) as caught:
        read_order(path, Tracks(()))
    assert len(caught.value.faults) == 21
    assert caught.value.faults[-1] == f"{path}: and 980 more faults"


def test_order_file_in_another_form_of_unicode(tmp_path: Path) -> None:
    """One system composes é, another writes e and an accent."""
    name = "Caf\u00e9.wav"
    tracks = find_tracks([put(tmp_path / "album", unicodedata.normalize("NFD", name))])
    assert len(read_order(order(tmp_path, unicodedata.normalize("NFC", name)), tracks).paths) == 1


def test_order_file_names_paths_where_names_are_not_enough(tmp_path: Path) -> None:
    tracks = find_tracks([put(tmp_path / "cd1", "1.wav"), put(tmp_path / "cd2", "1.wav")])
    text = f"{tmp_path}/cd2/1.wav\n{tmp_path}/cd1/1.wav\n"
    assert [p.parent.name for p in read_order(order(tmp_path, text), tracks).paths] == ["cd2", "cd1"]


def test_versions_need_no_line_in_the_order_file(tmp_path: Path) -> None:
    tracks = find_tracks([put(tmp_path / "album", "a.wav", "b.wav", "b (Instrumental).wav")])
    assert names(read_order(order(tmp_path, "b.wav\na.wav"), tracks)) == ["b.wav", "a.wav", "b (Instrumental).wav"]


@pytest.mark.parametrize(
    "version",
    [
        "03 Song (Instrumental)", "03 Song [instrumental]", "03 Song - Instrumental", "03_Song_INST",
        "03 Song (Inst.)", "03 Song (A Cappella)", "03 Song acapella", "03 Song (acappella mix)", "03 Song - Clean",
        "03 Song (Clean Version)", "03 Song (TV)", "03 Song TV mix", "03 Song TV track", "03 Song (karaoke)",
        "03 Song (No Vocals)", "11 Song (TV Mix)", "Song (Instrumental)", "03 song_instrumental",
        "03 Song (censored)", "03 Song (backing track)",
    ],
)  # fmt: skip
def test_names_of_versions(version: str) -> None:
    paths = [Path(f"{name}.wav") for name in ("01 Other", "03 Song", version, "04 More")]
    assert find_versions(paths) == {2: 1}
    assert lone_versions(paths) == []


@pytest.mark.parametrize(
    "title", ["03 Cleaning", "03 Clean Hands", "03 Instrumental", "03 Song", "03 TV Eyes", "03 Song (Live)"]
)
def test_titles_that_are_no_versions(title: str) -> None:
    assert find_versions([Path("01 Hands.wav"), Path(f"{title}.wav"), Path("02 Song.wav")]) == {}


def test_a_version_with_a_suffix_behind_it() -> None:
    assert find_versions([Path("01 Song 24-96.wav"), Path("01 Song (Instrumental) 24-96.wav")]) == {1: 0}


def test_the_main_version_may_be_marked_too() -> None:
    assert find_versions([Path("Song (Explicit).wav"), Path("Song (Clean).wav"), Path("Song - main mix.flac")]) == {}
    assert find_versions([Path("Song (Explicit).wav"), Path("Song (Clean).wav")]) == {1: 0}


def test_without_a_main_version_a_track_is_a_track() -> None:
    paths = [Path("01 Come Clean.wav"), Path("02 Song (Instrumental).wav")]
    assert find_versions(paths) == {}
    assert lone_versions(paths) == [0, 1]


def test_pattern_of_the_users_own() -> None:
    paths = [Path("Lied.wav"), Path("Lied ohne Gesang.wav"), Path("Lied (Instrumental).wav")]
    assert find_versions(paths, r" ohne gesang$") == {1: 0}
    with pytest.raises(AlbumError, match="not a regular expression"):
        find_versions(paths, "(")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="permissions do not bind this user")
def test_a_folder_that_cannot_be_read(tmp_path: Path) -> None:
    folder = put(tmp_path / "album", "a.wav")
    folder.chmod(0)
    try:
        with pytest.raises(AlbumError, match="cannot be read"):
            find_tracks([folder])
    finally:
        folder.chmod(0o700)
