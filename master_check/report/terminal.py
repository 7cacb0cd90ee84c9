"""Results for the terminal: the verdict first, then what breaks a rule, then the figures.

Words carry every meaning; colour and weight only repeat it. Nothing is computed here.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.judgement.verdict import Finding, Verdict
from master_check.measurement.measurement import Measurement
from master_check.report.lines import Cell, clauses, columns, flow, indented, prose, show
from master_check.report.wording.figures import signed
from master_check.report.wording.files import file_format
from master_check.report.wording.verdicts import RULES, VERDICTS
from master_check.tables.quantities import QUANTITIES, Quantity, Value, grouped
from master_check.text import clock, visible

if TYPE_CHECKING:  # what check does not use takes time to import
    from master_check.limiting.plan import Plan
    from master_check.pair.comparison import Comparison

STYLES: Mapping[str, str] = {
    "pass": "bold green",
    "warn": "bold yellow",
    "fail": "bold red",
    "error": "bold red",
    "skip": "dim",
}

SUMMARY = ("integrated_lufs", "true_peak_dbtp", "plr_lu")

INDENT = 2


def print_checked(console: Console, files: Iterable[Checked], everything: bool = False) -> None:
    """One file after the other: verdict, findings, figures."""
    for file in files:
        if file.measurement is None:
            continue  # its one line went to standard error
        print_file_head(console, file, everything)
        console.print()
        show(console, figures(file.measurement, console.width))
        console.print()


def print_file_head(console: Console, file: Checked, everything: bool = False) -> None:
    """A file that was measured: the verdict on it, what it is, what is to be said of it, what breaks a rule."""
    assert file.measurement is not None
    width = console.width - INDENT
    word = [verdict_word(file.result)] if file.verdicts else []
    show(console, flow([*word, Text(visible(file.path), style="bold")], console.width, gap="  "))
    _show(console, _format(file.measurement, width))
    _show(console, _notes(file.measurement.notes, width))
    for verdict in file.verdicts:
        console.print()
        _show(console, _verdict(verdict, everything, width))
    _show(console, _origin(file.measurement, width))


def print_summary(console: Console, files: Sequence[Checked]) -> None:
    """A line for each file, where there are several."""
    rows: list[list[Cell]] = []
    for file in files:
        values: Mapping[str, Value] = file.measurement.values if file.measurement else {}
        shown = [QUANTITIES[key].format(values.get(key)) for key in SUMMARY]
        rows.append([verdict_word(file.result), visible(file.path), *shown])
    heads = ["verdict", "file", *(QUANTITIES[key].short for key in SUMMARY)]
    show(console, columns(heads, rows, console.width, names=2))


def print_plan(console: Console, premaster: Checked, profile: Profile, plan: "Plan") -> None:
    """Whether it is fit to be mastered, what to set, then the premaster's figures."""
    from master_check.report.wording.plan import limiters, needs

    assert premaster.measurement is not None
    width = console.width - INDENT
    title = Text.assemble("Plan for ", (visible(premaster.path), "bold"), " to meet ", (visible(profile.name), "bold"))
    show(console, prose(title, console.width))
    _show(console, _format(premaster.measurement, width))
    console.print()
    _show(console, _verdict(premaster.verdicts[0], False, width))
    console.print()
    for line in needs(plan):
        _show(console, clauses(line, width))
    for answer in limiters(plan):
        _show(console, clauses(answer.heading, width, style="bold" if answer.setting else ""))
        for line in answer.details:
            _show(console, indented(clauses(line, width - INDENT), INDENT))
    console.print()
    show(console, figures(premaster.measurement, console.width))
    console.print()


def print_comparison(console: Console, premaster: Checked, master: Checked, comparison: "Comparison") -> None:
    """What mastering did in words, the master's verdict, then the figures beside each other."""
    from master_check.report.wording.comparison import notes, summary

    width = console.width - INDENT
    title = Text.assemble("From ", (visible(premaster.path), "bold"), " to ", (visible(master.path), "bold"))
    show(console, prose(title, console.width))
    console.print()
    for line in summary(comparison):
        _show(console, clauses(line, width))
    _show(console, _notes(notes(comparison), width))
    for verdict in master.verdicts:
        console.print()
        _show(console, _verdict(verdict, False, width))
    for table in (_differences(comparison, width), _saturation(comparison, width), _bands(comparison, width)):
        console.print()
        _show(console, table)
    console.print()


def _show(console: Console, lines: Iterable[Text]) -> None:
    show(console, indented(lines, INDENT))


def _differences(comparison: "Comparison", width: int) -> list[Text]:
    rows = []
    for key, change in comparison.differences.items():
        quantity = QUANTITIES[key]
        values = [quantity.format(m.values[key]) for m in (comparison.premaster, comparison.master)]
        rows.append([quantity.title, *values, signed(change, places=quantity.decimals)])
    return columns(["", "premaster", "master", "change"], rows, width)


def _saturation(comparison: "Comparison", width: int) -> list[Text]:
    from master_check.report.wording.comparison import SIDES

    rows = [
        [
            SIDES[side.side],
            _or_dash(side.thd_percent, ".2f", " %"),
            _or_dash(side.peak_squash_db, ".2f", " dB"),
            _or_dash(side.clip_dbfs, "z.1f", " dBFS"),
            _or_dash(side.peak_dbfs, "z.1f", " dBFS"),
            _or_dash(side.residual_db, "z.0f", " dB"),
        ]
        for side in comparison.saturation.sides
    ]
    return columns(["saturation", "THD", "peaks lowered by", "clipped at", "peak level", "unexplained"], rows, width)


def _bands(comparison: "Comparison", width: int) -> list[Text]:
    bands = [band for band in comparison.change.bands if band.level_change_db is not None][::3]
    names = [f"{band.hz / 1000:g}k" if band.hz >= 1000 else f"{band.hz:g}" for band in bands]
    rows = [
        ["level, dB", *(_or_dash(band.level_change_db, "+z.1f") for band in bands)],
        ["width, dB", *(_or_dash(band.width_change_db, "+z.1f") for band in bands)],
    ]
    return columns(["third octave, Hz", *names], rows, width)


def _or_dash(value: float | None, form: str, unit: str = "") -> str:
    return "–" if value is None else f"{value + 0.0:{form}}{unit}"


def verdict_word(result: str) -> Text:
    return Text(VERDICTS[result].upper(), style=STYLES[result])


def _format(measurement: Measurement, width: int) -> list[Text]:
    return flow([Text(part, style="dim") for part in file_format(measurement)], width, gap=" · ")


def _notes(notes: Iterable[str], width: int) -> list[Text]:
    return [line for note in notes for line in prose(Text(f"note: {visible(note)}", style="italic"), width)]


def _origin(measurement: Measurement, width: int) -> list[Text]:
    """What earlier conversions and encodes have left, where somebody asked."""
    if measurement.origin is None:
        return []
    from master_check.report.wording.origin import origin_lines

    lines = [line for text in origin_lines(measurement.origin) for line in prose(Text(text), width - INDENT)]
    return [Text(), Text("Origin", style="bold"), *indented(lines, INDENT)]


def _verdict(verdict: Verdict, everything: bool, width: int) -> list[Text]:
    broken = without_repeats(verdict.broken())
    shown = [f for f in verdict.findings if f not in broken] if everything else []
    names = [verdict_word(verdict.result), Text(verdict.profile, style="bold"), Text(verdict.title, style="dim")]
    return flow(names, width, gap="  ") + indented(findings_lines([*broken, *shown], width - INDENT), INDENT)


def without_repeats(broken: Sequence[Finding]) -> list[Finding]:
    """Of several broken rules on one quantity, the gravest."""
    kept: dict[str, Finding] = {}
    for finding in broken:
        kept.setdefault(finding.measure, finding)
    return list(kept.values())


def findings_lines(findings: Sequence[Finding], width: int, reasons: bool = True) -> list[Text]:
    """A line for each finding, its figures in columns; under it, with `reasons`, why, and what to do about it.

    Where the columns have no room, what is wanted stands in a line of its own.
    """
    rows = [_cells(finding) for finding in findings]
    widths = [max((len(row[i]) for row in rows), default=0) for i in range(4)]
    narrow = 14 + sum(widths) > width
    under = 2 if narrow else 7
    lines: list[Text] = []
    for finding, row in zip(findings, rows, strict=True):
        lines += _stacked(finding, row, width) if narrow else [_in_columns(finding, row, widths)]
        if reasons:
            lines += indented(_reason(finding, width - under), under)
    return lines


def _cells(finding: Finding) -> tuple[str, str, str, str]:
    limit = f"wanted {finding.limit}" if finding.limit else ""
    return finding.quantity.title, finding.shown, limit, "" if finding.at_s is None else f"at {clock(finding.at_s)}"


def _in_columns(finding: Finding, row: Sequence[str], widths: Sequence[int]) -> Text:
    line = Text().append(f"{RULES[finding.result]:<5}  ", style=STYLES[finding.result])
    line.append(f"{row[0]:<{widths[0]}}  {row[1]:>{widths[1]}}", style=_weight(finding))
    return line.append(f"   {row[2]:<{widths[2]}}  {row[3]}")


def _stacked(finding: Finding, row: Sequence[str], width: int) -> list[Text]:
    title, shown, limit, at = row
    if len(f"{title} {shown} {at}") > width:
        title = finding.quantity.short or title
    what = Text(" ".join(part for part in (title, shown, at) if part), style=_weight(finding))
    lines = flow([Text(RULES[finding.result], style=STYLES[finding.result]), what], width, gap=" ")
    return lines + (indented(prose(limit, width - INDENT), INDENT) if limit else [])


def _weight(finding: Finding) -> str:
    return "bold" if finding.result in ("fail", "warn") else ""


def _reason(finding: Finding, width: int) -> list[Text]:
    reason = Text(finding.why, style="dim")
    if finding.do and finding.result in ("fail", "warn"):
        reason.append(" → " if finding.why else "").append(finding.do, style="not dim")
    return prose(reason, width) if reason.plain else []


def figures(measurement: Measurement, width: int) -> list[Text]:
    """Everything measured, a group to a line where that fits; empty groups are left out.

    With less room, groups stand under their headings, and nothing stands further in than it has to.
    """
    groups = {
        heading: [_figure(measurement, each) for each in quantities if _told(measurement, each)]
        for heading, quantities in grouped(QUANTITIES).items()
    }
    groups = {heading: texts for heading, texts in groups.items() if texts}
    margin = INDENT + max(map(len, groups), default=0) + 2
    widest = max((text.cell_len for texts in groups.values() for text in texts), default=0)
    lines: list[Text] = []
    for heading, texts in groups.items():
        if margin + widest > width:
            lines += [Text(f"{heading}:", style="dim"), *indented(flow(texts, width - 1), 1)]
            continue
        first, *rest = flow(texts, width - margin)
        lines += [Text(f"{'':<{INDENT}}{heading}".ljust(margin), style="dim") + first, *indented(rest, margin)]
    return lines


def _told(measurement: Measurement, quantity: Quantity) -> bool:
    return bool(quantity.short) and measurement.values[quantity.key] is not None


def _figure(measurement: Measurement, quantity: Quantity) -> Text:
    text = Text.assemble((f"{quantity.short} ", "dim"), quantity.format(measurement.values[quantity.key]))
    if quantity.key in measurement.at_s and quantity.key != "sample_peak_dbfs":
        text.append(f" at {clock(measurement.at_s[quantity.key])}", style="dim")
    return text
