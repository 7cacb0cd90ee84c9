"""The gain sheet: JSON and terminal."""

from dataclasses import replace
from typing import cast

from rich.console import Console
from rich.text import Text

from master_check.judgement.checked import Checked
from master_check.report import json_types as types
from master_check.report.balance import mix_json, mix_lines, rough_json, rough_lines
from master_check.report.json import VERSION, file_json, number, rounded
from master_check.report.lines import Cell, columns, indented, prose, show
from master_check.report.terminal import INDENT, findings_lines, verdict_word, without_repeats
from master_check.report.wording.stems import bus_name, headline, left_out, low_cut, remark, trim
from master_check.stem.sheet import Bus, Stem, Stems
from master_check.tables.quantities import QUANTITIES, RULE_QUANTITIES
from master_check.text import visible

SHOWN = ("playing_level_dbfs", "sample_peak_dbfs", "crest_db")
"""What the sheet shows of every stem, besides the trim and the low cut."""


def stems_json(found: Stems) -> types.StemsResultsJson:
    """What `stems --json` prints: the stems as files of `check`, then the sheet."""
    balance = found.balance
    mix, rough = (balance.mix, balance.rough) if balance else (None, None)
    sums = [measurement.sha256 for measurement in balance.measurements] if balance else []
    return {
        "sendoff_json": VERSION,
        "files": [file_json(_plain(stem)) for stem in found.stems],
        "stems": {
            "stems": [_stem(stem) for stem in found.stems],
            "buses": [_bus(bus, found) for bus in found.buses],
            "remarks": [
                {
                    "kind": each.kind,
                    "stems": [found.stems[place].path for place in each.stems],
                    "values": rounded(dict(each.values)),
                    "words": remark(each, found.stems),
                }
                for each in found.remarks
            ],
            "mix": mix_json(mix, sums[0]) if mix else None,
            "rough": rough_json(rough, sums[-1]) if rough else None,
        },
        "result": found.result,
    }


def _plain(stem: Stem) -> Checked:
    """As `check` has it, without a stem's own figures."""
    if stem.measurement is None:
        return stem
    values = {key: value for key, value in stem.measurement.values.items() if key in QUANTITIES}
    return replace(stem, measurement=replace(stem.measurement, values=values))


def _stem(stem: Stem) -> types.StemJson:
    return {
        "path": stem.path,
        "name": stem.name,
        "group": stem.group,
        "measures": {key: number(value) for key, value in stem.values.items()},
        "trim_db": rounded(stem.trim_db),
        "low_cut_hz": rounded(stem.low_cut_hz),
        "spots": [
            {"kind": spot.kind, "start_s": round(spot.start_s, 3), "end_s": round(spot.end_s, 3)}
            for spot in (stem.strip.spots if stem.strip else ())
        ],
        "result": stem.result,
        "error": stem.error,
    }


def _bus(bus: Bus, found: Stems) -> types.BusJson:
    return {
        "group": bus.group,
        "stems": [found.stems[place].path for place in bus.stems],
        "left_out": [found.stems[place].path for place in bus.left_out],
        "measures": {key: number(value) for key, value in bus.values.items()},
        "trim_db": rounded(bus.trim_db),
        "result": bus.result,
        "error": bus.error,
    }


def print_stems(console: Console, found: Stems) -> None:
    """What the stems make first, then the sheet, then what breaks a rule."""
    width = console.width - INDENT
    show(console, [Text.assemble((headline(found), "bold"))])
    balance = found.balance
    if balance and balance.mix:
        console.print()
        show(console, prose(Text.assemble("Against the mix ", (visible(balance.mix.path), "bold")), console.width))
        show(console, indented(mix_lines(balance.mix, width), INDENT))
    if balance and balance.rough:
        console.print()
        show(
            console,
            prose(Text.assemble("Against the rough mix ", (visible(balance.rough.path), "bold")), console.width),
        )
        show(console, indented(rough_lines(balance.rough, width), INDENT))
    console.print()
    heads = ["verdict", "stem", *(RULE_QUANTITIES[key].short for key in SHOWN), "trim", "low cut"]
    rows = [_row(stem, stem.name) for stem in found.stems if stem.measurement is not None]
    rows += [_row(bus, f"bus: {bus_name(bus.group)}") for bus in found.buses if bus.measurement is not None]
    show(console, columns(heads, rows, console.width, names=2))
    _print_remarks(console, found)
    _print_broken(console, found)
    console.print()


def _row(each: Stem | Bus, name: str) -> list[Cell]:
    shown = [RULE_QUANTITIES[key].format(each.values.get(key)) for key in SHOWN]
    return [verdict_word(each.result), visible(name), *shown, trim(each.values.get("trim_db")), low_cut(each.values)]


def _print_remarks(console: Console, found: Stems) -> None:
    lines = [remark(each, found.stems) for each in found.remarks]
    lines += [
        f"bus {bus_name(bus.group)}: {left_out([found.stems[place].name for place in bus.left_out])}"
        for bus in found.buses
        if bus.left_out
    ]
    if lines:
        console.print()
    for line in lines:
        show(console, prose(visible(line), console.width))


def _print_broken(console: Console, found: Stems) -> None:
    """What breaks a rule, stem by stem."""
    named = [(stem, stem.name) for stem in found.stems] + [(bus, f"bus: {bus_name(bus.group)}") for bus in found.buses]
    for each, name in cast("list[tuple[Checked, str]]", named):
        broken = without_repeats([finding for verdict in each.verdicts for finding in verdict.broken()])
        if broken:
            console.print()
            show(console, [Text(visible(name), style="bold")])
            show(console, indented(findings_lines(broken, console.width - INDENT, reasons=False), INDENT))
