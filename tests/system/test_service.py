"""The daemon tells systemd of its life: a socket stands in the place of systemd's."""

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from meterlink.publish.config import make_broker_config
from meterlink.settings import MqttSettings

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="sockets of Unix")
LIMIT = 60.0  # s; a limit, not a wait


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
    other = MqttSettings("broker.example", username="van-3", password_file="../data/pw")  # noqa: S106  # a name
    assert make_broker_config(other, folder).password_file == folder / "../data/pw"
