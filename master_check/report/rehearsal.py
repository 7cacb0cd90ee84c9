"""Rehearsals for the terminal."""

from rich.console import Console
from rich.text import Text

from master_check.rehearsal.rehearse import Rehearsed, Run
from master_check.report.lines import Cell, clauses, columns, flow, indented, prose, show
from master_check.report.terminal import STYLES, findings_lines, without_repeats
from master_check.report.wording.figures import signed
from master_check.report.wording.files import file_format
from master_check.report.wording.rehearsal import ENCODERS_DIFFER, answer, details, verdict
from master_check.report.wording.verdicts import RULES
from master_check.tables.quantities import QUANTITIES
from master_check.text import visible

HEADS = ("", "rehearsal", "true peak", "overshoot", "loudness", "turn down")


def print_rehearsal(console: Console, found: Rehearsed) -> None:
    """The answer, a line for each rehearsal, then what there is to say of each."""
    master = found.master.measurement
    assert master is not None
    width = console.width - 2
    show(
        console,
        flow(
            [Text(verdict(found).upper(), style=STYLES[found.result]), Text(visible(found.master.path), style="bold")],
            console.width,
            "  ",
        ),
    )
    peaks = [QUANTITIES[key].format(master.values[key]) for key in ("integrated_lufs", "true_peak_dbtp")]
    show(console, indented(flow([Text(part, style="dim") for part in [*file_format(master), *peaks]], width, " · "), 2))
    console.print()
    for number, line in enumerate(answer(found)):
        show(console, indented(prose(Text(visible(_capital(line)), style="" if number else "bold"), width), 2))
    for profile in dict.fromkeys(run.profile for run in found.runs):
        runs = [run for run in found.runs if run.profile == profile]
        console.print()
        show(console, [Text(f"  {visible(profile)}", style="bold")])
        show(console, indented(columns(HEADS, [_row(run) for run in runs], width, names=2), 2))
        reasons: set[tuple[str, str]] = set()
        for run in runs:
            console.print()
            _print_run(console, run, width, reasons)
    console.print()
    show(console, indented(prose(Text(f"note: {ENCODERS_DIFFER}", style="italic"), width), 2))


def _row(run: Run) -> list[Cell]:
    values = run.values
    word = Text(_word(run), style=STYLES[run.result])
    if values is None:
        return [word, visible(run.rehearsal.name), "–", "–", "–", "–"]
    over, change = values["overshoot_db"], values["loudness_change_lu"]
    return [
        word,
        visible(run.rehearsal.name),
        signed(_number(values["true_peak_dbtp"]), "dBTP", 2),
        signed(_number(over), "dB", 2),
        signed(_number(change), "LU", 1),
        _turn_down(run.safe_gain_db),
    ]


def _turn_down(gain_db: float | None) -> str:
    if gain_db is None:
        return "–"
    return "no need" if gain_db == 0.0 else f"{-gain_db:.1f} dB"


def _word(run: Run) -> str:
    if run.verdict is None:
        return "not made"
    return RULES[run.result] if run.verdict.findings else "no rule"


def _print_run(console: Console, run: Run, width: int, reasons: set[tuple[str, str]]) -> None:
    """What there is to say of it. Rehearsals often share a rule: its reason is given once."""
    show(console, indented(prose(Text(visible(run.rehearsal.name), style="bold"), width), 2))
    if run.error is not None:
        show(console, indented(prose(visible(run.error), width - 2), 4))
    for line in details(run):
        show(console, indented(clauses(visible(line), width - 2), 4))
    for finding in without_repeats(run.verdict.broken()) if run.verdict is not None else ():
        reason = finding.why, finding.do
        show(console, indented(findings_lines([finding], width - 2, reason not in reasons), 4))
        reasons.add(reason)


def _number(value: float | int | str | None) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None


def _capital(line: str) -> str:
    return line[:1].upper() + line[1:]
