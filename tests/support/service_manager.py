"""A real systemd with the shipped unit, as the first process of namespaces of its own.

It sees its own processes, its own /run and /var/lib, and a group of processes below which all of its services are. The
host's systemd, if there is one, is not asked, and nothing of it is left when the test ends.
"""

import os
import shutil
import subprocess
import sys
import sysconfig
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from meterlink.cli.service.units import system_installation

ROOT = Path(__file__).parents[2]
LIMIT = 60.0  # s; a limit, not a wait
_SYSTEMD = Path("/lib/systemd/systemd")
_GROUPS = Path("/sys/fs/cgroup")
PROGRAM = Path("/run/program/meterlink")
"""The command of the checkout, as the services see it."""
_PACKAGES = ("", "/drivers", "/tui", "/simulators")

# In namespaces of its own: mounts, and then the manager in the place of this shell. The list of controllers is empty:
# so it makes groups for its services only in the hierarchy that is named after it.
_SETUP = """
set -e
mount --make-rprivate /
mount -t proc proc /proc
printf '#subsys_name\\thierarchy\\tnum_cgroups\\tenabled\\n' > "$1/controllers"
mount --bind "$1/controllers" /proc/cgroups
mount -t tmpfs tmpfs /sys/fs/cgroup
mkdir /sys/fs/cgroup/systemd
mount -t cgroup -o none,name=systemd cgroup /sys/fs/cgroup/systemd
mount -t tmpfs -o mode=755 tmpfs /run
mount -t tmpfs -o mode=755 tmpfs /var/lib
mkdir -p /run/systemd/system /run/program /run/checkout /run/python /run/packages
mount --bind "$2" /run/checkout
mount --bind "$3" /run/python
mount --bind "$4" /run/packages
cp "$1/meterlink" /run/program/meterlink
chmod 755 /run/program/meterlink
cp "$1/meterlink.service" /run/systemd/system/
# The stages of a start that every service waits for, without any contents.
for name in test sysinit basic shutdown; do cp "$1/test.target" "/run/systemd/system/$name.target"; done
for name in passwd group; do mount --bind "$1/$name" "/etc/$name"; done
export container=test SYSTEMD_UNIT_PATH=/run/systemd/system
export SYSTEMD_PROC_CMDLINE='systemd.unified_cgroup_hierarchy=0 systemd.legacy_systemd_cgroup_controller=1'
exec "$5" --system --unit=test.target --log-target=null --show-status=false
"""
_TARGET = """
[Unit]
Description=A stage of the start
DefaultDependencies=no
"""
_START = """#!/bin/sh
PYTHONDONTWRITEBYTECODE=1 PYTHONPATH={path} exec /run/python/bin/{python} -m meterlink "$@"
"""


class ServiceManager:
    """A running systemd, whose process the host knows as ``process_id``."""

    def __init__(self, process_id: int) -> None:
        self._enter = ("nsenter", "--target", str(process_id), "--mount", "--pid", "--cgroup")
        self.root = Path(f"/proc/{process_id}/root")
        """The file system as its services see it, before their own walls."""

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        """Run a command beside it."""
        return subprocess.run([*self._enter, *command], capture_output=True, text=True, check=False, timeout=LIMIT)

    def systemctl(self, *arguments: str) -> None:
        """Run ``systemctl``, which must succeed."""
        done = self.run("systemctl", *arguments)
        assert done.returncode == 0, done.stderr + self.run("systemctl", "status", "meterlink", "--no-pager").stdout

    def show(self, name: str) -> str:
        """Return a property of the service."""
        return self.run("systemctl", "show", "meterlink", "--value", "-p", name).stdout.strip()

    def until(self, name: str, *values: str) -> None:
        """Wait until a property of the service has one of these values."""
        end = time.monotonic() + LIMIT
        while (value := self.show(name)) not in values:
            assert time.monotonic() < end, f"{name} is {value}"
            time.sleep(0.1)


@contextmanager
def service_manager(folder: Path) -> Iterator[ServiceManager]:
    """Start systemd with the shipped unit, which is not started yet; skip the test where that cannot be done."""
    if reason := _missing():
        pytest.skip(f"no systemd of the test's own: {reason}")
    _write_files(folder)
    group = _GROUPS / "systemd" / f"meterlink-test-{os.getpid()}"
    group.mkdir()
    log = folder / "setup.log"
    with log.open("wb") as output:
        process = subprocess.Popen(
            [
                "sh", "-c", 'echo $$ > "$0/cgroup.procs"; exec "$@"', str(group),
                "unshare", "--pid", "--fork", "--kill-child", "--mount", "--uts", "--ipc", "--cgroup",
                "sh", "-c", _SETUP, "sh", str(folder), str(ROOT), sys.base_prefix, sysconfig.get_path("purelib"),
                str(_SYSTEMD),
            ],
            stdin=subprocess.DEVNULL, stdout=output, stderr=output,
        )  # fmt: skip
    try:
        yield ServiceManager(_wait_until_up(process, log))
    finally:
        process.kill()  # unshare takes the manager with it, and the end of the manager all of its services
        process.wait()
        _remove(group)


def _missing() -> str:
    """Return why a systemd of the test's own cannot be had, empty if it can."""
    if sys.platform != "linux" or os.getuid():
        return "only the administrator of a Linux may make its namespaces"
    absent = [tool for tool in ("unshare", "nsenter", "systemctl", "mount", "setpriv") if shutil.which(tool) is None]
    if absent or not _SYSTEMD.exists():
        return f"{', '.join(absent) or 'systemd'} is not installed"
    if not os.access(_GROUPS / "systemd" / "cgroup.procs", os.W_OK):
        return "there is no hierarchy of groups named after it (only that layout was tried)"
    tried = subprocess.run(["unshare", "--mount", "--pid", "--fork", "true"], capture_output=True, check=False)
    return "" if tried.returncode == 0 else "no right to make namespaces here"


def _write_files(folder: Path) -> None:
    path = ":".join([*(f"/run/checkout{name}" for name in _PACKAGES), "/run/packages"])
    python = f"python{sys.version_info.major}.{sys.version_info.minor}"
    (folder / "meterlink").write_text(_START.format(path=path, python=python), encoding="utf-8")
    installation = system_installation(PROGRAM, None)
    (folder / "meterlink.service").write_text(installation.files[installation.unit], encoding="utf-8")
    (folder / "test.target").write_text(_TARGET, encoding="utf-8")
    for name, line in (("passwd", "meterlink:x:990:990::/:/usr/sbin/nologin\n"), ("group", "meterlink:x:990:\n")):
        (folder / name).write_text(Path("/etc", name).read_text(encoding="utf-8") + line, encoding="utf-8")


def _wait_until_up(process: subprocess.Popen[bytes], log: Path) -> int:
    """Return the manager's process id once it answers; ``log`` has the output of its setup."""
    end = time.monotonic() + LIMIT
    while True:
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
        with suppress(OSError):
            for child in children.read_text().split():
                state = ServiceManager(int(child)).run("systemctl", "is-system-running").stdout.strip()
                if state in {"running", "degraded"}:
                    return int(child)
        if process.poll() is not None or time.monotonic() > end:
            raise AssertionError(f"systemd did not start: {log.read_text(errors='replace')}")
        time.sleep(0.1)


def _remove(group: Path) -> None:
    """Remove a group of processes with those below it; its processes have been killed, and may still be ending."""
    end = time.monotonic() + LIMIT
    for path in [*sorted(group.rglob("*/"), reverse=True), group]:
        while path.exists():
            with suppress(OSError):
                path.rmdir()
            assert time.monotonic() < end, f"{path} has processes"
            time.sleep(0.01)
