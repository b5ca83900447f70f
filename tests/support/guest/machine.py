"""The virtual machine: qemu with the host's root as a share, and the line to the agent in it."""

import compileall
import json
import os
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import IO, Any

from meterlink.store.lock import try_lock
from support.guest.agent import PORT_NAME
from support.guest.files import QEMU, GuestFiles, make_data_disk

ROOT = Path(__file__).parents[3]
_PACKAGES = ("", "drivers", "tui", "simulators", "tests")

# Software emulation everywhere. 'kvm' is ten times faster where it works, and a machine that offers it may still hang.
ACCELERATOR = os.environ.get("METERLINK_GUEST_ACCELERATOR", "tcg")

# s; limits, not waits. A boot takes 10 s on two idle cores, and nearly a minute on busy ones.
BOOT_TIMEOUT = 240.0
LIMIT = 120.0
# As long as the everyday subset takes on a busy machine, and below the time limit of a test.
TURN_TIMEOUT = 600.0

# Where the guest sees the session's folder of the host, and where it keeps data.
SHARED = Path("/run/shared")
DATA = Path("/run/data")


class GuestError(AssertionError):
    """The guest did not do as it was asked; the text has the end of its console."""


def take_turn(lock: Path, limit: float) -> IO[bytes]:
    """Return the locked file of the one guest that may run on this host; the turn ends when it is closed.

    Raises:
        GuestError: another guest still ran after ``limit`` s.
    """
    end, file = time.monotonic() + limit, lock.open("wb")
    while True:
        try:
            try_lock(file)
        except OSError:
            if time.monotonic() >= end:
                file.close()
                raise GuestError(f"Another guest runs ({lock}). Run the tests in one process: pytest -n0") from None
            time.sleep(0.5)
        else:
            return file


class Machine:
    """A virtual machine on ``folder``, which it shares as `SHARED`. `boot` it, and `close` it."""

    def __init__(self, files: GuestFiles, folder: Path) -> None:
        self._files = files
        self._folder = folder
        self.shared = folder / "shared"
        self.boot_seconds = 0.0
        """Time of the last start, from the power to the agent's first words."""
        self._turn: IO[bytes] | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._port: socket.socket | None = None
        self._console: socket.socket | None = None
        self._unread = b""
        self._last_id = 0

    # Power

    def boot(self) -> None:
        """Switch the machine on and wait until its agent speaks; if another one runs here, wait for its end first."""
        self._turn = take_turn(self._files.folder.parent / "guest.lock", TURN_TIMEOUT)
        self.shared.mkdir(parents=True)
        disk = self._folder / "data.img"
        make_data_disk(disk)
        # Compiled by the host, not under emulation.
        for name in _PACKAGES[1:]:
            compileall.compile_dir(ROOT / name, quiet=2)
        compileall.compile_dir(ROOT / "meterlink", quiet=2)
        begin = time.monotonic()
        with (self._folder / "qemu.log").open("wb") as log:
            self._process = subprocess.Popen(
                self._command(), cwd=self._folder, stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        self._port = self._connect("agent")
        self._console = self._connect("control")
        self._tell_control("qmp_capabilities")
        self._wait_until_up(begin)

    def _command(self) -> list[str]:
        assert QEMU is not None
        environment = {
            "python": sys.executable,
            "agent_path": ":".join(str(ROOT / name).rstrip("/") for name in _PACKAGES),
        }
        append = " ".join(
            ["console=ttyS0", "quiet", "panic=1", *(f"{key}={value}" for key, value in environment.items())]
        )
        share = "local,security_model=none"
        return [
            "setpriv", "--pdeathsig", "KILL",  # it ends with this process, however that ends
            QEMU, "-accel", f"{ACCELERATOR}{',thread=multi' if ACCELERATOR == 'tcg' else ''}", "-cpu", "max",
            "-smp", "2", "-m", "1024", "-nodefaults", "-no-user-config", "-display", "none", "-nic", "none",
            "-kernel", str(self._files.kernel), "-initrd", str(self._files.initramfs), "-append", append,
            "-serial", "file:console.log",
            "-qmp", "unix:control,server=on,wait=off",
            "-device", "virtio-serial",
            "-chardev", "socket,id=agent,path=agent,server=on,wait=off",
            "-device", f"virtserialport,chardev=agent,name={PORT_NAME}",
            "-drive", "file=data.img,if=virtio,format=raw",
            "-virtfs", f"{share},path=/,mount_tag=root,readonly=on,multidevs=remap",
            "-virtfs", f"{share},path={self._files.tree},mount_tag=tree,readonly=on",
            "-virtfs", f"{share},path={self.shared},mount_tag=shared",
        ]  # fmt: skip

    def _connect(self, name: str) -> socket.socket:
        assert self._process is not None
        limit = time.monotonic() + LIMIT
        link = socket.socket(socket.AF_UNIX)
        # By the directory's file: pytest's path may be longer than the 108 bytes that a socket's path may have.
        directory = os.open(self._folder, os.O_RDONLY)
        try:
            while True:
                try:
                    link.connect(f"/proc/self/fd/{directory}/{name}")
                except (FileNotFoundError, ConnectionRefusedError):
                    if self._process.poll() is not None or time.monotonic() > limit:
                        link.close()
                        raise self._failed("qemu did not start") from None
                    time.sleep(0.05)
                else:
                    return link
        finally:
            os.close(directory)

    def _wait_until_up(self, begin: float) -> None:
        while "up" not in self._next_line(BOOT_TIMEOUT):
            pass
        self.boot_seconds = time.monotonic() - begin

    def reset(self) -> None:
        """Reset the machine as by its button, and wait until it is up again.

        Data that the guest has not written to its disk is lost; the rest stays.
        """
        begin = time.monotonic()
        self._tell_control("system_reset")
        self._wait_until_up(begin)

    def processor_seconds(self) -> float:
        """Return the processor time of the host that the machine has used: it tells a busy host from a slow test."""
        assert self._process is not None
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")  # user and system, proc(5)

    def close(self) -> None:
        """Switch the machine off."""
        for link in (self._port, self._console):
            if link is not None:
                link.close()
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        if self._turn is not None:
            self._turn.close()

    def _tell_control(self, command: str) -> None:
        """Send a command to qemu; its answers are left in the socket, which holds more than there are."""
        assert self._console is not None
        self._console.sendall(json.dumps({"execute": command}).encode())

    # Requests

    def ask(self, do: str, limit: float = LIMIT, **arguments: Any) -> Any:
        """Let the agent do something and return the result.

        Raises:
            GuestError: it failed, or did not answer within ``limit`` s.
        """
        assert self._port is not None
        self._last_id += 1
        self._port.settimeout(limit)
        self._port.sendall(json.dumps({"id": self._last_id, "do": do, **arguments}).encode() + b"\n")
        while (answer := self._next_line(limit)).get("id") != self._last_id:
            if "up" in answer:
                raise self._failed(f"the guest started anew before it answered '{do}'")
        if "error" in answer:
            raise self._failed(f"'{do}' with {arguments}: {answer['error']}")
        return answer["result"]

    def _next_line(self, timeout: float) -> dict[str, Any]:
        assert self._port is not None
        limit = time.monotonic() + timeout
        while b"\n" not in self._unread:
            self._port.settimeout(max(limit - time.monotonic(), 0.01))
            try:
                data = self._port.recv(1 << 20)
            except TimeoutError:
                raise self._failed(f"no answer within {timeout:g} s") from None
            if not data:
                raise self._failed("the guest has ended")
            self._unread += data
        line, _, self._unread = self._unread.partition(b"\n")
        parsed: dict[str, Any] = json.loads(line)
        return parsed

    def _failed(self, text: str) -> GuestError:
        logs = [self._folder / "qemu.log", self._folder / "console.log"]
        ends = [log.read_text(errors="replace")[-1500:] for log in logs if log.exists()]
        return GuestError("\n".join([text, *ends]))
