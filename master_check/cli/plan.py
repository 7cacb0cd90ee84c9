"""`sendoff plan`: the limiter settings for a premaster."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    within,
    write_report,
)

if TYPE_CHECKING:
    from master_check.limiting.clipper import ClipLimit, Shape
    from master_check.tables.layouts import Layout


@click.command()
@click.argument("premaster", type=PATH)
@click.option(
    "-p",
    "--profile",
    "profile_name",
    required=True,
    metavar="NAME",
    help="Delivery profile to plan for.",
)
@click.option(
    "--target",
    type=float,
    callback=within(-70.0, 10.0),
    metavar="LUFS",
    help="Loudness to reach, instead of the profile's.",
)
@click.option("--clip", metavar="MOST", help="Clip ahead of the limiter, by up to so many dB (2) or so much THD (3%).")
@click.option(
    "--clip-shape",
    type=click.Choice(["hard", "soft"]),
    help="Clip hard, or by a soft curve.  [default: hard]",
)
@click.option(
    "--look-ahead",
    type=float,
    callback=within(0.0, 100.0),
    metavar="MS",
    help="Look-ahead of the simulated limiter.  [default: 2]",
)
@click.option(
    "--release",
    type=float,
    callback=within(0.0, 60_000.0),
    metavar="MS",
    help="Release time of your limiter.  [default: 80]",
)
@click.option(
    "--rehearse",
    is_flag=True,
    help="Make the encodes that the profile names, and lower the ceiling until all keep their peak limits.",
)
@report_options
@layout_option
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def plan(
    premaster: Path,
    profile_name: str,
    target: float | None,
    clip: str | None,
    clip_shape: "Shape | None",
    look_ahead: float | None,
    release: float | None,
    rehearse: bool,
    layout: "Layout | None",
    as_json: bool,
    report: Path | None,
    force: bool,
) -> None:
    """Find the gain and ceiling to set on the limiter.

    Says first whether PREMASTER is fit to be mastered; the exit status is 1 if it is not. Then simulates a look-ahead
    limiter, and searches for the settings that reach the profile's loudness within its peak limit. With --clip, also
    finds how to split the work between a clipper and the limiter. With --rehearse, encodes what the limiter leaves
    as `sendoff rehearse` does, and finds a ceiling that allows for it; a song takes some minutes.

    \b
    Examples:
      sendoff plan mix.wav -p streaming
      sendoff plan mix.wav -p cd --target -11
      sendoff plan mix.wav -p streaming --target -9 --clip 2
      sendoff plan mix.wav -p streaming --rehearse
    """
    from master_check.judgement.profile import ProfileError
    from master_check.limiting.premaster import PlanError
    from master_check.limiting.premaster import plan as solve
    from master_check.report.json import plan_json, text
    from master_check.sound.format import AudioError

    check_report(report, [premaster], force)
    (profile,) = load([profile_name])
    settings = {"look_ahead_ms": look_ahead, "release_ms": release}
    given: dict[str, Any] = {key: value for key, value in settings.items() if value is not None}
    if clip is not None:
        given["clip"] = _clip_limit(clip, clip_shape or "hard")
    elif clip_shape is not None:
        raise Refused("--clip-shape is of use only with --clip: say how much to clip, such as --clip 2")
    try:
        with measuring(1) as progress:
            found = solve(
                premaster, profile, target_lufs=target, layout=layout, rehearse=rehearse, progress=progress, **given
            )
    except (AudioError, PlanError) as error:
        raise Refused(str(error)) from None
    except ProfileError as error:
        raise Refused(*error.lines) from None
    if report is not None:
        from master_check.report.html import plan_page

        write_report(report, plan_page, found.premaster, profile, found.plan, checksums=checksums([found.premaster]))
    if as_json:
        click.echo(text(plan_json(found.premaster, profile, found.plan)))
    else:
        from master_check.report.terminal import print_plan

        print_plan(console(), found.premaster, profile, found.plan)
    sys.exit(STATUS[found.premaster.result])


def _clip_limit(most: str, shape: "Shape") -> "ClipLimit":
    """What `--clip` says: decibels, or THD where it ends in a per cent sign."""
    from master_check.limiting.clipper import ClipLimit

    words = most.strip().removesuffix("%")
    try:
        number = float(words)
    except ValueError:
        raise Refused(f"--clip {most}: expected dB, such as 2, or THD, such as 3%") from None
    by_thd = most.strip().endswith("%")
    try:
        return ClipLimit(shape, None if by_thd else number, number if by_thd else None)
    except ValueError as error:
        raise Refused(f"--clip {most}: {error}") from None
