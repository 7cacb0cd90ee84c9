"""Lines of any width: nothing is lost, nothing is too long, and what belongs together stays together."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.text import Text

from master_check.report.lines import clauses, columns, flow, indented, prose

words = st.text("abc de(,;: 1é漢", max_size=60)
widths = st.integers(4, 80)


def letters(lines: list[Text]) -> str:
    return re.sub(r"\s", "", "".join(line.plain for line in lines))


@given(st.lists(words, max_size=8), widths)
def test_pieces_stay_whole_where_a_line_has_room(pieces: list[str], width: int) -> None:
    lines = flow(pieces, width)
    assert letters(lines) == re.sub(r"\s", "", "".join(pieces))
    assert all(line.cell_len <= width for line in lines)
    for piece in pieces:
        if cell_len(piece) <= width:
            assert any(piece in line.plain for line in lines)


@given(words, widths)
def test_sentences_lose_nothing(sentence: str, width: int) -> None:
    for lines in (prose(sentence, width), clauses(sentence, width)):
        assert letters(lines) == re.sub(r"\s", "", sentence)
        assert all(line.cell_len <= width for line in lines)


@pytest.mark.parametrize("width", range(20, 60))
def test_a_figure_is_not_parted_from_its_unit_or_its_brackets(width: int) -> None:
    sentence = "works hardest at 0:24.040 (8.3 dB), 82 % of the time, and reads -9.0 LUFS at 44.1 kHz in 24 bit"
    for lines in (prose(sentence, width), clauses(sentence, width)):
        shown = [line.plain for line in lines]
        for figure in ("0:24.040 (8.3 dB)", "82 %", "-9.0 LUFS", "44.1 kHz", "24 bit"):
            assert any(figure in line for line in shown), (figure, shown)


def test_clauses_are_broken_behind_commas_and_stand_further_in() -> None:
    shown = [line.plain for line in clauses("gain reduction: 5.6 dB at most, mean 1.6 dB", 33)]
    assert shown == ["gain reduction: 5.6 dB at most,", "  mean 1.6 dB"]


def test_a_table_with_room_is_aligned_and_one_without_is_a_list() -> None:
    rows = [["one", "-9.8 LUFS", "–"], ["another", "0.6 LUFS", "3"]]
    assert [line.plain for line in columns(["file", "loudness", "n"], rows, 40)] == [
        "file      loudness  n",
        "one      -9.8 LUFS  –",
        "another   0.6 LUFS  3",
    ]
    assert [line.plain for line in columns(["file", "loudness", "n"], rows, 20)] == [
        "file",
        "one",
        "  loudness -9.8 LUFS",
        "another",
        "  loudness 0.6 LUFS",
        "  n 3",
    ]


def test_empty_lines_are_not_indented() -> None:
    assert [line.plain for line in indented([Text("a"), Text()], 2)] == ["  a", ""]
