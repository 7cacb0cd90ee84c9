"""`sendoff quantities`: the table of quantities."""

from typing import TYPE_CHECKING

import click

from master_check.cli.common import console

if TYPE_CHECKING:
    pass


@click.command()
def quantities() -> None:
    """List every measured quantity.

    Shows its key for profiles and scripts, its name and unit, and what it means.
    """
    from master_check.report import profiles as report

    report.print_quantities(console())
