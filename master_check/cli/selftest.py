"""`sendoff selftest`: the published test signals through this installation."""

import sys
from typing import TYPE_CHECKING

import click

from master_check.cli.common import (
    Refused,
    console,
    measuring,
)

if TYPE_CHECKING:
    pass


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
@click.option("--quick", is_flag=True, help="At 48 kHz only, not at 44.1 and 96 kHz too.")
def selftest(as_json: bool, quick: bool) -> None:
    """The published test signals, written as files and measured by this very installation.

    EBU Tech 3341 and 3342, ITU-R BS.1770, and a second meter. The exit status is 1 where one is missed.
    """
    from master_check.report import json
    from master_check.report import selftest as report
    from master_check.report.wording.selftest import summary
    from master_check.selftest import run as tests
    from master_check.selftest.published import RATES

    try:
        with measuring(1) as progress:
            outcomes = list(tests.run((48_000,) if quick else RATES, progress))
    except OSError as error:
        raise Refused(f"the temporary folder cannot be written ({error.strerror or error})") from None
    tests.remember(summary(outcomes))
    if as_json:
        click.echo(json.text(report.outcomes_json(outcomes)))
    else:
        report.print_outcomes(console(), outcomes)
    sys.exit(0 if all(outcome.passed for outcome in outcomes) else 1)
