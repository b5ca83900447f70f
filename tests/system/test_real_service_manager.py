"""The shipped unit of the machine under a real systemd: ready, walled in, reloaded, restarted, stopped."""

import time
from pathlib import Path

import pytest

from meterlink.settings import SETTINGS_FILE
from support.service_manager import LIMIT, PROGRAM, ServiceManager, service_manager

DATA = "/var/lib/meterlink"
ACCOUNT = 990  # of the service, where the test makes it
WRONG = "station = 7\n"


def until_status(manager: ServiceManager, text: str) -> None:
    """Wait until ``meterlink status`` says this to the service's own account."""
    account = ("setpriv", "--reuid", f"{ACCOUNT}", "--regid", f"{ACCOUNT}", "--clear-groups")
    end = time.monotonic() + LIMIT
    while text not in (
        status := " ".join(manager.run(*account, str(PROGRAM), "status", "--data", DATA).stdout.split())
    ):
        assert time.monotonic() < end, status


@pytest.mark.fault("reload-signal", "killed-daemon")
def test_the_shipped_unit_lives_below_systemd(tmp_path: Path) -> None:
    """One start for all of it: each takes seconds."""
    with service_manager(tmp_path) as manager:
        manager.systemctl("start", "meterlink")  # it returns once the daemon has said that it is ready
        assert (manager.show("ActiveState"), manager.show("SubState")) == ("active", "running")
        first = int(manager.show("MainPID"))
        folder = manager.root / DATA.lstrip("/")
        assert (folder / "station.sock").exists(), "commands reach it"
        assert (folder.stat().st_uid, folder.stat().st_mode & 0o777) == (ACCOUNT, 0o700)
        status = manager.run("cat", f"/proc/{first}/status").stdout
        assert {"NoNewPrivs:\t1", "Seccomp:\t2", "CapEff:\t0000000000000000"} <= set(status.splitlines())
        assert manager.show("WatchdogUSec") == "1min"

        settings = folder / SETTINGS_FILE
        settings.write_text(WRONG, encoding="utf-8")
        manager.systemctl("reload", "meterlink")
        until_status(manager, "The settings were not read again; those before stay in force.")
        assert manager.show("MainPID") == str(first), "a reload is no restart"
        settings.unlink()

        manager.run("kill", "-KILL", str(first))
        manager.until("NRestarts", "1")
        manager.until("SubState", "running")
        assert manager.show("MainPID") not in {"0", str(first)}

        manager.systemctl("stop", "meterlink")
        assert (manager.show("ActiveState"), manager.show("Result")) == ("inactive", "success")
        assert not (folder / "station.sock").exists()

        settings.write_text(WRONG, encoding="utf-8")
        assert manager.run("systemctl", "start", "meterlink").returncode != 0
        manager.until("ActiveState", "failed")
        assert (manager.show("ExecMainStatus"), manager.show("NRestarts")) == ("2", "0"), "a wrong setting stays wrong"
