"""`sendoff schema`: JSON Schemas of results and profiles."""

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    pass


@click.command()
@click.argument("what", type=click.Choice(["results", "profile"]))
def schema(what: str) -> None:
    """JSON Schema of the RESULTS that --json prints, or of a PROFILE for your editor."""
    from master_check.judgement import profile_keys
    from master_check.report import json

    click.echo(json.text(json.schema() if what == "results" else profile_keys.schema()))
