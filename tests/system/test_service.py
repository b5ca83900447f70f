"""The daemon tells systemd of its life: a socket stands in the place of systemd's."""

import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from meterlink.core.clock import SystemClock, Timestamp
from meterlink.core.equipment import Site
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.publish.config import make_broker_config
from meterlink.settings import DATABASE_FILE, MqttSettings
from support.mosquitto_broker import MOSQUITTO, running_broker
from support.writers import OUTER, running_writer

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="sockets of Unix")
LIMIT = 60.0  # s; a limit, not a wait


@pytest.mark.fault("reload-signal")
def test_a_daemon_is_ready_alive_reloading_and_stopping(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(LIMIT)
        given = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "200000"}
        given.pop("WATCHDOG_PID", None)
        command = [sys.executable, "-m", "meterlink", "run", "--data", str(tmp_path / "data")]
        with (tmp_path / "log").open("wb") as log, subprocess.Popen(command, env=given, stderr=log) as process:

            def until(text: str) -> None:
                while not manager.recv(1000).decode().startswith(text):
                    pass

            try:
                until("READY=1")
                assert (tmp_path / "data" / "station.sock").exists(), "it is ready when commands reach it"
                until("WATCHDOG=1")
                process.send_signal(signal.SIGHUP)
                until("RELOADING=1")
                until("READY=1")
                process.send_signal(signal.SIGTERM)
                until("STOPPING=1")
                assert process.wait(LIMIT) == 0
            finally:
                process.kill()


def test_the_password_is_the_credential_that_systemd_hands_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    credentials, folder = tmp_path / "credentials", tmp_path / "data"
    for directory in (credentials, folder):
        directory.mkdir()
    settings = MqttSettings("broker.example", username="van-3", password_file="mqtt-password")  # noqa: S106  # a name
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    assert make_broker_config(settings, folder).password_file == folder / "mqtt-password"
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(credentials))
    assert make_broker_config(settings, folder).password_file == folder / "mqtt-password", "there is no credential"
    (credentials / "mqtt-password").write_text("a secret\n")
    assert make_broker_config(settings, folder).password_file == credentials / "mqtt-password"
    monkeypatch.setattr(os, "access", lambda *_: False)  # the folder of another service
    assert make_broker_config(settings, folder).password_file == folder / "mqtt-password"
    other = MqttSettings("broker.example", username="van-3", password_file="../data/pw")  # noqa: S106  # a name
    assert make_broker_config(other, folder).password_file == folder / "../data/pw"


@pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")
async def test_a_log_has_no_password_and_no_name_of_a_site(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    await asyncio.to_thread(folder.mkdir)
    now = SystemClock().now()
    begun = Timestamp(now.utc_ns - 2 * 86_400 * 10**9, now.monotonic_ns)
    with running_writer(folder / DATABASE_FILE) as writer:  # a visit of two days ago, about which the station asks
        plan = load_plan(DEFAULT_PLAN).with_usual_answers({})
        writer.open_visit(Site("Mill Lane bakery", "Condenser 1"), plan, begun).result(OUTER)
    async with running_broker(tmp_path, "allow_anonymous false") as broker:
        (folder / "pw").touch(0o600)
        (folder / "pw").write_text("correct horse battery\n")
        (folder / "settings.toml").write_text(
            f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\ntls = false\nusername = "v"\npassword_file = "pw"\n'
        )
        command = [sys.executable, "-m", "meterlink", "run", "--log-format", "json", "--data", str(folder)]
        process = await asyncio.create_subprocess_exec(*command, stderr=asyncio.subprocess.PIPE)
        assert process.stderr is not None
        lines: list[str] = []
        async with asyncio.timeout(LIMIT):
            while not any("refused the user name or password" in line for line in lines):
                lines.append((await process.stderr.readline()).decode())
                assert lines[-1], f"it ended: {lines}"
        process.terminate()
        lines += (await process.stderr.read()).decode().splitlines()
        assert await process.wait() == 0
    records = [json.loads(line) for line in lines]
    assert all({"at", "level", "source", "text"} <= set(record) for record in records)
    assert any("The last reading at (unit), (site)" in record["text"] for record in records), lines
    for secret in ("correct horse", "Mill Lane", "Condenser"):
        assert not any(secret in line for line in lines)
