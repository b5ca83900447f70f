"""Starting the daemon of a data folder, starting it again when it has died, and ending it."""

import asyncio
import contextlib
import shlex
import signal
import subprocess
import sys
import tempfile
import threading
from collections import deque
from collections.abc import AsyncIterator
from pathlib import Path
from typing import IO

from meterlink.core.errors import LinkError
from meterlink.link.client import LinkClient, NoDaemonError, connect
from meterlink.link.owner import CLOSE, WATCHED

# A daemon that has no socket after this time has failed without a message.
_START_TIMEOUT = 20.0  # s
# A daemon that hangs while it stops is killed after this time; acknowledged readings are on the disk.
_STOP_TIMEOUT = 30.0  # s
_LONGEST_ERROR = 1 << 15  # bytes; a settings file with a hundred errors has half of that
# A daemon that dies more often has a cause that a restart does not mend; each start costs the meters their connections.
MOST_RESTARTS = 3
RESTART_PERIOD = 60.0  # s

# Daemons that run on for another watcher. Without a reference `Popen` warns that its process was left behind.
_left_running: list[subprocess.Popen[bytes]] = []


class AttachedDaemon:
    """A daemon that somebody else started: it is never started or ended from here."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    async def connect(self) -> LinkClient:
        """Return a connection to it.

        Raises:
            LinkError: it does not run, or uses another protocol version.
        """
        return await connect(self._folder)


class OwnedDaemon:
    """A daemon that this process has started. `connect` starts it again if it has died."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self._log: IO[bytes] | None = None
        self._restarts: deque[float] = deque(maxlen=MOST_RESTARTS)
        self._given_up: LinkError | None = None

    async def start(self) -> None:
        """Start the daemon and return when it can be reached.

        Raises:
            LinkError: it did not start; the message ends with the daemon's error.
        """
        self._close_pipes()
        self._log = tempfile.TemporaryFile()  # noqa: SIM115  # it is the daemon's standard error for as long as it runs
        self._process = _spawn(self._folder, self._log)
        try:
            await _wait_until_reachable(self._folder, self._process)
        except LinkError as error:
            self._process.kill()
            await asyncio.to_thread(self._process.wait)
            raise LinkError(f"{error.message} {self._last_words()}".strip(), error.remedy) from error

    async def connect(self) -> LinkClient:
        """Return a connection; start the daemon again if it has died, and say so in the connection's ``incident``.

        Raises:
            NoDaemonError: the daemon lives, but does not answer.
            LinkError: it did not start, or has died too often to be started again.
        """
        try:
            return await connect(self._folder)
        except NoDaemonError:
            if self._process is None or self._process.poll() is None:
                raise
        death = self._describe_death(self._process.returncode)
        await self._start_again(death)
        client = await connect(self._folder)
        client.incident = f"{death} It was started again. The meters connect again; readings sent in between are lost."
        return client

    async def close(self) -> None:
        """End the daemon, unless somebody else watches it."""
        if self._process is not None and self._process.poll() is None:
            await asyncio.to_thread(_leave, self._process)
        self._close_pipes()

    def _close_pipes(self) -> None:
        process = self._process
        for pipe in (self._log, process.stdin if process else None, process.stdout if process else None):
            if pipe is not None:
                pipe.close()

    async def _start_again(self, death: str) -> None:
        """Start the daemon again, `MOST_RESTARTS` times in `RESTART_PERIOD` at most.

        Raises:
            LinkError: it did not start, or it has died too often.
        """
        if self._given_up is not None:
            raise self._given_up
        now = asyncio.get_running_loop().time()
        if len(self._restarts) == MOST_RESTARTS and now - self._restarts[0] < RESTART_PERIOD:
            words = self._last_words()
            self._given_up = LinkError(
                f"{death} After {MOST_RESTARTS} restarts in a minute it is not started again."
                + (f" Its last words: {words}" if words and words not in death else ""),
                "Mend the cause, then open the dashboard again.",
            )
            raise self._given_up
        self._restarts.append(now)
        await self.start()

    def _describe_death(self, status: int) -> str:
        if status < 0:
            with contextlib.suppress(ValueError):
                return f"The station was killed ({signal.Signals(-status).name})."
            return f"The station was killed (signal {-status})."
        if status == 0:
            return "The station was stopped from elsewhere."
        return f"The station ended with an error: {self._last_words() or f'exit status {status}'}"

    def _last_words(self) -> str:
        if self._log is None:
            return ""
        self._log.seek(0)
        return _last_error(self._log.read()[-_LONGEST_ERROR:].decode(errors="replace"))


@contextlib.asynccontextmanager
async def ensure_daemon(folder: Path) -> AsyncIterator[AttachedDaemon | OwnedDaemon]:
    """Start a daemon on ``folder`` if none runs, and end it afterwards unless others watch it; leave a running one.

    Raises:
        LinkError: the daemon did not start (the message ends with its error), or one of another protocol version runs.
    """
    try:
        client = await connect(folder)
    except NoDaemonError:
        pass
    else:
        await client.close()
        yield AttachedDaemon(folder)
        return
    daemon = OwnedDaemon(folder)
    try:
        await daemon.start()
        yield daemon
    finally:
        await daemon.close()


def _spawn(folder: Path, log: IO[bytes]) -> subprocess.Popen[bytes]:
    """Start a daemon, in a session of its own: a terminal that hangs up must not end it with the dashboard."""
    return subprocess.Popen(  # noqa: S603  # the program is this one
        [sys.executable, "-m", "meterlink", "run", "--owned", "--data", str(folder)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, start_new_session=True, bufsize=0,
    )  # fmt: skip


def _last_error(output: str) -> str:
    """Return the error that ends a command's ``output``: a line for each error of a file; else the last line."""
    lines = output.strip().splitlines() or [""]
    begins = [number for number, line in enumerate(lines) if line.startswith("meterlink: ")]
    return "\n".join(lines[begins[-1] if begins else -1 :])


async def _wait_until_reachable(folder: Path, process: subprocess.Popen[bytes]) -> None:
    tries = round(_START_TIMEOUT / 0.1)
    for _ in range(tries):
        try:
            await (await connect(folder)).close()
        except LinkError:
            if process.poll() is not None:
                break
            await asyncio.sleep(0.1)
        else:
            return
    raise LinkError(
        "The station's daemon did not start.", f"Run `meterlink run --data {shlex.quote(str(folder))}` to see why."
    )


def _leave(process: subprocess.Popen[bytes]) -> None:
    """Tell a daemon that its owner leaves; return when it has ended, or when it has said that others watch it."""
    stdin, stdout = process.stdin, process.stdout
    assert stdin is not None  # noqa: S101  # both are pipes
    assert stdout is not None  # noqa: S101
    hanging = threading.Timer(_STOP_TIMEOUT, process.kill)
    hanging.start()
    try:
        with contextlib.suppress(OSError):  # it is dying
            stdin.write(CLOSE)
            stdin.flush()
        if stdout.readline() == WATCHED:
            _left_running.append(process)
        else:
            process.wait()
    finally:
        hanging.cancel()
