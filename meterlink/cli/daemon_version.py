"""A daemon of another version, as after an upgrade while it runs: every command that it carries out says so."""

from pathlib import Path

import click

from meterlink.cli.output import printable_text
from meterlink.core.version import VERSION
from meterlink.link.client import LinkClient, connect


async def connect_to_daemon(folder: Path) -> LinkClient:
    """Return a connection to the daemon of a data folder; say on standard error that it has another version.

    Raises:
        NoDaemonError: no daemon runs on the folder.
        LinkError: the daemon uses another protocol version, takes no more watchers, or is another account's.
    """
    client = await connect(folder)
    if client.other_version:
        click.echo(
            f"The daemon is version {printable_text(client.other_version)}, this program {VERSION}. This command is"
            " the daemon's work, done as its version does it. Start the daemon again when no visit is open:"
            " systemctl restart meterlink, or end `meterlink run` and run it again.",
            err=True,
        )
    return client
