"""The command line. Subcommands are imported only when they are run: `--help` must start at once."""

import io
import sys
from collections.abc import Sequence
from itertools import pairwise
from typing import Any, NoReturn

import click

from meterlink.cli.file_modes import private_files
from meterlink.cli.lazy_group import LazyCommand, lazy_group
from meterlink.cli.repeated_options import check_no_repeated_option
from meterlink.cli.terminal import colour_choice, is_interactive
from meterlink.core.errors import MeterlinkError, user_error
from meterlink.core.text import clean_text
from meterlink.core.version import VERSION

# The dashboard and the demo are in packages that import this one, so they are named here, not imported.
_JOB, _RECORD = "At the unit", "Afterwards"
_KEEPING, _METERS, _DESK = "Keeping the record", "Meters", "At the desk"
_SERVICE = "The daemon"
_COMMANDS = {
    "demo": LazyCommand(
        "meterlink_simulators.command", "command", "Play a service call on simulated meters: no hardware.", _JOB
    ),
    "visit": LazyCommand("meterlink.cli.visit", "command", "Begin, switch and close visits; show the readings.", _JOB),
    "watch": LazyCommand(
        "meterlink_tui.command", "command", "Open the dashboard; start the daemon if none runs.", _JOB
    ),
    "enter": LazyCommand("meterlink.cli.enter", "command", "Type in a reading from a meter without radio.", _JOB),
    "answer": LazyCommand("meterlink.cli.answer", "command", "List the open questions of the visit; answer one.", _JOB),
    "diagnose": LazyCommand(
        "meterlink.cli.diagnose", "command", "Show the likely causes behind a visit's readings.", _JOB
    ),
    "history": LazyCommand("meterlink.cli.history", "command", "List accepted readings and their verdicts.", _RECORD),
    "gaps": LazyCommand("meterlink.cli.gaps", "command", "List the times without readings, and why.", _RECORD),
    "report": LazyCommand("meterlink.cli.report", "command", "Write the report on a visit.", _RECORD),
    "verify": LazyCommand(
        "meterlink.cli.verify", "command", "Check that a visit, or a report, is as it was sealed.", _RECORD
    ),
    "seal": LazyCommand("meterlink.cli.seal", "command", "List the sealed visits and the station's keys.", _RECORD),
    "export": LazyCommand("meterlink.cli.export", "command", "Write readings for other programs.", _RECORD),
    "trend": LazyCommand("meterlink.cli.trend", "command", "Show which parts drift from visit to visit.", _RECORD),
    "due": LazyCommand("meterlink.cli.due", "command", "List the parts that will soon be outside.", _RECORD),
    "stock": LazyCommand("meterlink.cli.stock", "command", "Count the parts on the truck; list what to buy.", _RECORD),
    "sticker": LazyCommand("meterlink.cli.sticker", "command", "Print a tag for the inside of a unit.", _RECORD),
    "unit": LazyCommand("meterlink.cli.unit", "command", "Show a unit; enter its nameplate; rename it.", _RECORD),
    "site": LazyCommand(
        "meterlink.cli.site", "command", "Show a site; keep its customer and address; rename it.", _RECORD
    ),
    "backup": LazyCommand("meterlink.cli.backup", "command", "Write the record to a file, and check it.", _KEEPING),
    "restore": LazyCommand("meterlink.cli.restore", "command", "Make a backup the record of a folder.", _KEEPING),
    "salvage": LazyCommand("meterlink.cli.salvage", "command", "Save the readable part of a damaged record.", _KEEPING),
    "thin": LazyCommand("meterlink.cli.thin", "command", "Delete old raw readings, after a preview.", _KEEPING),
    "import": LazyCommand("meterlink.cli.import_", "command", "Take in readings that were exported.", _KEEPING),
    "outbox": LazyCommand(
        "meterlink.cli.outbox", "command", "List the messages that the broker refused; retry them.", _KEEPING
    ),
    "merge": LazyCommand("meterlink.cli.merge", "command", "Take in the record of another station.", _KEEPING),
    "find": LazyCommand("meterlink.cli.find", "command", "List the meters in range; bind your own.", _METERS),
    "meter": LazyCommand("meterlink.cli.meter", "command", "List your meters; enter their accuracy.", _METERS),
    "capture": LazyCommand(
        "meterlink.cli.capture", "command", "Record a meter's packets while you type its display.", _METERS
    ),
    "teach": LazyCommand("meterlink.cli.teach", "command", "Work out a meter's profile from a capture.", _METERS),
    "profile": LazyCommand("meterlink.cli.profile", "command", "Check a meter's profile; list the profiles.", _METERS),
    "decode": LazyCommand(
        "meterlink.cli.decode", "command", "Decode recorded packets with a meter's profile.", _METERS
    ),
    "replay": LazyCommand(
        "meterlink.cli.replay", "command", "Replay recorded packets and judge the readings.", _METERS
    ),
    "run": LazyCommand("meterlink.cli.run", "command", "Collect readings from Bluetooth meters.", _SERVICE),
    "status": LazyCommand(
        "meterlink.cli.status", "command", "Show the state of the daemon, and its problems.", _SERVICE
    ),
    "check": LazyCommand("meterlink.cli.check", "command", "Check this machine; name the remedies.", _SERVICE),
    "service": LazyCommand("meterlink.cli.service", "command", "Install the daemon as a service of systemd.", _SERVICE),
    "judge": LazyCommand("meterlink.cli.judge", "command", "Judge one reading against a rating or limits.", _DESK),
    "plan": LazyCommand("meterlink.cli.plan", "command", "Check a plan file; list and show the shipped plans.", _DESK),
    "schema": LazyCommand(
        "meterlink.cli.schema", "command", "Print the JSON Schema of a kind of file, for editors.", _DESK
    ),
}


@click.group(
    cls=lazy_group(_COMMANDS),
    context_settings={"help_option_names": ["-h", "--help"]},
    invoke_without_command=True,
)
@click.version_option(VERSION, prog_name="meterlink")
@click.pass_context
def cli(context: click.Context) -> None:
    """Read Bluetooth multimeters, judge each part at once and keep the proof.

    Without a command it asks for the job: the demo, a visit, or finding a meter.
    """
    if context.invoked_subcommand is not None:
        return
    if not is_interactive():
        click.echo(context.get_help())
        return
    from meterlink.cli.first_run import ask_for_the_job  # noqa: PLC0415  # `--help` must start at once

    ask_for_the_job(context)


def main(args: list[str] | None = None) -> NoReturn:
    """Run the command line and exit: status 0 done, 2 bad input, 3 a question, 1 any other expected error."""
    # A pipe may have an encoding without µ and Ω: print a replacement instead of failing.
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        typed = sys.argv[1:] if args is None else args
        _check_no_empty_value(typed)
        check_no_repeated_option(cli, typed)
        with private_files():
            status: Any = cli.main(args, prog_name="meterlink", standalone_mode=False, color=colour_choice())
    except (Exception, BaseExceptionGroup) as raised:  # noqa: BLE001  # unexpected errors are raised again
        sys.exit(_report(user_error(raised)))
    sys.exit(status if isinstance(status, int) else 0)


def _check_no_empty_value(args: Sequence[str]) -> None:
    """Check that no argument, and no value of an option, is empty or has invisible characters only.

    No command gives an empty text a meaning: it is a mistake, mostly of a script whose variable is not set.

    Raises:
        click.UsageError: one is empty; the message names its option, or the text before it.
    """
    for before, arg in pairwise(("meterlink", *args)):
        if "\0" in arg:  # no shell passes it on, and no file's name may have it
            raise click.UsageError(f"The text after {before!r} has a character NUL: remove it.")
        option, equals, value = arg.partition("=")
        is_option = bool(equals) and option.startswith("-")
        if clean_text(value if is_option else arg):
            continue
        if is_option or before.startswith("-"):
            raise click.UsageError(
                f"{option if is_option else before} has an empty value: give it one, or leave it out."
            )
        raise click.UsageError(f"An empty text stands after {before!r}: write it, or leave it out.")


def _report(error: BaseException) -> int:
    """Print an expected error on one line and return the exit status; raise any other error."""
    match error:
        case click.exceptions.Abort():
            return 130  # 128 + SIGINT, as a shell reports it
        case click.exceptions.NoArgsIsHelpError():  # `meterlink` or `meterlink plan` alone prints its help
            click.echo(error.format_message())
            return 0
        case click.UsageError():
            command = error.ctx.command_path if error.ctx else "meterlink"
            click.echo(f"meterlink: {_one_line(error.format_message())} See: {command} --help", err=True)
            return error.exit_code
        case click.ClickException():
            click.echo(f"meterlink: {_one_line(error.format_message())}", err=True)
            return error.exit_code
        case MeterlinkError():
            click.echo(f"meterlink: {_printable(str(error))}", err=True)
            return error.exit_code
        case BrokenPipeError():
            # The reader of the output (head, less) has closed the pipe; the flush at exit must not fail on it.
            sys.stdout = None
            return 0
        case OSError():
            sys.stdout = None  # the disk it is redirected to may be full
            file = f": {error.filename}" if error.filename else ""
            click.echo(f"meterlink: {error.strerror or error}{file}. Check the disk and the output file.", err=True)
            return 1
    raise error


def _one_line(message: str) -> str:
    return " ".join(_printable(message).split())


def _printable(message: str) -> str:
    """Return a message with ``?`` for typed control characters, which a terminal would obey; its lines are kept."""
    return "".join(char if char.isprintable() or char.isspace() else "?" for char in message)
