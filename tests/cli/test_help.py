"""Help that fits a terminal of 80 columns, says what is so, and has examples that run."""

import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
import pytest
from click.testing import CliRunner

from master_check.cli import cli
from master_check.limiting.limiter import LOOK_AHEAD_MS, RELEASE_MS
from tests.signals import programme, write


def commands(group: click.Group, above: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    for name, command in group.commands.items():
        yield (*above, name), command
        if isinstance(command, click.Group):
            yield from commands(command, (*above, name))


COMMANDS = dict([((), cli), *commands(cli)])

every_command = pytest.mark.parametrize("words", COMMANDS, ids=lambda words: " ".join(words) or "sendoff")


def help_of(words: tuple[str, ...], width: int = 80) -> list[str]:
    result = CliRunner().invoke(cli, [*words, "--help"], prog_name="sendoff", terminal_width=width)
    assert result.exit_code == 0
    return result.stdout.splitlines()


@every_command
def test_nothing_is_cut_off_at_80_columns(words: tuple[str, ...]) -> None:
    lines = help_of(words)
    assert max(map(len, lines)) <= 80
    for line in lines:
        assert line.startswith("Usage:") or not line.endswith("..."), line
        assert line == line.rstrip(), repr(line)


@every_command
def test_every_command_and_option_says_what_it_does(words: tuple[str, ...]) -> None:
    command = COMMANDS[words]
    first, *_ = (command.help or "").splitlines()
    assert first.endswith("."), "the first line is what the list of commands shows"
    for parameter in command.params:
        assert not isinstance(parameter, click.Option) or parameter.help, parameter.name


def test_the_defaults_of_the_simulated_limiter_are_those_in_its_help() -> None:
    text = " ".join(" ".join(help_of(("plan",), 200)).split())
    assert f"Look-ahead of the simulated limiter. [default: {LOOK_AHEAD_MS:g}]" in text
    assert f"Release time of your limiter. [default: {RELEASE_MS:g}]" in text


def examples() -> list[str]:
    return [line.strip() for words in COMMANDS for line in help_of(words) if line.strip().startswith("sendoff ")]


def test_there_are_examples() -> None:
    assert {line.split()[1] for line in examples()} >= {"album", "check", "compare", "plan"}


OTHERS = ("sendoff profiles list", "sendoff profiles show cd", "sendoff quantities", "sendoff schema profile")


@pytest.mark.parametrize("line", [*examples(), *OTHERS])
def test_examples_run_and_no_line_ends_in_blanks(line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SENDOFF_CACHE", str(tmp_path / "cache"))
    frames = programme(4.0, rate=44_100)
    (tmp_path / "masters").mkdir()
    for name in ("mix.wav", "premaster.wav", "master.wav", "masters/1.wav", "masters/2.wav"):
        write(tmp_path / name, frames / np.abs(frames).max() / 2.0, 44_100)
    (tmp_path / "stems").mkdir()
    for name, gain in (("stems/one.wav", 0.7), ("stems/two.wav", 0.3)):
        write(tmp_path / name, gain * frames / np.abs(frames).max() / 2.0, 44_100)
    write(tmp_path / "rough.mp3", frames / np.abs(frames).max() / 4.0, 44_100, "MPEG_LAYER_III", "MP3")
    (tmp_path / "sequence.txt").write_text("2.wav\n1.wav\n")
    monkeypatch.chdir(tmp_path)
    # The page goes on until it is ended; tests/page has it run.
    monkeypatch.setattr(
        "master_check.page.serve.serve", lambda *given, ready, **options: ready("http://127.0.0.1:1/x/")
    )
    (_, *words) = shlex.split(line.partition(">")[0])
    if "catalogue" in words and "masters/" not in words:
        CliRunner().invoke(cli, ["catalogue", "masters/", "--out", "vault.parquet"], catch_exceptions=False)
    if "--verify" in words:
        CliRunner().invoke(cli, ["deliver", "master.wav", "-p", "cd", "--to", "out"], catch_exceptions=False)
    expanded = [found for word in words for found in (sorted(map(str, Path().glob(word))) if "*" in word else [word])]
    result = CliRunner().invoke(cli, expanded, catch_exceptions=False)
    assert result.exit_code in (0, 1), result.output
    assert result.stdout
    assert [line for line in result.stdout.splitlines() if line != line.rstrip()] == []
