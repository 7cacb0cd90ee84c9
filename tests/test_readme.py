"""The README says what the program says."""

from tests.readme import README, rendered


def test_generated_parts_are_those_of_the_program() -> None:
    text = README.read_text("utf-8")
    assert rendered(text) == text, "run `python -m tests.readme`"


def test_the_first_paragraph_states_the_job() -> None:
    first = README.read_text("utf-8").split("\n\n")[1]
    assert first.startswith("`sendoff` is the last check")
