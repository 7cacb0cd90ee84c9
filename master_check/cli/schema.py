"""`sendoff schema`: JSON Schemas of results and profiles."""

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    pass


@click.command()
@click.argument("what", type=click.Choice(["results", "profile"]))
def schema(what: str) -> None:
    """Print the JSON Schema of results or of profiles.

    results: what --json prints. profile: a delivery profile, for your editor.
    """
    from master_check.judgement import profile_keys
    from master_check.report import json, json_schema

    click.echo(json.text(json_schema.schema() if what == "results" else profile_keys.schema()))
