"""The station's end of the local socket.

Both ends keep only the newest message of each topic, and a command is read when the reply to the one before has left,
so a slow watcher never slows collection and no queue grows without bound. The messages are in
`meterlink.link.messages`.
"""

import asyncio
import contextlib
import json
import logging
import os
import secrets
import socket
import traceback
from collections.abc import Awaitable, Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast

from meterlink.core.errors import LinkError
from meterlink.core.permissions import FOR_OTHERS, PRIVATE_FILE, PRIVATE_FOLDER
from meterlink.link.endpoint import (
    HAS_UNIX_SOCKETS,
    IDLE_TIMEOUT,
    LONGEST_LINE,
    MOST_WATCHERS,
    PEER_TIMEOUT,
    TOKEN_TIMEOUT,
    parse_json_object,
    read_line,
    socket_path,
    token_path,
)
from meterlink.link.fault_log import Fault, FaultLog
from meterlink.link.messages import PROTOCOL_VERSION, Command, CommandResult, Greeting, Message, Reply, Topic
from meterlink.link.peer import is_trusted, peer_account

log = logging.getLogger(__name__)

# The shortest time between two writes to a watcher: twice the twenty drawings a second of a screen.
_FRAME_INTERVAL = 0.025  # s

OnCommand = Callable[[Command], Awaitable[CommandResult]]


class LinkServer:
    """Serves watchers; `publish` sends them messages. Use it as an async context manager.

    ``on_command`` carries out a watcher's command and returns its result. ``on_watcher`` is called for every new
    watcher, before it gets the newest messages. ``tcp`` uses the loopback port even where Unix sockets exist.
    """

    def __init__(
        self,
        folder: Path,
        station: str,
        version: str,
        on_command: OnCommand,
        on_watcher: Callable[[], None] = lambda: None,
        *,
        tcp: bool = False,
    ) -> None:
        self._folder = folder
        self._greeting = Greeting(
            topic=Topic.GREETING, protocol=PROTOCOL_VERSION, version=version, process=os.getpid(), station=station,
            data=str(folder),
        )  # fmt: skip
        self._on_command = on_command
        self._on_watcher = on_watcher
        self._tcp = tcp or not HAS_UNIX_SOCKETS
        self._token = ""
        self._latest: dict[str, bytes] = {}
        self._watchers: set[_Watcher] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self._faults = FaultLog()

    async def __aenter__(self) -> Self:
        self._server = await self._serve()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._faults.close()
        self._path.unlink(missing_ok=True)

    async def open_again(self) -> None:
        """Open the socket anew if its file was removed, with the data folder; watchers that are connected stay.

        Raises:
            LinkError: it cannot be opened.
        """
        before = self._server
        if before is None or self._path.exists():
            return
        server = await self._serve()
        if self._server is not before:  # the station ended meanwhile
            server.close()
            self._path.unlink(missing_ok=True)
            return
        self._server = server
        before.close()

    @property
    def has_watchers(self) -> bool:
        """Whether somebody gets the messages now."""
        return bool(self._watchers)

    def publish(self, message: Message) -> None:
        """Make ``message`` the newest of its topic for present and later watchers."""
        line = _encode(message)
        topic = message["topic"]
        if self._latest.get(topic) == line:
            return
        self._latest[topic] = line
        for watcher in self._watchers:
            watcher.queue_message(topic, line)

    @property
    def _path(self) -> Path:
        """The file by which watchers find this server."""
        return token_path(self._folder) if self._tcp else socket_path(self._folder)

    async def _serve(self) -> asyncio.Server:
        """Return a new server at the path.

        Raises:
            LinkError: it cannot be opened.
        """
        try:
            return await (self._serve_tcp() if self._tcp else self._serve_unix())
        except OSError as error:
            raise LinkError(
                f"The station's socket in {self._folder} cannot be opened: {error.strerror or error}.",
                "Check that the folder can be written to.",
            ) from error

    async def _serve_unix(self) -> asyncio.Server:
        path = self._path
        if path.parent != self._folder:
            path.parent.mkdir(mode=PRIVATE_FOLDER, exist_ok=True)
            owner = path.parent.stat()
            if owner.st_uid != os.getuid() or owner.st_mode & FOR_OTHERS:
                raise LinkError(f"{path.parent} belongs to another user.", "Use a data folder with a shorter path.")
        # This process has the database's lock, so an existing socket is a dead daemon's.
        path.unlink(missing_ok=True)
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            _bind_private(listener, path)
            return await asyncio.start_unix_server(self._accept, sock=listener, limit=LONGEST_LINE)
        except BaseException:  # also where this is cancelled: the station ends
            listener.close()
            raise

    async def _serve_tcp(self) -> asyncio.Server:
        server = await asyncio.start_server(self._accept, "127.0.0.1", 0, limit=LONGEST_LINE)
        self._token = secrets.token_urlsafe(24)
        try:
            self._path.unlink(missing_ok=True)
            descriptor = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE_FILE)
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                json.dump({"port": server.sockets[0].getsockname()[1], "token": self._token}, file)
        except OSError:
            server.close()
            raise
        return server

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = cast("asyncio.Task[None]", asyncio.current_task())
        self._tasks.add(task)
        try:
            if await self._is_admitted(reader, writer):
                self._on_watcher()
                await self._serve_watcher(_Watcher(writer, self._latest, self._faults), reader)
            await _close(writer)
        except (ConnectionError, asyncio.CancelledError):
            writer.close()
        except TimeoutError:
            _disconnect_unread(writer, self._faults)
        except Exception as error:  # one watcher's fault must not end the others' connections
            self._faults.add(Fault.CONNECTION_FAILED, f"Disconnected a watcher: {_place_of(error)}")
            log.debug("The connection of a watcher failed", exc_info=True)
            writer.transport.abort()
        finally:
            self._tasks.discard(task)

    async def _is_admitted(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
        """Return whether a connection is the owner's and there is a place for it; say why if only that is wrong."""
        if not self._tcp:
            account = peer_account(writer.get_extra_info("socket"))
            if not is_trusted(account):
                self._faults.add(Fault.OTHER_ACCOUNT, f"Refused a connection from the account with number {account}")
                return False
        if len(self._tasks) > MOST_WATCHERS:
            problem = f"{MOST_WATCHERS} dashboards and commands are connected to the station already"
            self._faults.add(Fault.TOO_MANY, f"Refused a watcher: {problem}")
            writer.write(_encode_reply(-1, CommandResult(f"{problem}. Close one of them.", exit_code=1)))
            return False
        return await self._has_token(reader)

    async def _has_token(self, reader: asyncio.StreamReader) -> bool:
        if not self._token:
            return True
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(TOKEN_TIMEOUT):
                token = parse_json_object(await read_line(reader)).get("token")
            if isinstance(token, str) and secrets.compare_digest(token.encode(), self._token.encode()):
                return True
        self._faults.add(Fault.WRONG_TOKEN, "Refused a connection without the token of the data folder")
        return False

    async def _serve_watcher(self, watcher: "_Watcher", reader: asyncio.StreamReader) -> None:
        watcher.write_greeting(self._greeting)
        self._watchers.add(watcher)
        sending = asyncio.create_task(watcher.send_queued(), name="link-send")
        try:
            while line := await self._next_line(reader):
                if not line.isspace():  # a blank one says that the watcher is alive
                    await watcher.send_reply(await self._reply_to(parse_json_object(line)))
                # A watcher with many lines waits its turn: neither reading a line nor replying needs to pause here.
                await asyncio.sleep(0)
        finally:
            self._watchers.discard(watcher)
            sending.cancel()
            await asyncio.gather(sending, return_exceptions=True)

    async def _next_line(self, reader: asyncio.StreamReader) -> bytes:
        """Return a watcher's next line; empty if it is gone, or has been silent for `IDLE_TIMEOUT`."""
        try:
            async with asyncio.timeout(IDLE_TIMEOUT):
                return await read_line(reader)
        except TimeoutError:
            self._faults.add(Fault.SILENT, f"Disconnected a watcher that was silent for {IDLE_TIMEOUT:.0f} s")
            return b""

    async def _reply_to(self, command: dict[str, Any]) -> bytes:
        number = command.get("id")
        if not isinstance(number, int):
            self._faults.add(Fault.NO_COMMAND, "A watcher sent a line that is no command")
            return _encode_reply(-1, CommandResult("This is not a command.", exit_code=2))
        try:
            result = await self._on_command(cast("Command", command))
        except Exception as error:  # the station collects on, whatever a command finds wrong in it
            place = _place_of(error)
            self._faults.add(Fault.COMMAND_FAILED, f"A command failed: {place}")
            log.debug("A command failed", exc_info=True)
            result = CommandResult(f"The command failed: {place}. This is a fault in Meterlink.", exit_code=1)
        return _encode_reply(number, result)


def _bind_private(listener: socket.socket, path: Path) -> None:
    """Bind a socket to a path that only the owner may open.

    Raises:
        OSError: the path cannot be made.
    """
    before = os.umask(0o177)
    try:
        listener.bind(str(path))
    finally:
        os.umask(before)


async def _close(writer: asyncio.StreamWriter) -> None:
    """Close a connection when its peer has got the written bytes, or after `PEER_TIMEOUT`.

    Raises:
        TimeoutError: the peer does not read.
        ConnectionError: the peer is gone.
    """
    writer.close()
    async with asyncio.timeout(PEER_TIMEOUT):
        await writer.wait_closed()


def _disconnect_unread(writer: asyncio.StreamWriter, faults: FaultLog) -> None:
    faults.add(Fault.NOT_READING, f"Disconnected a watcher that did not read for {PEER_TIMEOUT:.0f} s")
    writer.transport.abort()


def _place_of(error: Exception) -> str:
    """Return ``OverflowError in queries.py, line 12``: the class of an error and its place, without any text of it."""
    frame = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__} in {Path(frame.filename).name}, line {frame.lineno}"


def _encode_reply(number: int, result: CommandResult) -> bytes:
    line = _encode(
        Reply(
            topic=Topic.REPLY,
            id=number,
            error=result.error,
            accepted=result.accepted,
            question=result.question,
            data=dict(result.data),
            exit_code=result.exit_code,
        )
    )
    if len(line) <= LONGEST_LINE:
        return line
    return _encode_reply(number, CommandResult("The reply is too long to be sent.", exit_code=1))


def _encode(message: Message | Greeting | Reply) -> bytes:
    return json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


class _Watcher:
    """One connected watcher, with the newest unsent message of each topic."""

    def __init__(self, writer: asyncio.StreamWriter, latest: dict[str, bytes], faults: FaultLog) -> None:
        self._writer = writer
        self._faults = faults
        self._unsent = dict(latest)
        self._wake = asyncio.Event()
        if latest:
            self._wake.set()

    def queue_message(self, topic: str, line: bytes) -> None:
        self._unsent[topic] = line
        self._wake.set()

    def write_greeting(self, greeting: Greeting) -> None:
        self._writer.write(_encode(greeting))

    async def send_reply(self, line: bytes) -> None:
        """Send the unsent messages, then a reply: a key pressed after it finds the effect of the one before.

        No further command is read before the watcher has taken most of it, so that the written and unread part stays
        below the size of two lines.

        Raises:
            TimeoutError: the watcher does not read.
            ConnectionError: the watcher is gone.
        """
        lines, self._unsent = self._unsent, {}
        self._writer.writelines((*lines.values(), line))
        async with asyncio.timeout(PEER_TIMEOUT):
            await self._writer.drain()

    async def send_queued(self) -> None:
        """Send the newest messages as they change; disconnect a watcher that stops reading."""
        try:
            while True:
                await self._wake.wait()
                self._wake.clear()
                lines, self._unsent = self._unsent, {}
                self._writer.writelines(lines.values())
                async with asyncio.timeout(PEER_TIMEOUT):
                    await self._writer.drain()
                await asyncio.sleep(_FRAME_INTERVAL)
        except ConnectionError:
            self._writer.transport.abort()
        except TimeoutError:
            _disconnect_unread(self._writer, self._faults)
