"""Commands to the station of a data folder: to its daemon, or to a station without radio where none runs."""

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Protocol

from meterlink.core.errors import InputError, MeterlinkError
from meterlink.core.questions import OpenQuestionError
from meterlink.link.messages import CommandName, ReceivedParts, Reply


class CommandError(MeterlinkError):
    """The station did not carry out a command, because the state does not allow it now."""


class CommandInputError(InputError):
    """The station did not carry out a command, because its input cannot be used."""


class CommandQuestionError(CommandInputError):
    """The station did not carry out a command, because its text has several meanings; the message has the choices."""

    exit_code = OpenQuestionError.exit_code


def send_command(folder: Path, command: CommandName, **fields: str | int | list[ReceivedParts]) -> Mapping[str, Any]:
    """Let the station carry out ``command``; return the data of its reply.

    Raises:
        CommandError: the state does not allow it now; the message is the station's.
        CommandInputError: its input cannot be used; the message is the station's.
        StoreError: the database cannot be used.
        LinkError: the daemon stopped, or has another version.
    """
    import asyncio  # noqa: PLC0415  # a third of the time of a command that only reads the database

    return asyncio.run(_send(folder, command, fields))


async def _send(
    folder: Path, command: CommandName, fields: Mapping[str, str | int | list[ReceivedParts]]
) -> Mapping[str, Any]:
    async with connected_station(folder) as request:
        return await request(command, **fields)


class Request(Protocol):
    """A function that lets the station carry out a command, and returns the data of its reply."""

    async def __call__(self, command: CommandName, **fields: str | int | list[ReceivedParts]) -> Mapping[str, Any]:
        """Raise the errors of `send_command`."""


@asynccontextmanager
async def connected_station(folder: Path) -> AsyncIterator[Request]:
    """Yield a function for several commands; see `send_command`.

    Raises:
        StoreError: the database cannot be used.
        LinkError: the daemon has another version.
    """
    from meterlink.cli.daemon_version import connect_to_daemon  # noqa: PLC0415  # as above

    async with ensure_station(folder):
        client = await connect_to_daemon(folder)

        async def request(command: CommandName, **fields: str | int | list[ReceivedParts]) -> Mapping[str, Any]:
            reply = await client.request(command, **fields)
            require_success(reply)
            return reply["data"]

        try:
            yield request
        finally:
            await client.close()


def require_success(reply: Reply) -> None:
    """Do nothing if a command was carried out.

    Raises:
        CommandError: the state does not allow it now; the message is the station's.
        CommandInputError: its input cannot be used; the message is the station's.
        CommandQuestionError: its text has several meanings.
    """
    if reply["question"] is not None:
        raise CommandQuestionError(reply["error"])
    if reply["error"]:
        raise (CommandInputError if reply["exit_code"] == InputError.exit_code else CommandError)(reply["error"])


@asynccontextmanager
async def ensure_station(folder: Path) -> AsyncIterator[None]:
    """Run a station without radio while the context lasts, unless a daemon runs on ``folder``.

    Raises:
        StoreError: the database cannot be used.
        SettingsError: the settings cannot be used.
        LinkError: the daemon has another version.
    """
    from meterlink.link.client import NoDaemonError, connect  # noqa: PLC0415  # as in `send_command`

    try:
        client = await connect(folder)
    except NoDaemonError:
        # A station costs a quarter of a second, and mostly a daemon runs.
        from meterlink.cli.run import read_boot_id  # noqa: PLC0415
        from meterlink.station.offline import station_without_radio  # noqa: PLC0415

        async with station_without_radio(folder, read_boot_id()):
            yield
    else:
        await client.close()
        yield
