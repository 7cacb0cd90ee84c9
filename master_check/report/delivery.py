"""Deliveries: JSON and terminal."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from master_check.delivery.delivered import Delivered, DeliveredFile
from master_check.delivery.manifest import Verified
from master_check.judgement.verdict import worst
from master_check.report import json_types as types
from master_check.report.json import VERSION, file_json, results_json, rounded
from master_check.report.lines import columns, flow, indented, prose, show
from master_check.report.terminal import INDENT, findings_lines, verdict_word, without_repeats
from master_check.report.wording.delivery import STATES, headline, made, verified_headline
from master_check.report.wording.files import file_format
from master_check.tables.quantities import QUANTITIES
from master_check.text import visible

SHOWN = ("integrated_lufs", "true_peak_dbtp", "sample_peak_dbfs")


def delivery_json(found: Delivered) -> types.DeliveryResultsJson:
    """What `deliver --json` prints: the master and what was written as files of `check`, then the delivery."""
    return {
        "sendoff_json": VERSION,
        "files": [*results_json([found.master])["files"], *(file_json(file) for file in found.files)],
        "delivery": {
            "manifest": found.manifest,
            "master": found.master.path,
            "master_audio_sha256": found.master_audio_sha256,
            "files": [_file(file) for file in found.files],
        },
        "result": found.result,
    }


def _file(file: DeliveredFile) -> types.DeliveredFileJson:
    return {
        "path": file.path,
        "profile": file.profile,
        "sha256": file.sha256,
        "audio_sha256": file.audio_sha256,
        "trim_db": rounded(file.trim_db),
        "converted_from_hz": file.converted_from_hz,
        "dithered": file.dithered,
        "added_head_s": rounded(file.added_s[0]),
        "added_tail_s": rounded(file.added_s[1]),
        "identical": file.null.identical,
        "null_db": rounded(file.null.null_db),
        "null_as_expected": file.null.as_expected,
        "result": file.outcome,
    }


def verification_json(found: Sequence[Verified]) -> types.VerificationResultsJson:
    """What `deliver --verify --json` prints."""
    return {
        "sendoff_json": VERSION,
        "verification": [
            {
                "manifest": each.manifest,
                "files": [{"path": file.path, "state": file.state, "sha256": file.sha256} for file in each.files],
                "result": each.result,
            }
            for each in found
        ],
        "result": worst(each.result for each in found),
    }


def print_delivery(console: Console, found: Delivered) -> None:
    """The files that were written, each with what was done to it and what breaks a rule."""
    master = found.master.measurement
    assert master is not None
    width = console.width - INDENT
    show(console, flow([verdict_word(found.result), Text(headline(found), style="bold")], console.width, "  "))
    show(console, indented(prose(Text(f"from {visible(found.master.path)}", style="dim"), width), INDENT))
    for file in found.files:
        _print_file(console, file, width)
    console.print()
    show(console, prose(Text(f"list: {visible(found.manifest)}"), console.width))


def _print_file(console: Console, file: DeliveredFile, width: int) -> None:
    measured = file.measurement
    assert measured is not None
    console.print()
    show(console, flow([verdict_word(file.outcome), Text(visible(file.path), style="bold")], console.width, "  "))
    told = [f"for {visible(file.profile)}", *file_format(measured)]
    told += [f"{QUANTITIES[key].short} {QUANTITIES[key].format(measured.values[key])}" for key in SHOWN]
    show(console, indented(flow([Text(part, style="dim") for part in told], width, " · "), INDENT))
    for line in made(file):
        show(console, indented(prose(line, width), INDENT))
    broken = without_repeats([finding for verdict in file.verdicts for finding in verdict.broken()])
    if broken:
        show(console, indented(findings_lines(broken, width), INDENT))


def print_verification(console: Console, found: Sequence[Verified]) -> None:
    """Every file of every list, and what has become of it."""
    show(console, [Text(verified_headline(found), style="bold")])
    for each in found:
        console.print()
        show(console, prose(Text(visible(each.manifest), style="dim"), console.width))
        rows = [[visible(file.path), STATES[file.state]] for file in each.files]
        show(console, indented(columns(["file", "now"], rows, console.width - INDENT, names=2), INDENT))
