"""`meterlink check` on machines with and without faults: the scan of simulated radios, a real broker, a real folder."""

import os
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.errors import RadioError
from meterlink.settings import DATABASE_FILE, MqttSettings
from meterlink.station import machine
from meterlink.station.machine_checks import AdapterFacts, UnitFacts
from meterlink_simulators.air import Air
from meterlink_simulators.virtual_time import run_in_virtual_time
from support.commands import parse_json, run_command
from support.doc_examples import SEASONS
from support.mosquitto_broker import MOSQUITTO, running_broker
from support.recorded_visits import store_visits
from support.tools import skip_without_tool
from support.virtual_stations import until


@pytest.fixture
def healthy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A machine without a fault, but for its radio, which is replaced."""

    async def scan(_seconds: float, **_options: object) -> tuple[None, list[Any]]:
        return None, []

    tmp_path.chmod(0o700)
    store_visits(tmp_path / DATABASE_FILE, SEASONS)
    monkeypatch.setattr(machine, "scan", scan)
    monkeypatch.setattr(machine, "adapters", lambda: [AdapterFacts("hci0")])
    monkeypatch.setattr(machine, "unit_facts", lambda **_: UnitFacts("not-found", "inactive", ""))
    monkeypatch.setattr("meterlink.cli.check.free_bytes", lambda _: 10**10)
    monkeypatch.setattr("meterlink.cli.check.clock_is_set", lambda _: True)
    return tmp_path


def contents(folder: Path) -> dict[str, bytes]:
    """Return the files of a folder, without those that SQLite makes for any reader."""
    return {path.name: path.read_bytes() for path in folder.iterdir() if not path.name.endswith(("-shm", "-wal"))}


def test_nothing_is_wrong(healthy: Path) -> None:
    before = contents(healthy)
    status, out, err = run_command("check", "--database", "--bluetooth", "--data", str(healthy))
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert lines[-1] == "Nothing is wrong."
    assert all(line.startswith("OK ") for line in lines[:-1]), out
    assert contents(healthy) == before


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="permission bits")
def test_each_fault_is_one_line_with_its_remedy(healthy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def scan(_seconds: float, **_options: object) -> tuple[RadioError, list[Any]]:
        return RadioError("Bluetooth is switched off.", "Switch it on."), []

    healthy.chmod(0o755)
    (healthy / "settings.toml").write_text('[mqtt]\nhost = "127.0.0.1"\nport = 1\ntls = false\n')
    (healthy / DATABASE_FILE).write_bytes(b"no database")
    monkeypatch.setattr(machine, "scan", scan)
    monkeypatch.setattr(machine, "adapters", lambda: [AdapterFacts("hci0", "soft")])
    monkeypatch.setattr(machine, "unit_facts", lambda **_: UnitFacts("loaded", "failed", "enabled"))
    monkeypatch.setattr("meterlink.cli.check.free_bytes", lambda _: 1)
    monkeypatch.setattr("meterlink.cli.check.clock_is_set", lambda _: False)
    status, out, err = run_command("check", "--data", str(healthy))
    assert (status, err) == (1, "")
    wrong = [line for line in out.splitlines() if line.startswith("WRONG ")]
    expected = ["folder", "service", "disk", "clock", "database", "adapter", "bluetooth", "broker"]
    assert [line.split()[1] for line in wrong] == expected
    assert out.splitlines()[-1] == f"Wrong: {', '.join(expected)}."
    status, out, err = run_command("check", "--data", str(healthy), "--json")
    assert (status, err) == (1, "")
    found = parse_json(out)
    assert [row["check"] for row in found if row["outcome"] == "wrong"] == expected
    assert all(row["remedy"] for row in found if row["outcome"] == "wrong")


@pytest.mark.fault("damaged-pages")
def test_a_damaged_page_is_found_and_the_record_stays_as_it_is(healthy: Path) -> None:
    path = healthy / DATABASE_FILE
    whole = path.read_bytes()
    path.write_bytes(whole[: 20 * 4096] + bytes(4096) + whole[21 * 4096 :])
    before = contents(healthy)
    for options in ((), ("--database",)):
        status, out, err = run_command("check", *options, "--data", str(healthy))
        assert (status, err) == (1, "")
        (line,) = [line for line in out.splitlines() if line.startswith("WRONG ")]
        assert line.split()[1] == "database"
        assert "meterlink salvage" in line
    assert contents(healthy) == before


def test_settings_that_cannot_be_read_are_one_fault_of_many(healthy: Path) -> None:
    (healthy / "settings.toml").write_text("station = \n[mqtt\n")
    status, out, err = run_command("check", "--data", str(healthy))
    assert (status, err) == (1, "")
    assert out.splitlines()[-1] == "Wrong: settings."
    assert "settings.toml:1:" in out


def test_an_empty_folder_is_not_changed(healthy: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    empty.mkdir(mode=0o700)
    assert run_command("check", "--data", str(empty)).status == 0
    assert list(empty.iterdir()) == []


def test_a_scan_that_hears_nothing_ends(tmp_path: Path) -> None:
    async def run() -> None:
        async with Air() as air:  # without any meter
            error, devices = await machine.scan(machine.QUICK_SCAN, until_heard=True, backend=air.scanner_backend)
            assert (error, devices) == (None, [])

    run_in_virtual_time(run())


def test_a_scan_without_bluetooth_names_the_cause(monkeypatch: pytest.MonkeyPatch) -> None:
    async def run() -> None:
        async with Air() as air:

            async def fail(_scanner: object) -> None:
                raise FileNotFoundError(2, "No such file or directory")

            backend = type("NoService", (air.scanner_backend,), {"start": fail})
            error, devices = await machine.scan(machine.QUICK_SCAN, until_heard=True, backend=backend)
            assert "could not be reached" in str(error)
            assert devices == []

    run_in_virtual_time(run())


@pytest.mark.timeout(60)
async def test_the_broker_is_tried_without_a_trace(tmp_path: Path) -> None:
    if MOSQUITTO is None:
        skip_without_tool("mosquitto")
    folder = tmp_path / "data"  # it does not exist, so writing there would fail
    async with running_broker(tmp_path) as broker:
        settings = MqttSettings("127.0.0.1", broker.port, tls=False)
        assert await machine.try_broker(settings, folder, "van-3") is None
        await until(lambda: any("Received DISCONNECT" in line for line in broker.log))
        assert not any("Received PUBLISH" in line for line in broker.log)
    error = await machine.try_broker(settings, folder, "van-3")
    assert "cannot be reached" in str(error)
    assert error is not None
    assert error.remedy
