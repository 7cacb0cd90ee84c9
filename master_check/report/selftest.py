"""The selftest's table for the terminal."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from master_check.report.lines import Cell, clauses, columns, prose, show
from master_check.report.wording.selftest import CAUTION, summary
from master_check.selftest.run import Outcome
from master_check.tables.quantities import QUANTITIES


def print_outcomes(console: Console, outcomes: Sequence[Outcome]) -> None:
    rows: list[list[Cell]] = []
    for outcome in outcomes:
        quantity = QUANTITIES[outcome.measure]
        even = outcome.below == outcome.above
        rows.append(
            [
                Text("meets", style="green") if outcome.passed else Text("misses", style="bold red"),
                outcome.name,
                outcome.title,
                quantity.title.lower(),
                f"{outcome.rate / 1000:g} kHz",
                quantity.format(outcome.expected, 2),
                f"±{outcome.above:g}" if even else f"+{outcome.above:g} -{outcome.below:g}",
                f"{round(outcome.read, 3) + 0.0:.3f}",
            ]
        )
    heads = ["", "case", "signal", "quantity", "rate", "expected", "tolerance", "read"]
    show(console, columns(heads, rows, console.width, names=4))
    console.print()
    missed = sum(not outcome.passed for outcome in outcomes)
    show(console, clauses(summary(outcomes), console.width, style="bold red" if missed else "bold green"))
    show(console, prose(Text(CAUTION, style="dim"), console.width))
