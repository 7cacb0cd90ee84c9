"""A slice of the fuzz test that is quick enough for every run of the tests; `python -m tests.fuzz.long` goes on."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.fuzz.harness import Command, Feeder, faults_of_check, faults_of_end, needs_fork
from tests.fuzz.mutations import Case, profile_case, sound_case

pytestmark = needs_fork

SEED = 1
BATCH = 40


@pytest.fixture(scope="module")
def feeder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Feeder]:
    with Command(tmp_path_factory.mktemp("fuzz")) as command:
        yield Feeder(command)


@pytest.mark.parametrize("first", range(0, 240, BATCH))
def test_mutated_sound_files(feeder: Feeder, first: int) -> None:
    cases = {number: sound_case(SEED, number) for number in range(first, first + BATCH)}
    faults = feeder.sounds(cases)
    assert not faults, {number: (cases[number].story, found) for number, found in faults.items()}


@pytest.mark.parametrize("first", range(0, 40, 10))
def test_mutated_profiles(feeder: Feeder, first: int) -> None:
    cases = {number: profile_case(SEED, number) for number in range(first, first + 10)}
    faults = {number: (case.story, found) for number, case in cases.items() if (found := feeder.profile(case))}
    assert not faults


def test_most_cases_are_refused_and_some_are_not(feeder: Feeder) -> None:
    """A mutation that changes nothing, or one after which nothing is ever measured, would test nothing."""
    cases = {number: sound_case(SEED + 1, number) for number in range(BATCH)}
    before = feeder.refused
    assert not feeder.sounds(cases)
    assert 0.2 * BATCH < feeder.refused - before < BATCH


def test_the_harness_sees_a_hang_a_crash_and_memory_that_runs_out(feeder: Feeder) -> None:
    hung = feeder.command("check", "--json", feeder.good, seconds=0.0)
    assert faults_of_end(hung)[0].startswith("hangs")
    starved = feeder.command("check", "--json", feeder.good, memory=0, seconds=3.0)
    assert faults_of_check(starved, [feeder.good], {})


def test_the_harness_sees_a_good_file_that_is_called_bad(feeder: Feeder) -> None:
    path = feeder.command.folder / "bad.wav"
    path.write_bytes(b"RIFF")
    answer = feeder.command("check", "--json", path)
    assert faults_of_check(answer, [path], {}) == []
    assert faults_of_check(answer, [Path("other.wav")], {}) != []
    assert feeder.profile(Case(b"", "an empty profile")) == []
