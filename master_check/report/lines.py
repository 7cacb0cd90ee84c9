"""Lines for a terminal of any width: no figure is cut off, and what belongs together stays on one line."""

import re
from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.text import Text

Cell = str | Text

FOLDED_UNDER = 2
"""Spaces in front of what a line has no room for, in the lines after it."""

_BREAK = re.compile(r" +(?!(?:dB\w*|LU\w*|LKFS|%|k?Hz|m?s|bit|samples)(?!\w)|\(\d)|(?<!\d) +")
"""Where a line may be broken: at spaces, but not between a figure and its unit, or what stands in brackets to it."""


def show(console: Console, lines: Iterable[Text]) -> None:
    """Print lines that are made already: nothing is wrapped or cut any more, and no line ends in blanks."""
    for line in lines:
        line.rstrip()
        console.print(line, soft_wrap=True)


def indented(lines: Iterable[Text], by: int) -> list[Text]:
    return [Text(" " * by) + line if line.plain else line for line in lines]


def flow(pieces: Iterable[Cell], width: int, gap: str = "   ") -> list[Text]:
    """Pieces beside each other, going on in the next line before one that has no room left.

    A piece stays in one piece unless it is longer than a whole line: then it is broken between words, and a word
    that is still too long anywhere.
    """
    lines: list[Text] = []
    for piece in map(_text, pieces):
        if lines and lines[-1].cell_len + len(gap) + piece.cell_len <= width:
            lines[-1].append(gap).append_text(piece)
        else:
            lines += _broken(piece, width)
    return lines


def prose(text: Cell, width: int) -> list[Text]:
    """A sentence, broken between words where it has to be."""
    return _broken(_text(text), width)


def clauses(sentence: str, width: int, style: str = "") -> list[Text]:
    """A sentence of figures, broken only behind commas, colons and semicolons; later lines stand further in.

    A name, its value and its unit are thus never parted.
    """
    parts: list[Cell] = []
    start = 0
    for end in [i + 1 for i in range(len(sentence) - 1) if sentence[i] in ",:;" and sentence[i + 1] == " "]:
        parts.append(Text(sentence[start:end], style=style))
        start = end + 1
    first, *rest = flow([*parts, Text(sentence[start:], style=style)], width - FOLDED_UNDER, gap=" ")
    return [first, *indented(rest, FOLDED_UNDER)]


def columns(
    heads: Sequence[str], rows: Sequence[Sequence[Cell]], width: int, names: int = 1, words: bool = False
) -> list[Text]:
    """A table, or, where it is too wide, an entry for each row: its names, then its other cells with their heads.

    Parameters
    ----------
    heads : sequence of str
        One for each column.
    rows : sequence of sequences
        Their cells. An entry leaves out those that are empty or a dash.
    width : int
        Characters in a line.
    names : int
        How many columns, from the first on, name the row. They are aligned left, all others right.
    words : bool
        The others are words, too: aligned left, and without their heads in an entry.
    """
    table = [[_text(cell) for cell in row] for row in rows]
    widths = [max(len(head), *(row[i].cell_len for row in table), 0) for i, head in enumerate(heads)]
    if sum(widths) + 2 * (len(heads) - 1) > width:
        if words:
            return [line for row in table for line in _entry([""] * len(heads), row, width, names)]
        title = prose(Text(heads[0], style="dim"), width) if names == 1 and heads[0] else []
        return title + [line for row in table for line in _entry(heads, row, width, names)]
    left = len(heads) if words else names
    head = _aligned([Text(head, style="dim") for head in heads], widths, left)
    return ([head] if head.plain.strip() else []) + [_aligned(row, widths, left) for row in table]


def _entry(heads: Sequence[str], row: Sequence[Text], width: int, names: int) -> list[Text]:
    figures = [
        Text.assemble((f"{head} " if head else "", "dim"), cell)
        for head, cell in zip(heads[names:], row[names:], strict=True)
        if cell.plain not in ("", "–")
    ]
    named = flow([cell for cell in row[:names] if cell.plain], width, gap="  ")
    return named + indented(flow(figures, width - 2), 2)


def _aligned(cells: Sequence[Text], widths: Sequence[int], left: int) -> Text:
    line = Text()
    for i, (cell, width) in enumerate(zip(cells, widths, strict=True)):
        padding = " " * (width - cell.cell_len)
        line.append("  " if i else "")
        line = line.append_text(cell).append(padding) if i < left else line.append(padding).append_text(cell)
    return line


def _broken(text: Text, width: int) -> list[Text]:
    if text.cell_len <= width:
        return [text.copy()]
    lines: list[Text] = []
    for word in _words(text):
        if lines and lines[-1].cell_len + 1 + word.cell_len <= width:
            lines[-1].append(" ").append_text(word)
        else:
            lines += _folded(word, width)
    return lines


def _words(text: Text) -> list[Text]:
    cuts = [cut for match in _BREAK.finditer(text.plain) for cut in match.span()]
    words = text.divide(cuts)[::2]
    for word in words:
        word.rstrip()
    return list(words)


def _folded(word: Text, width: int) -> list[Text]:
    lines = [Text()]
    for character in word.divide(range(1, len(word))) if word.cell_len > width else [word.copy()]:
        if lines[-1].plain and lines[-1].cell_len + character.cell_len > width:
            lines.append(Text())
        lines[-1].append_text(character)
    return lines


def _text(cell: Cell) -> Text:
    return cell if isinstance(cell, Text) else Text(cell)
