"""A daemon that dies, or whose dashboards close: started again by its owner only, and ended with its last watcher."""

import asyncio
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from meterlink.core.errors import LinkError
from meterlink.core.version import VERSION
from meterlink.link import daemon as daemons
from meterlink.link.client import LinkClient, NoDaemonError, connect
from meterlink.link.daemon import MOST_RESTARTS, AttachedDaemon, OwnedDaemon, ensure_daemon
from meterlink.link.messages import CommandName, Topic

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals")
LIMIT = 60.0  # s; a limit, not a wait


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(LIMIT):
        while not condition():  # noqa: ASYNC110  # another process has no event
            await asyncio.sleep(0.02)


async def reconnected(daemon: AttachedDaemon | OwnedDaemon) -> LinkClient:
    """Return a connection as the dashboard gets one: it tries again until there is one."""
    async with asyncio.timeout(LIMIT):
        while True:
            try:
                return await daemon.connect()
            except NoDaemonError:  # it is still dying
                await asyncio.sleep(0.02)


async def process_of(folder: Path) -> int:
    client = await connect(folder)
    await client.close()
    return client.greeting["process"]


def is_running(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"


async def accepted_texts(client: LinkClient) -> list[str]:
    async with asyncio.timeout(LIMIT):
        async for message in client:
            if message["topic"] == Topic.VISIT:
                return [point["accepted"]["text"] for point in message["points"] if point["accepted"]]
    raise AssertionError("no view of the visit")


@pytest.mark.fault("dying-daemon")
async def test_a_killed_daemon_is_started_again_and_the_visit_goes_on(tmp_path: Path) -> None:
    async with ensure_daemon(tmp_path) as daemon:
        client = await daemon.connect()
        assert client.incident == ""
        begin = {"site": "Mill Lane bakery", "unit": "Condenser 1", "plan": "split-condenser"}
        assert await client.send(CommandName.BEGIN_VISIT, **begin) == ""
        assert await client.send(CommandName.ENTER, point="run-capacitor-herm", text="43.7 uF") == ""
        async with asyncio.timeout(LIMIT):
            while await accepted_texts(client) != ["43.7 µF"]:
                pass
        os.kill(client.greeting["process"], signal.SIGKILL)
        again = await reconnected(daemon)
        assert again.incident.startswith("The station was killed (SIGKILL). It was started again.")
        assert await accepted_texts(again) == ["43.7 µF"]
        other = await daemon.connect()
        assert await other.send(CommandName.NOTE, text="goes on") == ""
        assert other.incident == ""
        for connection in (client, again, other):
            await connection.close()
    with pytest.raises(NoDaemonError):
        await connect(tmp_path)


@pytest.mark.fault("dying-daemon")
async def test_a_daemon_that_dies_again_and_again_is_left_with_its_last_words(tmp_path: Path) -> None:
    async with ensure_daemon(tmp_path) as daemon:
        for _ in range(MOST_RESTARTS):
            os.kill(await process_of(tmp_path), signal.SIGKILL)
            await (await reconnected(daemon)).close()
        (tmp_path / "settings.toml").write_text("nonsense = true\n")
        os.kill(await process_of(tmp_path), signal.SIGKILL)
        for _ in range(2):
            with pytest.raises(LinkError, match=r"After 3 restarts in a minute it is not started again") as caught:
                await reconnected(daemon)
        assert "Mend the cause" in str(caught.value)


@pytest.mark.fault("dying-daemon")
async def test_a_restart_that_fails_says_why_and_counts(tmp_path: Path) -> None:
    async with ensure_daemon(tmp_path) as daemon:
        (tmp_path / "settings.toml").write_text("nonsense = true\n")
        os.kill(await process_of(tmp_path), signal.SIGKILL)
        errors = []
        for _ in range(MOST_RESTARTS + 1):
            with pytest.raises(LinkError) as caught:
                await reconnected(daemon)
            errors.append(caught.value.message)
        assert all("did not start" in text and "'nonsense' is not" in text for text in errors[:-1])
        assert errors[-1].startswith("The station ended with an error: meterlink: ")
        assert "'nonsense' is not" in errors[-1]
        assert "After 3 restarts in a minute" in errors[-1]


async def test_a_dashboard_that_only_attached_starts_and_ends_nothing(tmp_path: Path) -> None:
    async with ensure_daemon(tmp_path):
        process = await process_of(tmp_path)
        async with ensure_daemon(tmp_path) as attached:
            assert isinstance(attached, AttachedDaemon)
        assert await process_of(tmp_path) == process
        async with ensure_daemon(tmp_path) as attached:
            os.kill(process, signal.SIGKILL)
            await until(lambda: not is_running(process))
            with pytest.raises(NoDaemonError):
                await attached.connect()


async def test_a_daemon_that_another_dashboard_watches_outlives_its_owner(tmp_path: Path) -> None:
    async with ensure_daemon(tmp_path):
        process = await process_of(tmp_path)
        other = await connect(tmp_path)
    try:
        assert is_running(process)
        assert await other.send(CommandName.NEXT) == ""
    finally:
        await other.close()
        os.kill(process, signal.SIGTERM)
        (left,) = (popen for popen in daemons._left_running if popen.pid == process)
        daemons._left_running.remove(left)
        await asyncio.to_thread(left.wait)
    assert left.returncode == 0


def start_impatient_daemon(folder: Path) -> subprocess.Popen[bytes]:
    """Start a daemon that ends as soon as nobody has watched it for 0.3 s."""
    program = (
        "import sys\nfrom meterlink.link import owner\n"
        "owner.UNWATCHED_TIMEOUT, owner._CHECK_PERIOD = 0.3, 0.1\n"
        "from meterlink.cli.main import main\nmain(['run', '--owned', '--data', sys.argv[1]])\n"
    )
    return subprocess.Popen(
        [sys.executable, "-c", program, str(folder)], stdin=subprocess.PIPE, stderr=subprocess.DEVNULL
    )


async def test_an_owner_that_is_killed_leaves_a_daemon_that_ends_unwatched(tmp_path: Path) -> None:
    process = start_impatient_daemon(tmp_path)
    assert process.stdin is not None
    try:
        watcher = await reconnected(AttachedDaemon(tmp_path))
        process.stdin.close()  # as the system does for a killed owner
        await asyncio.sleep(1)
        assert process.poll() is None  # watched: another dashboard found it
        await watcher.close()
        await until(lambda: process.poll() is not None)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0


@pytest.mark.fault("other-version")
async def test_a_daemon_of_another_version_is_told_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with ensure_daemon(tmp_path):
        process = await process_of(tmp_path)
        with monkeypatch.context() as patch:
            patch.setattr("meterlink.link.client.VERSION", "99.0")
            client = await connect(tmp_path)
            assert client.other_version == VERSION
            await client.close()
        client = await connect(tmp_path)
        assert client.other_version == ""
        await client.close()
        monkeypatch.setattr("meterlink.link.client.PROTOCOL_VERSION", 99)
        with pytest.raises(LinkError, match=rf"version {VERSION}, process {process}\) uses an incompatible") as caught:
            async with ensure_daemon(tmp_path):  # starts no second one beside it
                pass
        assert "Stop it and start it again with this version" in caught.value.remedy
        monkeypatch.undo()
