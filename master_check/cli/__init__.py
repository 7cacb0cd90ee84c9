"""The `sendoff` command: parse, call, print. Nothing is computed here; a command imports what it needs when it runs.

Exit status: 0, no `must` rule failed; 1, a `must` rule failed; 2, a file could not be read or the command line is
wrong. Data goes to standard output, progress and errors to standard error.
"""

import os
import sys

import click

from master_check import __version__
from master_check.cli.album import album
from master_check.cli.catalogue import catalogue
from master_check.cli.check import check
from master_check.cli.common import Refused, complain
from master_check.cli.compare import compare
from master_check.cli.deliver import deliver
from master_check.cli.listen import listen
from master_check.cli.plan import plan
from master_check.cli.profiles import profiles
from master_check.cli.quantities import quantities
from master_check.cli.rehearse import rehearse
from master_check.cli.schema import schema
from master_check.cli.selftest import selftest
from master_check.cli.stems import stems
from master_check.cli.stopping import STATUS, stop_at_once_on_interrupt
from master_check.cli.streams import prepare_streams
from master_check.cli.tags import tags


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="sendoff")
def cli() -> None:
    """The last check before a record leaves the room.

    Measures premasters and masters, checks them against delivery profiles, finds limiter settings, and shows what
    mastering changed. Input files are only ever read.
    """


for command in (
    album,
    catalogue,
    check,
    compare,
    deliver,
    listen,
    plan,
    profiles,
    quantities,
    rehearse,
    schema,
    selftest,
    stems,
    tags,
):
    cli.add_command(command)


def main() -> None:
    """Entry point of the `sendoff` command."""
    prepare_streams()
    stop_at_once_on_interrupt()
    out, status = sys.stdout, _run()
    if sys.stdout is not out:  # click replaces it when the reader has gone; its own status would be a failed rule's
        status = 2
    for stream in (out, sys.stderr):
        try:
            stream.flush()
        except OSError:  # what is still buffered would fail again when the interpreter exits
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    sys.exit(status)


def _run() -> int:
    """Run the command and return its exit status. Whatever stops it is one line on standard error."""
    try:
        status = cli(prog_name="sendoff", standalone_mode=False)
        sys.stdout.flush()
        return status or 0
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 2
    except Refused as error:
        error.show()
    except click.UsageError as error:
        if isinstance(error, getattr(click.exceptions, "NoArgsIsHelpError", ())):
            error.show()
        else:
            command = error.ctx.command_path if error.ctx else "sendoff"
            complain(f"{' '.join(error.format_message().split())} See {command} --help.")
    except (click.Abort, KeyboardInterrupt):  # as one already on its way when the command began
        complain("stopped")
        return STATUS
    except BrokenPipeError:
        pass
    except OSError as error:
        complain(f"{error.filename or 'standard output'}: {error.strerror or error}")
    except MemoryError:
        complain("not enough memory")
    except RuntimeError as error:
        if "thread" not in str(error):
            raise
        complain("the system gives no more threads, or not enough memory for them; ask for fewer with --threads")
    return 2
