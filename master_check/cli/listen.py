"""`sendoff listen`: look at files and hear them, in a browser on this machine."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from master_check.cli.common import PATH, Refused, layout_option, load, profiles_option

if TYPE_CHECKING:
    from master_check.tables.layouts import Layout


@click.command()
@click.argument("files", nargs=-1, type=PATH)
@profiles_option
@layout_option
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def listen(files: tuple[Path, ...], profiles: tuple[str, ...], layout: "Layout | None", no_browser: bool) -> None:
    """Look at FILES and hear them, on a page of this machine.

    Shows the verdict as a report does, loudness and waveform down to the sample, and plays every finding. Give a master
    and its premaster to switch between them, in step and at the same loudness. A folder is an album. Without FILES,
    drop some onto the page.

    The page is served to this machine only; its address is printed first. End it with Ctrl-C, or on the page.

    \b
    Examples:
      sendoff listen master.wav premaster.wav -p streaming
      sendoff listen masters/ -p streaming -p cd
    """
    from master_check.albums.tracks import AlbumError, find_tracks
    from master_check.page.serve import serve

    loaded = load(profiles)
    try:
        paths = list(find_tracks(files).paths)
    except AlbumError as error:
        raise Refused(*error.faults) from None
    for path in paths:
        if not path.exists():
            raise Refused(f"{path}: no such file")
    album = any(path.is_dir() for path in files)
    serve(
        paths,
        loaded,
        layout,
        as_album=album,
        pair=len(paths) == 2 and not album,
        browser=not no_browser,
        ready=lambda address: click.echo(address),
    )
