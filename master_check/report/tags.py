"""What files say of themselves, for the terminal: the verdict, what breaks a rule, then every statement."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from master_check.judgement.tags import TaggedFile
from master_check.report.lines import Cell, columns, flow, indented, prose, show
from master_check.report.terminal import INDENT, STYLES, print_file_head
from master_check.report.wording.tags import MOST_FIELDS, NOTHING, TITLES, more, shown
from master_check.report.wording.verdicts import RULES
from master_check.text import visible

_LONGEST = 200
"""Characters of a text that the terminal shows."""


def print_tags(console: Console, files: Sequence[TaggedFile]) -> None:
    """One file after the other."""
    for file in files:
        if file.checked.measurement is None:
            continue  # its one line went to standard error
        print_file_head(console, file.checked)
        console.print()
        _print_fields(console, file)
        console.print()


def _print_fields(console: Console, file: TaggedFile) -> None:
    assert file.checked.measurement is not None
    width, rate = console.width - INDENT, file.checked.measurement.format.rate
    rows: list[list[Cell]] = []
    for field in file.fields[:MOST_FIELDS]:
        word = Text(RULES[field.result] if field.result != "skip" else "", style=STYLES[field.result])
        stated, measured = (visible(shown(field, value, rate)) for value in (field.value, field.measured))
        stated = stated if len(stated) <= _LONGEST else f"{stated[:_LONGEST]} ..."
        rows.append([word, TITLES[field.name], Text(field.place, style="dim"), stated, measured])
    if not rows:
        show(console, indented(prose(NOTHING, width), INDENT))
        return
    heads = ["", "statement", "from", "stated", "measured"]
    long = max(sum(len(str(cell)) for cell in row) for row in rows) > width - 8
    lines = _entries(rows, width) if long else columns(heads, rows, width, words=True)
    show(console, indented(lines, INDENT))
    if len(file.fields) > MOST_FIELDS:
        show(console, indented(prose(more(len(file.fields) - MOST_FIELDS), width), INDENT))


def _entries(rows: Sequence[Sequence[Cell]], width: int) -> list[Text]:
    """Statements under their names, where a text is too long for a column."""
    lines: list[Text] = []
    for word, title, place, stated, measured in rows:
        lines += flow([cell for cell in (word, Text(str(title)), place) if str(cell)], width, gap="  ")
        lines += indented(prose(str(stated), width - INDENT), INDENT)
        if str(measured) != "–":
            lines += indented(prose(Text(f"measured {measured}", style="dim"), width - INDENT), INDENT)
    return lines
