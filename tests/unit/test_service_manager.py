"""The datagrams to systemd: a real socket stands in its place."""

import asyncio
import os
import socket
import sys
from pathlib import Path

import pytest

from meterlink.cli.service_manager import ServiceManager
from meterlink_simulators.virtual_time import run_in_virtual_time

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="sockets of Unix")


@pytest.fixture
def manager(tmp_path: Path) -> socket.socket:
    channel = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    channel.bind(str(tmp_path / "notify"))
    channel.settimeout(10)
    return channel


def test_the_life_of_a_daemon(manager: socket.socket) -> None:
    with manager:
        service = ServiceManager.of_environment({"NOTIFY_SOCKET": manager.getsockname()})
        service.ready()
        service.reloading()
        service.ready()
        service.stopping()
        told = [manager.recv(1000).decode() for _ in range(4)]
    assert told[0] == told[2] == "READY=1\nSTATUS=Collecting readings."
    assert told[1].startswith("RELOADING=1\nMONOTONIC_USEC=")
    assert told[3] == "STOPPING=1"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="abstract sockets")
def test_an_abstract_socket() -> None:
    name = f"meterlink-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
        channel.bind(f"\0{name}")
        channel.settimeout(10)
        ServiceManager.of_environment({"NOTIFY_SOCKET": f"@{name}"}).ready()
        assert channel.recv(1000).startswith(b"READY=1")


@pytest.mark.parametrize("environment", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "vsock:2:1"}])
def test_without_a_manager_nothing_is_told(environment: dict[str, str]) -> None:
    service = ServiceManager.of_environment(environment)
    service.ready()
    service.stopping()


def test_a_manager_that_is_gone_stops_nobody(tmp_path: Path) -> None:
    ServiceManager.of_environment({"NOTIFY_SOCKET": str(tmp_path / "gone")}).ready()


@pytest.mark.fault("stalled-loop", "stalled-writer")
def test_the_watchdog_is_fed_until_a_part_hangs(caplog: pytest.LogCaptureFixture) -> None:
    told: list[str] = []
    problem = ["", "The writer's thread has waited for the disk for 61 s."]

    async def run() -> None:
        task = asyncio.create_task(ServiceManager(told.append, 60.0).feed_watchdog(lambda: problem[0]))
        await asyncio.sleep(95)
        assert told == ["WATCHDOG=1"] * 4, "twice in each period"
        problem.reverse()
        await asyncio.sleep(300)
        assert len(told) == 4
        problem.reverse()
        await asyncio.sleep(30)
        assert len(told) == 5
        task.cancel()

    run_in_virtual_time(run())
    assert [record.message for record in caplog.records] == [
        f"{problem[1]} The service manager will start the daemon again."
    ], "it is said once"


async def test_without_a_watchdog_nothing_is_fed(manager: socket.socket) -> None:
    with manager:
        given = {"NOTIFY_SOCKET": manager.getsockname(), "WATCHDOG_USEC": "20000"}
        for environment in (
            {"WATCHDOG_USEC": "20000"},
            given | {"WATCHDOG_USEC": ""},
            given | {"WATCHDOG_USEC": "soon"},
            given | {"WATCHDOG_PID": "1"},  # it watches another process, which passed its environment on
        ):
            await ServiceManager.of_environment(environment).feed_watchdog(lambda: "")
        feeding = asyncio.create_task(ServiceManager.of_environment(given).feed_watchdog(lambda: ""))
        assert await asyncio.to_thread(manager.recv, 100) == b"WATCHDOG=1"
        feeding.cancel()
