"""The local socket between the daemon and whoever watches it.

JSON lines, one object each, shapes in `meterlink.views`. A Unix socket that only its owner may open (mode 0600); where
there are none (Windows), a loopback port with a token kept in a file beside the database. Both ends keep only the
newest message of each topic, so a slow watcher never slows collection and nothing grows without bound.
"""

import asyncio
import contextlib
import hashlib
import json
import os
import secrets
import socket
import sys
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast

from meterlink.errors import LinkError
from meterlink.views import PROTOCOL, Command, Greeting, Message, Reply

# A watcher that takes longer than this to read a few kilobytes is hung, not slow, and is let go.
_STUCK_AFTER = 30.0  # s
# How often a watcher is written to at most: twice the ten drawings a second of a screen.
_FRAME = 0.05  # s
# Commands are short; a line beyond this is not one of ours. Also the reader's limit for views on the other side.
_LONGEST_LINE = 1 << 20  # bytes
# sun_path holds 108 bytes on Linux and 104 on macOS, the final NUL included.
_LONGEST_SOCKET_PATH = 103  # bytes
# A daemon that has not opened its socket by then has failed in a way it could not say.
_STARTS_WITHIN = 20.0  # s
# One that hangs while stopping is ended; what it acknowledged is on the disk.
_STOPS_WITHIN = 30.0  # s

HAS_UNIX_SOCKETS = hasattr(socket, "AF_UNIX") and sys.platform != "win32"

OnCommand = Callable[[Command], Awaitable[str]]


class NoDaemonError(LinkError):
    """No daemon runs on a data folder."""


def socket_path(folder: Path) -> Path:
    """Return where the Unix socket of the data folder is: inside it, or in a private folder where that is too long."""
    path = folder / "station.sock"
    if len(os.fsencode(path)) <= _LONGEST_SOCKET_PATH:
        return path
    digest = hashlib.sha256(os.fsencode(folder)).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"meterlink-{os.getuid()}" / f"{digest}.sock"


def _token_path(folder: Path) -> Path:
    return folder / "station.link"


class LinkServer:
    """Serves watchers. Use as an async context manager; `publish` what they shall see.

    ``on_command`` carries a watcher's command out and returns an error in words, or nothing. ``tcp`` asks for the
    loopback port even where Unix sockets exist.
    """

    def __init__(self, folder: Path, station: str, version: str, on_command: OnCommand, *, tcp: bool = False) -> None:
        self._folder = folder
        self._greeting = Greeting(topic="hello", protocol=PROTOCOL, version=version, station=station, data=str(folder))
        self._on_command = on_command
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
        for path in (_token_path(self._folder),) if self._tcp else (socket_path(self._folder),):
            path.unlink(missing_ok=True)

    def publish(self, message: Message) -> None:
        """Make ``message`` the newest of its topic for every watcher, now and to come."""
        line = json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
        topic = message["topic"]
        if self._latest.get(topic) == line:
            return
        self._latest[topic] = line
        for watcher in self._watchers:
            watcher.offer(topic, line)

    async def _serve_unix(self) -> asyncio.Server:
        path = socket_path(self._folder)
        if path.parent != self._folder:
            path.parent.mkdir(mode=0o700, exist_ok=True)
            owner = path.parent.stat()
            if owner.st_uid != os.getuid() or owner.st_mode & 0o077:
                raise LinkError(f"{path.parent} belongs to somebody else.", "Use a data folder with a shorter path.")
        # Only the holder of the database's lock gets here, so a socket that is there already is a dead daemon's.
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
        return await asyncio.start_unix_server(self._accept, sock=listener, limit=_LONGEST_LINE)

    async def _serve_tcp(self) -> asyncio.Server:
        server = await asyncio.start_server(self._accept, "127.0.0.1", 0, limit=_LONGEST_LINE)
        self._token = secrets.token_urlsafe(24)
        path = _token_path(self._folder)
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
                if await self._admitted(reader):
                    await self._attend(_Watcher(writer, self._latest), reader)
        finally:
            self._tasks.discard(task)
            writer.close()

    async def _admitted(self, reader: asyncio.StreamReader) -> bool:
        if not self._token:
            return True
        async with asyncio.timeout(_STUCK_AFTER):
            given = _object(await _line(reader)).get("token")
        return isinstance(given, str) and secrets.compare_digest(given.encode(), self._token.encode())

    async def _attend(self, watcher: "_Watcher", reader: asyncio.StreamReader) -> None:
        watcher.write(self._greeting)
        self._watchers.add(watcher)
        sending = asyncio.create_task(watcher.send_newest(), name="link-send")
        try:
            while line := await _line(reader):
                watcher.write(await self._answer(_object(line)))
        finally:
            self._watchers.discard(watcher)
            sending.cancel()
            await asyncio.gather(sending, return_exceptions=True)

    async def _answer(self, command: dict[str, Any]) -> Reply:
        number = command.get("id")
        if not isinstance(number, int) or not all(isinstance(command.get(k, ""), str) for k in _COMMAND_TEXTS):
            return Reply(topic="reply", id=-1, error="That was not a command.")
        return Reply(topic="reply", id=number, error=await self._on_command(cast("Command", command)))


_COMMAND_TEXTS = ("do", "point", "meter", "text")


class _Watcher:
    """One connected watcher: the newest message of each topic it has not been sent."""

    def __init__(self, writer: asyncio.StreamWriter, latest: dict[str, bytes]) -> None:
        self._writer = writer
        self._unsent = dict(latest)
        self._wake = asyncio.Event()
        if latest:
            self._wake.set()

    def offer(self, topic: str, line: bytes) -> None:
        self._unsent[topic] = line
        self._wake.set()

    def write(self, message: Greeting | Reply) -> None:
        self._writer.write(json.dumps(message, ensure_ascii=False).encode() + b"\n")

    async def send_newest(self) -> None:
        """Send what is newest whenever something is; let a watcher go that stops reading."""
        try:
            while True:
                await self._wake.wait()
                self._wake.clear()
                lines, self._unsent = self._unsent, {}
                self._writer.writelines(lines.values())
                async with asyncio.timeout(_STUCK_AFTER):
                    await self._writer.drain()
                await asyncio.sleep(_FRAME)
        except (ConnectionError, TimeoutError):
            self._writer.transport.abort()


async def _line(reader: asyncio.StreamReader) -> bytes:
    """Return the next line, empty at the end or for one too long to be ours."""
    try:
        return await reader.readline()
    except ValueError:
        return b""


def _object(line: bytes) -> dict[str, Any]:
    try:
        given = json.loads(line)
    except ValueError:
        return {}
    return given if isinstance(given, dict) else {}


class LinkClient:
    """A watcher's end. Iterate over it for messages; `send` commands. Made by `connect`."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, greeting: Greeting) -> None:
        self.greeting = greeting
        self._reader = reader
        self._writer = writer
        self._unread: dict[str, Message] = {}
        self._wake = asyncio.Event()
        self._gone = False
        self._asked: dict[int, asyncio.Future[str]] = {}
        self._number = 0
        self._task = asyncio.create_task(self._receive(), name="link-receive")

    async def _receive(self) -> None:
        try:
            while line := await _line(self._reader):
                given = _object(line)
                if given.get("topic") == "reply":
                    waiting = self._asked.pop(given.get("id", -1), None)
                    if waiting is not None and not waiting.done():
                        waiting.set_result(str(given.get("error", "")))
                elif isinstance(given.get("topic"), str):
                    self._unread[given["topic"]] = cast("Message", given)
                    self._wake.set()
        except ConnectionError:
            pass
        finally:
            self._gone = True
            self._wake.set()
            for waiting in self._asked.values():
                waiting.cancel()

    async def __aiter__(self) -> AsyncIterator[Message]:
        """Yield messages, newest of each topic only; ends when the daemon goes away."""
        while True:
            await self._wake.wait()
            self._wake.clear()
            unread, self._unread = self._unread, {}
            for message in unread.values():
                yield message
            if self._gone and not self._unread:
                return

    async def send(self, do: str, **fields: str) -> str:
        """Have the daemon carry out a command; return its error in words, or nothing. LinkError when it is gone."""
        self._number = number = self._number + 1
        answer: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        self._asked[number] = answer
        try:
            if self._gone:
                raise ConnectionResetError
            self._writer.write(json.dumps({"id": number, "do": do, **fields}).encode() + b"\n")
            await self._writer.drain()
            return await answer
        except ConnectionError as error:
            raise gone() from error
        except asyncio.CancelledError:
            if self._gone and answer.cancelled():
                raise gone() from None
            raise
        finally:
            self._asked.pop(number, None)

    async def close(self) -> None:
        """Leave the daemon to itself."""
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        self._writer.close()
        with contextlib.suppress(ConnectionError):
            await self._writer.wait_closed()


def gone() -> LinkError:
    """Return what to say when the daemon at the other end has stopped."""
    return LinkError("The station's daemon has stopped.", "Start it with: meterlink run")


async def connect(folder: Path) -> LinkClient:
    """Return a connection to the daemon of that data folder.

    NoDaemonError when none runs; LinkError when it is of another version.
    """
    try:
        reader, writer = await _open(folder)
        line = await asyncio.wait_for(_line(reader), _STUCK_AFTER)
    except (OSError, ValueError, KeyError, TimeoutError) as error:
        raise NoDaemonError(f"No daemon runs on {folder}.", "Start it with: meterlink run") from error
    greeting = _object(line)
    if greeting.get("protocol") != PROTOCOL:
        writer.close()
        raise LinkError(
            f"The daemon on {folder} is version {greeting.get('version', 'unknown')} and speaks another language.",
            "Stop it and start it again with this version.",
        )
    return LinkClient(reader, writer, cast("Greeting", greeting))


async def _open(folder: Path) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    if _token_path(folder).exists():
        opened = json.loads(_token_path(folder).read_text(encoding="utf-8"))
        reader, writer = await asyncio.open_connection("127.0.0.1", opened["port"], limit=_LONGEST_LINE)
        writer.write(json.dumps({"token": opened["token"]}).encode() + b"\n")
        return reader, writer
    if not HAS_UNIX_SOCKETS:
        raise FileNotFoundError(folder)
    return await asyncio.open_unix_connection(str(socket_path(folder)), limit=_LONGEST_LINE)


@contextlib.asynccontextmanager
async def ensure_daemon(folder: Path) -> AsyncIterator[None]:
    """Make sure a daemon runs on ``folder`` while inside; one that was started here is stopped at the end.

    LinkError, with the daemon's own words, when it does not start.
    """
    try:
        client = await connect(folder)
    except LinkError:
        pass
    else:
        await client.close()
        yield
        return
    with tempfile.TemporaryFile() as errors:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "meterlink", "run", "--data", str(folder),
            stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.DEVNULL, stderr=errors,
        )  # fmt: skip
        try:
            await _wait_until_up(folder, process)
        except LinkError as error:
            errors.seek(0)
            last = errors.read()[-500:].decode(errors="replace").strip().rpartition("\n")[2]
            await _stop(process)
            raise LinkError(f"{error.message} {last}".strip(), error.remedy) from error
        try:
            yield
        finally:
            await _stop(process)


async def _wait_until_up(folder: Path, process: asyncio.subprocess.Process) -> None:
    tries = round(_STARTS_WITHIN / 0.1)
    for _ in range(tries):
        try:
            await (await connect(folder)).close()
        except LinkError:
            if process.returncode is not None:
                break
            await asyncio.sleep(0.1)
        else:
            return
    raise LinkError("The station's daemon did not start.", "Run `meterlink run` by itself to see why.")


async def _stop(process: asyncio.subprocess.Process) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
    try:
        await asyncio.wait_for(process.wait(), _STOPS_WITHIN)
    except TimeoutError:
        process.kill()
        await process.wait()
