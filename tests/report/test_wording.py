"""Every kind of thing that can be found has its words, and the words hold the figures."""

from dataclasses import replace
from typing import Literal, get_args

import pytest

from master_check.albums.consistency import Kind
from master_check.alignment.align import Alignment
from master_check.alignment.edits import Edit
from master_check.limiting.plan import Levels, Need, Plan, Setting
from master_check.report.wording import album, comparison, figures, plan, verdicts

EDITS: tuple[Literal["cut", "inserted", "moved", "repeated"], ...] = ("cut", "inserted", "moved", "repeated")

STRAIGHT = Alignment(-1.25, -55125.0, False, 6.5, 0.98, 60.0, 44_100, 44_100)


def test_every_kind_of_observation_has_its_words() -> None:
    assert set(album._TEXTS) == set(get_args(Kind))


@pytest.mark.parametrize("need", get_args(Need))
def test_every_need_of_a_premaster_has_its_words(need: Need) -> None:
    levels = Levels(-18.0, -6.0, -6.2, 12.0)
    plain = None if need == "unmeasurable" else Setting(4.0, None, None, Levels(-14.0, -2.0, -2.2, 12.0), None, None)
    found = Plan(need, -14.0, -1.0, 3.0, 2.0, 80.0, levels, plain)
    lines = plan.summary(found)
    assert lines and all("None" not in line and "nan" not in line for line in lines)
    assert plan.headline(found, "streaming").count("streaming") == 1


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"swapped": True}, "left and right are swapped in the master"),
        ({"inverted_channel": "left"}, "only the left channel of the master is inverted"),
        ({"right_later_s": 0.0002}, "the master's right channel is 0.200 ms later than its left"),
        ({"right_later_s": -0.0002}, "the master's right channel is 0.200 ms earlier than its left"),
        ({"folded": True}, "the master is mono, the premaster is not"),
    ],
)
def test_what_happened_to_the_channels_is_told(changed: dict[str, object], words: str) -> None:
    assert comparison._channels(STRAIGHT) == []
    assert comparison._channels(replace(STRAIGHT, **changed)) == [words]  # type: ignore[arg-type]


def test_every_edit_is_told() -> None:
    told = [comparison.edit(Edit(kind, 61.5, None if kind == "inserted" else 10.0, 2.0)) for kind in EDITS]
    assert told == [
        "cut: 2.00 s at 1:01.500 in the master, from 0:10.000 in the premaster",
        "inserted: 2.00 s at 1:01.500 in the master, not in the premaster",
        "moved: 2.00 s at 1:01.500 in the master, from 0:10.000 in the premaster",
        "repeated: 2.00 s at 1:01.500 in the master, from 0:10.000 in the premaster",
    ]


def test_many_edits_are_counted() -> None:
    many = replace(STRAIGHT, edits=(Edit("inserted", 1.0, None, 1.0),) * 12)
    lines = comparison._edits(many)
    assert len(lines) == comparison.MOST_EDITS + 1
    assert lines[-1] == "2 more edits"


@pytest.mark.parametrize(
    ("value", "words"), [(1.25, "+1.2 dB"), (-0.04, "0.0 dB"), (0.0, "0.0 dB"), (-3.16, "-3.2 dB"), (None, "–")]
)
def test_a_difference_has_its_sign_and_nothing_has_none(value: float | None, words: str) -> None:
    assert figures.signed(value, "dB") == words


def test_names_in_a_row() -> None:
    assert [verdicts.listed("abc"[:n]) for n in range(4)] == ["", "a", "a and b", "a, b and c"]
