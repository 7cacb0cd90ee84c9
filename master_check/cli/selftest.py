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
@click.option("--quick", is_flag=True, help="Test at 48 kHz only, not at 44.1 and 96 kHz.")
def selftest(as_json: bool, quick: bool) -> None:
    """Run the published test signals through this installation.

    Writes the signals of EBU Tech 3341, EBU Tech 3342 and ITU-R BS.1770 as files, measures them, and compares the
    readings with the published figures; then compares loudness with a second meter. The exit status is 1 if a reading
    is outside its tolerance.
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
        click.echo(json.text(json.outcomes_json(outcomes)))
    else:
        report.print_outcomes(console(), outcomes)
    sys.exit(0 if all(outcome.passed for outcome in outcomes) else 1)
