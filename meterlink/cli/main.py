"""The command line. Subcommands are imported only when they are run: `--help` must start at once."""

import io
import sys
from typing import Any, NoReturn

import click

from meterlink import VERSION
from meterlink.cli.lazy_group import LazyCommand, lazy_group
from meterlink.core.errors import MeterlinkError, user_error

# The dashboard and the demo live in packages that stand on this one, so they are named, not imported.
_COMMANDS = {
    "capture": LazyCommand(
        "meterlink.cli.capture", "command", "Record a meter's packets, with what it shows typed in."
    ),
    "decode": LazyCommand("meterlink.cli.decode", "command", "Decode recorded packets by a meter's profile."),
    "demo": LazyCommand(
        "meterlink_simulators.command", "command", "Play a service call on simulated meters: no hardware."
    ),
    "diagnose": LazyCommand("meterlink.cli.diagnose", "command", "Say what a visit's readings point to, and why."),
    "find": LazyCommand("meterlink.cli.find", "command", "List the meters on the air; bind the ones that are yours."),
    "history": LazyCommand("meterlink.cli.history", "command", "Show kept readings with their tags and verdicts."),
    "judge": LazyCommand("meterlink.cli.judge", "command", "Judge one reading against a rating or limits."),
    "keyed": LazyCommand("meterlink.cli.enter", "command", "Type in a value read off a meter without a radio."),
    "plan": LazyCommand("meterlink.cli.plan", "command", "Check a plan file; list and show the shipped plans."),
    "profile": LazyCommand(
        "meterlink.cli.profile", "command", "Check a meter's profile; print the schema of profiles."
    ),
    "replay": LazyCommand("meterlink.cli.replay", "command", "Replay recorded packets, with verdicts."),
    "run": LazyCommand("meterlink.cli.run", "command", "Collect readings from Bluetooth meters (the daemon)."),
    "teach": LazyCommand("meterlink.cli.teach", "command", "Find out how a meter's packets are read, from a capture."),
    "trend": LazyCommand("meterlink.cli.trend", "command", "Say which parts drift from visit to visit."),
    "watch": LazyCommand("meterlink_tui.command", "command", "Open the dashboard; starts the daemon where none runs."),
}


@click.group(cls=lazy_group(_COMMANDS), context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(VERSION, prog_name="meterlink")
def cli() -> None:
    """Take readings off Bluetooth multimeters, judge the part at once, keep the proof."""


def main(args: list[str] | None = None) -> NoReturn:
    """Run the command line and exit: 0 done, 2 bad input, 1 anything else foreseen. Never a traceback for those."""
    # µ and Ω must not end a pipe that somebody set to another encoding.
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        status: Any = cli.main(args, prog_name="meterlink", standalone_mode=False)
    except (Exception, BaseExceptionGroup) as raised:  # noqa: BLE001  # what is not foreseen is raised again
        sys.exit(_report(user_error(raised)))
    sys.exit(status if isinstance(status, int) else 0)


def _report(error: BaseException) -> int:
    """Say what went wrong, in a line, and return the exit status; raise what nobody foresaw."""
    match error:
        case click.exceptions.Abort():
            return 130  # 128 + SIGINT, as a shell reports it
        case click.UsageError():
            where = error.ctx.command_path if error.ctx else "meterlink"
            click.echo(f"meterlink: {error.format_message()} See: {where} --help", err=True)
            return error.exit_code
        case click.ClickException():
            click.echo(f"meterlink: {error.format_message()}", err=True)
            return error.exit_code
        case MeterlinkError():
            click.echo(f"meterlink: {error}", err=True)
            return error.exit_code
        case BrokenPipeError():
            # Whoever read our output (head, less) has had enough; the flush at exit must not complain about it.
            sys.stdout = None
            return 0
        case OSError():
            sys.stdout = None  # it may be what is full
            where = f": {error.filename}" if error.filename else ""
            click.echo(f"meterlink: {error.strerror or error}{where}. Check the disk and where output goes.", err=True)
            return 1
    raise error
