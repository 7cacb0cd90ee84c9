"""Results are written whole or not at all, never over an input; through symbolic links by the same rules."""

import os
from pathlib import Path

import pytest

from master_check.output import OutputError, abandon, check_target, temporary_folder, write_whole

pytestmark = pytest.mark.skipif(os.name == "nt", reason="who may make symbolic links there is another matter")


def refused(path: Path, *inputs: Path, force: bool = False) -> str:
    """The reason, without the path."""
    with pytest.raises(OutputError) as caught:
        check_target(path, inputs, force)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    return text.removeprefix(f"{path}: ")


@pytest.fixture
def link(tmp_path: Path) -> Path:
    """A link into another folder, to a page that is there."""
    (tmp_path / "pages").mkdir()
    (tmp_path / "pages" / "real.html").write_text("before")
    link = tmp_path / "link.html"
    link.symlink_to("pages/real.html")
    return link


def test_a_link_to_a_page_needs_force_and_stays_a_link(link: Path) -> None:
    assert refused(link) == "is there already; use --force to replace it"
    check_target(link, [], force=True)
    write_whole(link, "after")
    assert link.is_symlink() and link.readlink() == Path("pages/real.html")
    assert (link.parent / "pages" / "real.html").read_text() == "after"
    assert [path.name for path in (link.parent / "pages").iterdir()] == ["real.html"]


@pytest.mark.parametrize("steps", [1, 2])
def test_a_link_to_an_input_is_refused_whatever_is_forced(tmp_path: Path, steps: int) -> None:
    song = tmp_path / "song.wav"
    song.write_bytes(b"sound")
    target = song
    for step in range(steps):
        link = tmp_path / f"link{step}"
        link.symlink_to(target)
        target = link
    assert refused(target, song, force=True) == "is one of the files to be read; choose another name"
    # Nor the other way round: the input is named by a link.
    assert refused(song, target, force=True) == "is one of the files to be read; choose another name"


def test_a_link_that_leads_nowhere_is_written_where_it_leads(tmp_path: Path) -> None:
    link = tmp_path / "link.html"
    link.symlink_to(tmp_path / "new.html")
    check_target(link, [], force=False)
    write_whole(link, "page")
    assert link.is_symlink() and (tmp_path / "new.html").read_text() == "page"


def test_links_to_what_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    for name, leads, words in (
        ("a", tmp_path / "missing" / "a.html", f"there is no folder {tmp_path / 'missing'}"),
        ("b", tmp_path / "folder", "is a folder; name a file"),
        ("c", tmp_path / "pipe", "is not a regular file; name one"),
        ("d", Path("/dev/null"), "is not a regular file; name one"),
        ("e", tmp_path / "e", "is a symbolic link that leads round in a circle; choose another name"),
    ):
        link = tmp_path / name
        link.symlink_to(leads)
        assert refused(link, force=True) == words
        if name in "ae":
            with pytest.raises(OutputError):
                write_whole(link, "page")
            assert link.is_symlink()


def test_what_is_unfinished_is_taken_away_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    with temporary_folder("kept") as folder:
        (folder / "a").write_text("a")
        assert folder.parent == tmp_path
        abandon()
        assert list(tmp_path.iterdir()) == []
        folder.mkdir()
    write_whole(tmp_path / "page.html", "page")
    abandon()
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]
