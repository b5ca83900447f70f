"""A watcher's end of the local socket."""

import asyncio
import contextlib
import json
import shlex
from collections.abc import AsyncIterator
from pathlib import Path
from typing import cast

from meterlink.core.errors import LinkError
from meterlink.core.version import VERSION
from meterlink.link.endpoint import (
    HAS_UNIX_SOCKETS,
    HEARTBEAT,
    LONGEST_LINE,
    PEER_TIMEOUT,
    parse_json_object,
    read_line,
    socket_path,
    token_path,
)
from meterlink.link.messages import PROTOCOL_VERSION, CommandName, Greeting, Message, ReceivedParts, Reply, Topic
from meterlink.link.peer import is_trusted, peer_account


class NoDaemonError(LinkError):
    """No daemon runs on a data folder."""


class LinkClient:
    """A watcher's end. Iterate over it for messages; `send` commands. `connect` returns one.

    ``incident`` says in sentences that the daemon has died and was started again; empty if it has not.
    """

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, greeting: Greeting) -> None:
        self.greeting = greeting
        self.incident = ""
        self._reader = reader
        self._writer = writer
        self._unread: dict[str, Message] = {}
        self._wake = asyncio.Event()
        self._disconnected = False
        self._pending_replies: dict[int, asyncio.Future[Reply]] = {}
        self._last_id = 0
        self._task = asyncio.create_task(self._receive(), name="link-receive")
        self._beating = asyncio.create_task(self._say_alive(), name="link-alive")

    async def _receive(self) -> None:
        try:
            while line := await read_line(self._reader):
                message = parse_json_object(line)
                if message.get("topic") == Topic.REPLY:
                    pending = self._pending_replies.pop(message.get("id", -1), None)
                    if pending is not None and not pending.done():
                        pending.set_result(cast("Reply", message))
                elif isinstance(message.get("topic"), str):
                    self._unread[message["topic"]] = cast("Message", message)
                    self._wake.set()
        except ConnectionError:
            pass
        finally:
            self._disconnected = True
            self._wake.set()
            for pending in self._pending_replies.values():
                pending.cancel()

    async def _say_alive(self) -> None:
        """Send a blank line from time to time: the daemon disconnects a watcher that is silent for long."""
        with contextlib.suppress(ConnectionError):
            while not self._disconnected:
                await asyncio.sleep(HEARTBEAT)
                self._writer.write(b"\n")
                await self._writer.drain()

    async def __aiter__(self) -> AsyncIterator[Message]:
        """Yield the newest message of each topic until the daemon stops."""
        while True:
            await self._wake.wait()
            self._wake.clear()
            unread, self._unread = self._unread, {}
            for message in unread.values():
                yield message
            if self._disconnected and not self._unread:
                return

    async def send(self, command: CommandName, **fields: str | int) -> str:
        """Send a command and wait for its reply; return the reply's error, empty for none.

        Raises:
            LinkError: the daemon has stopped.
        """
        return (await self.request(command, **fields))["error"]

    async def request(self, command: CommandName, **fields: str | int | list[ReceivedParts]) -> Reply:
        """Send a command and return its reply.

        Raises:
            LinkError: the daemon has stopped.
            CancelledError: the caller was cancelled.
        """
        self._last_id = number = self._last_id + 1
        answer: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self._pending_replies[number] = answer
        try:
            if self._disconnected:
                raise self._daemon_stopped()
            self._writer.write(json.dumps({"id": number, "command": command, **fields}).encode() + b"\n")
            await self._writer.drain()
            return await answer
        except ConnectionError as error:
            raise self._daemon_stopped() from error
        except asyncio.CancelledError:
            if self._disconnected and answer.cancelled():
                raise self._daemon_stopped() from None
            raise
        finally:
            self._pending_replies.pop(number, None)

    @property
    def other_version(self) -> str:
        """The version of the daemon if it is not that of this program, else empty."""
        return "" if self.greeting["version"] == VERSION else self.greeting["version"]

    def _daemon_stopped(self) -> LinkError:
        return daemon_stopped(Path(self.greeting["data"]))

    async def close(self) -> None:
        """Disconnect from the daemon."""
        self._task.cancel()
        self._beating.cancel()
        await asyncio.gather(self._task, self._beating, return_exceptions=True)
        await _close(self._writer)


async def _close(writer: asyncio.StreamWriter) -> None:
    writer.close()
    with contextlib.suppress(ConnectionError):
        await writer.wait_closed()


def daemon_stopped(folder: Path) -> LinkError:
    """Return the error for a daemon that stopped while a client was connected."""
    return LinkError("The station's daemon has stopped.", start_remedy(folder))


def start_remedy(folder: Path) -> str:
    """Return the remedy that starts a daemon on ``folder``, with a command for a shell."""
    return f"Start it with: meterlink run --data {shlex.quote(str(folder))}"


async def connect(folder: Path) -> LinkClient:
    """Return a connection to the daemon of a data folder.

    Raises:
        NoDaemonError: no daemon runs on the folder.
        LinkError: the daemon uses another protocol version, takes no more watchers, or is another account's.
    """
    try:
        reader, writer = await _open_streams(folder)
        try:
            line = await asyncio.wait_for(read_line(reader), PEER_TIMEOUT)
        except BaseException:
            writer.transport.abort()
            raise
    except (OSError, ValueError, KeyError, TimeoutError) as error:
        raise NoDaemonError(f"No daemon runs on {folder}.", start_remedy(folder)) from error
    greeting = parse_json_object(line)
    if greeting.get("topic") == Topic.REPLY:  # it does not take this watcher
        await _close(writer)
        raise LinkError(str(greeting.get("error", "")))
    if greeting.get("protocol") != PROTOCOL_VERSION:
        await _close(writer)
        process = greeting.get("process")
        named = f", process {process}" if isinstance(process, int) else ""
        raise LinkError(
            f"The daemon on {folder} (version {greeting.get('version', 'unknown')}{named}) uses an incompatible "
            f"protocol version; this is version {VERSION}.",
            "Stop it and start it again with this version (a service: systemctl restart meterlink): accepted readings"
            " are in its database. Commands that only read it, as history, report and backup, work meanwhile.",
        )
    return LinkClient(reader, writer, cast("Greeting", greeting))


def _owner(folder: Path) -> int:
    return folder.stat().st_uid


async def _open_streams(folder: Path) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    if token_path(folder).exists():
        port_file = json.loads(token_path(folder).read_text(encoding="utf-8"))
        reader, writer = await asyncio.open_connection("127.0.0.1", port_file["port"], limit=LONGEST_LINE)
        writer.write(json.dumps({"token": port_file["token"]}).encode() + b"\n")
        return reader, writer
    if not HAS_UNIX_SOCKETS:
        raise FileNotFoundError(folder)
    reader, writer = await asyncio.open_unix_connection(str(socket_path(folder)), limit=LONGEST_LINE)
    account = peer_account(writer.get_extra_info("socket"))
    if not is_trusted(account, _owner(folder)):
        await _close(writer)
        raise LinkError(
            f"The socket of {folder} is not its owner's: the account with number {account} listens there.",
            "Ask who set it up; give nothing to it.",
        )
    return reader, writer
