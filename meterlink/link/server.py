"""The station's end of the local socket.

Both ends keep only the newest message of each topic, so a slow watcher never slows collection and no queue grows
without bound. The messages are in `meterlink.link.messages`.
"""

import asyncio
import contextlib
import json
import os
import secrets
import socket
from collections.abc import Awaitable, Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast

from meterlink.core.errors import LinkError
from meterlink.link.endpoint import (
    HAS_UNIX_SOCKETS,
    LONGEST_LINE,
    PEER_TIMEOUT,
    parse_json_object,
    read_line,
    socket_path,
    token_path,
)
from meterlink.link.messages import PROTOCOL_VERSION, Command, CommandResult, Greeting, Message, Reply, Topic

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

    async def __aenter__(self) -> Self:
        try:
            self._server = await (self._serve_tcp() if self._tcp else self._serve_unix())
        except OSError as error:
            raise LinkError(
                f"The station's socket in {self._folder} cannot be opened: {error.strerror or error}.",
                "Check that the folder can be written to.",
            ) from error
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._server is not None:
            self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        for path in (token_path(self._folder),) if self._tcp else (socket_path(self._folder),):
            path.unlink(missing_ok=True)

    @property
    def has_watchers(self) -> bool:
        """Whether somebody gets the messages now."""
        return bool(self._watchers)

    def publish(self, message: Message) -> None:
        """Make ``message`` the newest of its topic for present and later watchers."""
        line = json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
        topic = message["topic"]
        if self._latest.get(topic) == line:
            return
        self._latest[topic] = line
        for watcher in self._watchers:
            watcher.queue_message(topic, line)

    async def _serve_unix(self) -> asyncio.Server:
        path = socket_path(self._folder)
        if path.parent != self._folder:
            path.parent.mkdir(mode=0o700, exist_ok=True)
            owner = path.parent.stat()
            if owner.st_uid != os.getuid() or owner.st_mode & 0o077:
                raise LinkError(f"{path.parent} belongs to another user.", "Use a data folder with a shorter path.")
        # This process has the database's lock, so an existing socket is a dead daemon's.
        path.unlink(missing_ok=True)
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        before = os.umask(0o177)
        try:
            listener.bind(str(path))
        except OSError:
            listener.close()
            raise
        finally:
            os.umask(before)
        return await asyncio.start_unix_server(self._accept, sock=listener, limit=LONGEST_LINE)

    async def _serve_tcp(self) -> asyncio.Server:
        server = await asyncio.start_server(self._accept, "127.0.0.1", 0, limit=LONGEST_LINE)
        self._token = secrets.token_urlsafe(24)
        path = token_path(self._folder)
        path.unlink(missing_ok=True)
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump({"port": server.sockets[0].getsockname()[1], "token": self._token}, file)
        return server

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = cast("asyncio.Task[None]", asyncio.current_task())
        self._tasks.add(task)
        try:
            with contextlib.suppress(ConnectionError, TimeoutError, asyncio.CancelledError):
                if await self._is_authorized(reader):
                    self._on_watcher()
                    await self._serve_watcher(_Watcher(writer, self._latest), reader)
        finally:
            self._tasks.discard(task)
            writer.close()

    async def _is_authorized(self, reader: asyncio.StreamReader) -> bool:
        if not self._token:
            return True
        async with asyncio.timeout(PEER_TIMEOUT):
            token = parse_json_object(await read_line(reader)).get("token")
        return isinstance(token, str) and secrets.compare_digest(token.encode(), self._token.encode())

    async def _serve_watcher(self, watcher: "_Watcher", reader: asyncio.StreamReader) -> None:
        watcher.write_message(self._greeting)
        self._watchers.add(watcher)
        sending = asyncio.create_task(watcher.send_queued(), name="link-send")
        try:
            while line := await read_line(reader):
                watcher.write_reply(await self._reply_to(parse_json_object(line)))
        finally:
            self._watchers.discard(watcher)
            sending.cancel()
            await asyncio.gather(sending, return_exceptions=True)

    async def _reply_to(self, command: dict[str, Any]) -> Reply:
        number = command.get("id")
        if not isinstance(number, int):
            return Reply(
                topic=Topic.REPLY,
                id=-1,
                error="This is not a command.",
                accepted=None,
                question=None,
                data={},
                exit_code=2,
            )
        result = await self._on_command(cast("Command", command))
        return Reply(
            topic=Topic.REPLY,
            id=number,
            error=result.error,
            accepted=result.accepted,
            question=result.question,
            data=dict(result.data),
            exit_code=result.exit_code,
        )


class _Watcher:
    """One connected watcher, with the newest unsent message of each topic."""

    def __init__(self, writer: asyncio.StreamWriter, latest: dict[str, bytes]) -> None:
        self._writer = writer
        self._unsent = dict(latest)
        self._wake = asyncio.Event()
        if latest:
            self._wake.set()

    def queue_message(self, topic: str, line: bytes) -> None:
        self._unsent[topic] = line
        self._wake.set()

    def write_reply(self, reply: Reply) -> None:
        """Write the unsent messages, then a reply: a key pressed after it finds the effect of the one before."""
        lines, self._unsent = self._unsent, {}
        self._writer.writelines(lines.values())
        self.write_message(reply)

    def write_message(self, message: Greeting | Reply) -> None:
        self._writer.write(json.dumps(message, ensure_ascii=False).encode() + b"\n")

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
        except (ConnectionError, TimeoutError):
            self._writer.transport.abort()
