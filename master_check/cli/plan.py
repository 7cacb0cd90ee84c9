"""`sendoff plan`: what the limiter must do to a premaster."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from master_check.cli.common import (
    PATH,
    STATUS,
    Refused,
    check_report,
    checksums,
    console,
    layout_option,
    load,
    measuring,
    report_options,
    write_report,
)

if TYPE_CHECKING:
    from master_check.tables.layouts import Layout


@click.command()
@click.argument("premaster", type=PATH)
@click.option("-p", "--profile", "profile_name", required=True, metavar="NAME", help="The delivery to plan for.")
@click.option("--target", type=float, metavar="LUFS", help="Loudness to reach, in place of the profile's.")
@click.option("--look-ahead", type=float, metavar="MS", help="Of the simulated limiter; 2 ms.")
@click.option("--release", type=float, metavar="MS", help="Of the simulated limiter; 80 ms.")
@report_options
@layout_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def plan(
    premaster: Path,
    profile_name: str,
    target: float | None,
    look_ahead: float | None,
    release: float | None,
    layout: "Layout | None",
    as_json: bool,
    report: Path | None,
    force: bool,
) -> None:
    """What the limiter must do to PREMASTER: ceiling and gain, found by simulating one.

    Says first whether the premaster is fit to be mastered. The exit status is 1 where it is not.

    \b
    Example:
      sendoff plan mix.wav -p streaming
      sendoff plan mix.wav -p cd --target -11
    """
    from master_check.judgement.checked import Checked
    from master_check.judgement.verdict import judge
    from master_check.limiting.plan import plan as solve
    from master_check.measurement.one_pass import measure
    from master_check.report.json import plan_json, text
    from master_check.sound.file import AudioFile
    from master_check.sound.format import AudioError

    check_report(report, [premaster], force)
    profile, fitness = load([profile_name, "premaster"]) if profile_name != "premaster" else load(["premaster"]) * 2
    try:
        with measuring(1) as progress:
            measurement = measure(premaster, layout, ahead=True, progress=progress)
        with AudioFile(premaster, layout) as file:
            frames = file.read_all()
    except AudioError as error:
        raise Refused(str(error)) from None
    limiter = {"look_ahead_ms": look_ahead, "release_ms": release}
    try:
        found = solve(
            frames,
            measurement.format.rate,
            measurement.format.weights,
            profile.target_lufs() if target is None else target,
            profile.highest_peak_db(),
            playback_lufs=profile.profile.playback_lufs,
            max_gain_reduction_db=profile.profile.max_gain_reduction_db,
            **{key: value for key, value in limiter.items() if value is not None},
        )
    except ValueError as error:
        raise Refused(f"{premaster}: {error}") from None
    checked = Checked(str(premaster), measurement, (judge(measurement, fitness),))
    if report is not None:
        from master_check.report.html import plan_page

        write_report(report, plan_page, checked, profile, found, checksums=checksums([checked]))
    if as_json:
        click.echo(text(plan_json(checked, profile, found)))
    else:
        from master_check.report.terminal import print_plan

        print_plan(console(), checked, profile, found)
    sys.exit(STATUS[checked.result])
