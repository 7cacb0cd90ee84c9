"""Results for the terminal: the verdict first, then what breaks a rule, then the figures.

Words carry every meaning; colour and weight only repeat it. Nothing is computed here.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from master_check.judgement.checked import Checked
from master_check.judgement.profile import Profile
from master_check.judgement.verdict import Finding, Verdict
from master_check.measurement.measurement import Measurement
from master_check.report.wording.files import file_format
from master_check.report.wording.verdicts import RULES, VERDICTS
from master_check.tables.quantities import QUANTITIES, Quantity, Value, grouped
from master_check.text import clock, visible

if TYPE_CHECKING:  # what check does not use costs a second to import
    from master_check.limiting.plan import Plan
    from master_check.pair.comparison import Comparison

STYLES: Mapping[str, str] = {
    "pass": "bold green",
    "warn": "bold yellow",
    "fail": "bold red",
    "error": "bold red",
    "skip": "dim",
}


def print_checked(console: Console, files: Iterable[Checked], everything: bool = False) -> None:
    """One file after the other: verdict, findings, figures."""
    for file in files:
        if file.measurement is None:
            continue  # its one line went to standard error
        console.print(_headline(file))
        console.print(_indented(_format_line(file.measurement)))
        for note in file.measurement.notes:
            console.print(_indented(Text(f"note: {note}", style="italic")))
        for verdict in file.verdicts:
            console.print(_indented(_verdict(verdict, everything), above=1))
        console.print(_indented(figures(file.measurement), above=1, below=1))


def print_plan(console: Console, premaster: Checked, profile: Profile, plan: "Plan") -> None:
    """Fit to be mastered or not, then what to set, then the premaster's figures."""
    from master_check.report.wording.plan import limiters, needs

    assert premaster.measurement is not None
    console.print(
        Text.assemble("Plan for ", (visible(premaster.path), "bold"), " to ", (visible(profile.name), "bold"))
    )
    console.print(_indented(_format_line(premaster.measurement)))
    console.print(_indented(_verdict(premaster.verdicts[0], False), above=1))
    console.print()
    for line in needs(plan):
        console.print(_indented(Text(line)))
    for answer in limiters(plan):
        console.print(_indented(Text(answer.heading, style="bold" if answer.setting else "")))
        for line in answer.details:
            console.print(Padding(Text(line), (0, 0, 0, 4), expand=False))
    console.print(_indented(figures(premaster.measurement), above=1, below=1))


def print_comparison(console: Console, premaster: Checked, master: Checked, comparison: "Comparison") -> None:
    """What mastering did in words, the master's verdict, then the figures beside each other."""
    from master_check.report.wording.comparison import notes, summary

    console.print(Text.assemble("From ", (visible(premaster.path), "bold"), " to ", (visible(master.path), "bold")))
    console.print()
    for line in summary(comparison):
        console.print(_indented(Text(line)))
    for note in notes(comparison):
        console.print(_indented(Text(f"note: {visible(note)}", style="italic")))
    for verdict in master.verdicts:
        console.print(_indented(_verdict(verdict, False), above=1))
    console.print(_indented(_differences(comparison), above=1))
    console.print(_indented(_saturation(comparison), above=1))
    console.print(_indented(_bands(comparison), above=1, below=1))


def _differences(comparison: "Comparison") -> Table:
    table = _table("", "premaster", "master", "change")
    for key, change in comparison.differences.items():
        quantity = QUANTITIES[key]
        values = [quantity.format(m.values[key]) for m in (comparison.premaster, comparison.master)]
        shown = "–" if change is None else f"{round(change, quantity.decimals) + 0.0:+.{quantity.decimals}f}"
        table.add_row(quantity.title, *values, shown)
    return table


def _saturation(comparison: "Comparison") -> Table:
    table = _table("saturation", "THD", "peaks lower by", "clipped at", "unexplained", "at peaks of")
    for side in comparison.saturation.sides:
        table.add_row(
            side.side,
            _or_dash(side.thd_percent, ".2f", " %"),
            _or_dash(side.peak_squash_db, ".2f", " dB"),
            _or_dash(side.clip_dbfs, "z.1f", " dBFS"),
            _or_dash(side.residual_db, "z.0f", " dB"),
            _or_dash(side.peak_dbfs, "z.1f", " dBFS"),
        )
    return table


def _bands(comparison: "Comparison") -> Table:
    bands = [band for band in comparison.change.bands if band.level_change_db is not None]
    table = _table(
        "third octave", *(f"{band.hz / 1000:g}k" if band.hz >= 1000 else f"{band.hz:g}" for band in bands[::3])
    )
    table.add_row("level, dB", *(_or_dash(band.level_change_db, "+z.1f") for band in bands[::3]))
    table.add_row("width, dB", *(_or_dash(band.width_change_db, "+z.1f") for band in bands[::3]))
    return table


def _table(first: str, *rest: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column(first, no_wrap=True)
    for title in rest:
        table.add_column(title, justify="right", no_wrap=True)
    return table


def _or_dash(value: float | None, form: str, unit: str = "") -> str:
    return "–" if value is None else f"{value + 0.0:{form}}{unit}"


def print_summary(console: Console, files: Sequence[Checked]) -> None:
    """A line a file, where there are several."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("verdict", no_wrap=True)
    table.add_column("file", overflow="fold")
    for key in ("integrated_lufs", "true_peak_dbtp", "plr_lu"):
        table.add_column(QUANTITIES[key].short, justify="right", no_wrap=True)
    for file in files:
        values: Mapping[str, Value] = file.measurement.values if file.measurement else {}
        row = [QUANTITIES[key].format(values.get(key)) for key in ("integrated_lufs", "true_peak_dbtp", "plr_lu")]
        table.add_row(verdict_word(file.result), Text(visible(file.path)), *row)
    console.print(table)


def _indented(content: RenderableType, above: int = 0, below: int = 0) -> Padding:
    return Padding(content, (above, 0, below, 2), expand=False)


def verdict_word(result: str) -> Text:
    return Text(VERDICTS[result].upper(), style=STYLES[result])


def _headline(file: Checked) -> Text:
    line = Text()
    if file.verdicts:
        line.append_text(verdict_word(file.result)).append("  ")
    return line.append(visible(file.path), style="bold")


def _format_line(measurement: Measurement) -> Text:
    return Text(" · ".join(file_format(measurement)), style="dim")


def _verdict(verdict: Verdict, everything: bool) -> RenderableType:
    title = Text.assemble(verdict_word(verdict.result), "  ", (verdict.profile, "bold"), "  ", (verdict.title, "dim"))
    broken = without_repeats(verdict.broken())
    shown = [f for f in verdict.findings if f not in broken] if everything else []
    if not broken and not shown:
        return title
    return Group(title, _indented(findings_lines([*broken, *shown])))


def without_repeats(broken: Sequence[Finding]) -> list[Finding]:
    """Of several broken rules on one quantity, the gravest."""
    kept: dict[str, Finding] = {}
    for finding in broken:
        kept.setdefault(finding.measure, finding)
    return list(kept.values())


def findings_lines(findings: Sequence[Finding], reasons: bool = True) -> RenderableType:
    """A line a finding, its figures in columns; under it, with `reasons`, why, and what to do about it."""
    title = max(len(f.quantity.title) for f in findings)
    shown = max(len(f.shown) for f in findings)
    limit = min(max(len(f.limit) for f in findings), 28)
    lines: list[RenderableType] = []
    for finding in findings:
        broken = finding.result in ("fail", "warn")
        line = Text().append(f"{RULES[finding.result]:<5}  ", style=STYLES[finding.result])
        line.append(f"{finding.quantity.title:<{title}}  {finding.shown:>{shown}}", style="bold" if broken else "")
        line.append(f"   wanted {finding.limit:<{limit}}" if finding.limit else " " * (limit + 10))
        if finding.at_s is not None:
            line.append(f"  at {clock(finding.at_s)}")
        line.rstrip()
        reason = Text(finding.why, style="dim")
        if finding.do and broken:
            reason.append(" → " if finding.why else "").append(finding.do, style="not dim")
        lines += [line, Padding(reason, (0, 0, 0, 7), expand=False)] if reasons and reason else [line]
    return Group(*lines)


def figures(measurement: Measurement) -> Table:
    """Everything measured, a row a group; silent groups are left out."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False)
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    for heading, quantities in grouped(QUANTITIES).items():
        known = [each for each in quantities if each.short and measurement.values[each.key] is not None]
        if known:
            table.add_row(heading, Text("   ").join(_figure(measurement, quantity) for quantity in known))
    return table


def _figure(measurement: Measurement, quantity: Quantity) -> Text:
    key = quantity.key
    name, value = (words.replace(" ", "\u00a0") for words in (quantity.short, quantity.format(measurement.values[key])))
    text = Text.assemble((name + "\u00a0", "dim"), value)
    if key in measurement.at_s and key not in ("sample_peak_dbfs",):
        text.append(f"\u00a0@\u00a0{clock(measurement.at_s[key])}", style="dim")
    return text
