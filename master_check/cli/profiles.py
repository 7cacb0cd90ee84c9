"""`sendoff profiles`: list, show, copy and check delivery profiles."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from master_check.cli.common import Refused, console, load

if TYPE_CHECKING:
    pass


@click.group()
def profiles() -> None:
    """List, show, copy and check delivery profiles."""


@profiles.command("list")
def list_profiles() -> None:
    """List every profile and its file."""
    from master_check.judgement.profile import ProfileError
    from master_check.judgement.profile_files import available, load_profile
    from master_check.report import profiles as report

    rows = []
    for name, path in available().items():
        try:
            title = load_profile(path).title
        except ProfileError as error:
            title = f"not usable: {len(error.faults)} faults, see `sendoff profiles lint {name}`"
        rows.append((name, title, str(path)))
    report.print_profiles(console(), rows)


@profiles.command()
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def show(name: str, as_json: bool) -> None:
    """Show a profile's rules, inherited ones included."""
    from master_check.report import profiles as report

    (profile,) = load([name])
    if as_json:
        from master_check.report import json

        click.echo(json.text(json.profile_json(profile)))
    else:
        report.print_profile(console(), profile)


@profiles.command()
@click.argument("name")
@click.argument("new_name", required=False)
@click.option("--here", is_flag=True, help="Copy into ./profiles instead of your configuration folder.")
@click.option("--force", is_flag=True, help="Overwrite the file if it exists.")
def copy(name: str, new_name: str | None, here: bool, force: bool) -> None:
    """Copy a profile, to edit it.

    Without NEW_NAME the copy keeps its name, and is then used in place of the original.
    """
    from master_check.judgement.profile import ProfileError
    from master_check.judgement.profile_files import copied, find, user_folder
    from master_check.output import OutputError, check_target, write_whole

    folder = Path("profiles") if here else user_folder()
    new_name = Path(name).stem if new_name is None else new_name
    target = folder / f"{new_name}.toml"
    try:
        text = copied(find(name), new_name)
        folder.mkdir(parents=True, exist_ok=True)
        check_target(target, [find(name)], force)
        write_whole(target, text)
    except ProfileError as error:
        raise Refused(*error.lines) from None
    except OutputError as error:
        raise Refused(str(error)) from None
    except OSError as error:
        raise Refused(f"{target}: cannot be written ({error.strerror})") from None
    click.echo(str(target))


@profiles.command()
@click.argument("names", nargs=-1, required=True)
def lint(names: tuple[str, ...]) -> None:
    """Check profiles for mistakes.

    Each is given by name or path. Every mistake is listed; the exit status is 2 if there is one.
    """
    for profile in load(names):
        click.echo(f"{profile.name}: {len(profile.rules)} rules, {len(profile.album_rules)} album rules, no faults")
