"""The process of the daemon as the soak handles it: started, killed, stopped, asked about itself."""

import asyncio
import json
import signal
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from studies.soak.comparison import DATABASE, Resources

TESTS = Path(__file__).parents[2]
OUTER_LIMIT = 120.0  # s; a limit, not a wait


class DaemonProcess:
    """The daemon on a data folder, in one process after the other; its log and its displays are in ``logs``."""

    def __init__(self, folder: Path, logs: Path) -> None:
        self.folder = folder
        self.displays = logs
        self.log = logs / "daemon.log"
        self.offset = 0.0  # s, of its wall clock; it is the machine's, so it outlives the process
        self.starts = 0
        self.own_ends: list[str] = []
        self._process: asyncio.subprocess.Process | None = None

    @property
    def has_ended(self) -> bool:
        return self._process is None or self._process.returncode is not None

    @property
    def pid(self) -> int:
        return self._running.pid

    @property
    def _running(self) -> asyncio.subprocess.Process:
        assert self._process is not None
        return self._process

    async def start(self) -> None:
        arguments = (str(self.folder), str(self.displays), f"{self.offset}")
        self.starts += 1
        with self.log.open("ab") as log:
            log.write(b"--- start %d\n" % self.starts)
            log.flush()
            self._process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "studies.soak.daemon", *arguments, cwd=TESTS, stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE, stderr=log,
            )  # fmt: skip

    def kill(self) -> None:
        """Kill -9; return at once."""
        if not self.has_ended:
            self._running.kill()

    @contextmanager
    def frozen(self) -> Iterator[None]:
        """Let the process stand still for a moment."""
        self._running.send_signal(signal.SIGSTOP)
        try:
            yield
        finally:
            self._running.send_signal(signal.SIGCONT)

    async def ended(self) -> None:
        """Return when the process is gone."""
        async with asyncio.timeout(OUTER_LIMIT):
            await self._running.wait()

    async def stop(self) -> None:
        self._running.terminate()
        await self.ended()
        assert self._running.returncode == 0, self.last_lines()

    def last_lines(self) -> str:
        return "\n".join(self.log.read_text(encoding="utf-8", errors="replace").splitlines()[-15:])

    async def tell(self, line: str) -> None:
        """Send a line of `studies.soak.daemon`."""
        assert self._running.stdin is not None
        self._running.stdin.write(line.encode() + b"\n")
        await self._running.stdin.drain()

    async def set_clock(self, offset: float) -> None:
        self.offset = offset
        await self.tell(f"clock {offset}")

    async def resources(self) -> Resources:
        assert self._running.stdout is not None
        await self.tell("report")
        async with asyncio.timeout(OUTER_LIMIT):
            report = json.loads(await self._running.stdout.readline())
        return Resources(self._descriptors(), Counter(report["tasks"]), self._memory())

    def _memory(self) -> int:
        status = Path(f"/proc/{self.pid}/status").read_text(encoding="ascii")
        resident = next(line for line in status.splitlines() if line.startswith("VmRSS:"))
        return int(resident.split()[1]) * 1024

    def _descriptors(self) -> Counter[str]:
        """Return the open descriptors: sockets and pipes as such, files by their name."""
        found: Counter[str] = Counter()
        for link in Path(f"/proc/{self.pid}/fd").iterdir():
            try:
                target = str(link.readlink())
            except FileNotFoundError:
                continue  # it was closed meanwhile
            found[_kind(target)] += 1
        return found


def _kind(target: str) -> str:
    """Return the kind of a descriptor: one of the database's files (maybe under the name of before), or its name."""
    name = target.partition(":[")[0].rpartition("/")[2]
    return DATABASE if ".db" in name and ".lock" not in name else name
