"""The checks of a machine: each outcome of each check; and its facts, read from a made-up system."""

import os
from collections.abc import Sequence
from pathlib import Path

import pytest

from meterlink.core.equipment import Meter
from meterlink.core.errors import DamagedDatabaseError, PublishError, RadioError, SettingsError
from meterlink.station import machine
from meterlink.station.machine_checks import (
    WEAK_SIGNAL,
    AdapterFacts,
    CheckResult,
    FileFacts,
    HeardMeter,
    Outcome,
    UnitFacts,
    check_adapter,
    check_bluetooth,
    check_broker,
    check_clock,
    check_daemon,
    check_database,
    check_disk,
    check_folder,
    check_meters,
    check_owners,
    check_secrets,
    check_service,
    check_settings,
)
from meterlink.station.status import FEWEST_DAYS_LEFT, LEAST_FREE
from meterlink.store.rows import MeterRow

OK, WRONG, CANNOT_TELL = Outcome.OK, Outcome.WRONG, Outcome.CANNOT_TELL
MINE = FileFacts("/data", 1000, 0o700)
OPEN = FileFacts("/my data", 1000, 0o755)
KEY = FileFacts("/data/station.key", 1000, 0o600)
READABLE = FileFacts("/data/my password", 1000, 0o644)

CHECKS = {
    "settings": (check_settings(None), OK),
    "settings with an error": (check_settings(SettingsError("settings.toml:1:1: no.", "Correct it.")), WRONG),
    "own folder": (check_folder(MINE, 1000, writable=True, has_modes=True), OK),
    "folder of the service, seen by root": (check_folder(MINE, 0, writable=True, has_modes=True), OK),
    "folder open to others": (check_folder(OPEN, 1000, writable=True, has_modes=True), WRONG),
    "folder of another": (check_folder(MINE, 1001, writable=True, has_modes=True), WRONG),
    "folder that cannot be written": (check_folder(MINE, 1000, writable=False, has_modes=True), WRONG),
    "folder without modes": (check_folder(OPEN, 0, writable=True, has_modes=False), CANNOT_TELL),
    "own files": (check_owners(MINE, [KEY]), OK),
    "a file of root": (check_owners(MINE, [KEY, FileFacts("/data/meterlink.db", 0, 0o600)]), WRONG),
    "no secrets": (check_secrets([], (), has_modes=True), OK),
    "secrets": (check_secrets([KEY], (), has_modes=True), OK),
    "secrets for everybody": (check_secrets([KEY, READABLE], (), has_modes=True), WRONG),
    "a password that is missing": (check_secrets([KEY], {"/data/pw"}, has_modes=True), WRONG),
    "secrets without modes": (check_secrets([KEY], (), has_modes=False), CANNOT_TELL),
    "a free disk": (check_disk(10**10, 400.0), OK),
    "a disk without growth": (check_disk(10**10, None), OK),
    "a full disk": (check_disk(LEAST_FREE - 1, 400.0), WRONG),
    "a disk that fills": (check_disk(10**10, FEWEST_DAYS_LEFT - 0.1), WRONG),
    "a clock": (check_clock(is_set=True, steps=1), OK),
    "a clock that is not set": (check_clock(is_set=False, steps=0), WRONG),
    "a clock that jumps": (check_clock(is_set=True, steps=3), WRONG),
    "a clock without a witness": (check_clock(is_set=None, steps=0), CANNOT_TELL),
    "a database": (check_database(None, (), 420_000, full=True), OK),
    "no database": (check_database(None, (), None, full=False), OK),
    "a damaged database": (
        check_database(DamagedDatabaseError("It is damaged.", "Save it."), (), 1, full=False),
        WRONG,
    ),
    "a damaged page": (check_database(None, ("row 3 is missing", "row 4 is missing"), 1, full=True), WRONG),
    "an adapter": (check_adapter([AdapterFacts("hci0", "soft"), AdapterFacts("hci1")]), OK),
    "no adapter": (check_adapter([]), WRONG),
    "a blocked adapter": (check_adapter([AdapterFacts("hci0", "soft")]), WRONG),
    "an adapter that is switched off": (check_adapter([AdapterFacts("hci0", "hard")]), WRONG),
    "a platform without a list": (check_adapter(None), CANNOT_TELL),
    "a scan": (check_bluetooth(None, 1, by_daemon=False), OK),
    "a scan of the daemon": (check_bluetooth(None, 0, by_daemon=True), OK),
    "a scan that fails": (check_bluetooth(RadioError("Bluetooth is off.", "Switch it on."), 0, by_daemon=False), WRONG),
    "no bound meter": (check_meters([])[0], OK),
    "a meter": (check_meters([HeardMeter("clamp", heard=True, rssi=-60)])[0], OK),
    "a meter of unknown strength": (check_meters([HeardMeter("clamp", heard=True)])[0], OK),
    "a weak meter": (check_meters([HeardMeter("clamp", heard=True, rssi=WEAK_SIGNAL - 1)])[0], WRONG),
    # It may be connected, or in the other van: silence proves nothing.
    "an unheard meter": (check_meters([HeardMeter("clamp", heard=False)])[0], CANNOT_TELL),
    "a service": (check_service(UnitFacts("loaded", "active", "enabled")), OK),
    "no service": (check_service(UnitFacts("not-found", "inactive", "")), OK),
    "a failed service": (check_service(UnitFacts("loaded", "failed", "enabled")), WRONG),
    "a service for one boot": (check_service(UnitFacts("loaded", "active", "disabled", is_user=True)), WRONG),
    "no systemd": (check_service(None), CANNOT_TELL),
    "a daemon": (check_daemon("1.0", "1.0", ""), OK),
    "no daemon": (check_daemon(None, "1.0", ""), OK),
    "an older daemon": (check_daemon("0.9", "1.0", ""), WRONG),
    "a daemon that hangs": (check_daemon(None, "1.0", "It does not answer."), WRONG),
    "no broker": (check_broker("", None, by_daemon=False), OK),
    "a broker": (check_broker("broker.example", None, by_daemon=False), OK),
    "a broker that refuses": (
        check_broker("broker.example", PublishError("Refused.", "Check."), by_daemon=False),
        WRONG,
    ),
}


@pytest.mark.parametrize("name", CHECKS)
def test_each_outcome_of_each_check(name: str) -> None:
    result, outcome = CHECKS[name]
    assert result.outcome is outcome
    assert result.text.endswith(".")
    assert "\n" not in result.text + result.remedy
    assert bool(result.remedy) or outcome is not WRONG, "what to do is said"
    assert not result.remedy or outcome is not OK


def test_every_check_has_two_outcomes_at_least() -> None:
    outcomes: dict[str, set[Outcome]] = {}
    for result, _ in CHECKS.values():
        outcomes.setdefault(result.subject, set()).add(result.outcome)
    assert all(len(found) >= 2 for subject, found in outcomes.items() if subject != "meters"), outcomes


def test_a_remedy_can_be_pasted() -> None:
    results: list[CheckResult] = [
        check_folder(OPEN, 1000, writable=True, has_modes=True),
        check_secrets([READABLE], (), has_modes=True),
        check_service(UnitFacts("loaded", "failed", "", is_user=True)),
    ]
    assert results[0].remedy == "chmod 700 '/my data'"
    assert results[1].remedy == "chmod 600 '/data/my password'"
    assert results[2].remedy.endswith("systemctl --user restart meterlink")


# Facts


def make_adapter(system: Path, name: str, **switches: str) -> None:
    switch = system / "class" / "bluetooth" / name / "rfkill3"
    switch.mkdir(parents=True)
    for kind in ("hard", "soft"):
        (switch / kind).write_text(switches.get(kind, "0") + "\n")


def test_the_adapters_of_a_linux_machine(tmp_path: Path) -> None:
    assert machine.adapters(tmp_path) is None
    (tmp_path / "class").mkdir()
    assert machine.adapters(tmp_path) == []
    make_adapter(tmp_path, "hci1")
    make_adapter(tmp_path, "hci0", soft="1")
    make_adapter(tmp_path, "hci2", soft="1", hard="1")
    (tmp_path / "class" / "bluetooth" / "hci1:12").mkdir()  # a connection
    (tmp_path / "class" / "bluetooth" / "hci3").mkdir()  # an adapter without a switch
    assert machine.adapters(tmp_path) == [
        AdapterFacts("hci0", "soft"), AdapterFacts("hci1"), AdapterFacts("hci2", "hard"), AdapterFacts("hci3"),
    ]  # fmt: skip


def test_the_unit_as_systemctl_shows_it() -> None:
    asked: list[list[str]] = []

    def run(command: Sequence[str]) -> str | None:
        asked.append(list(command))
        return "LoadState=loaded\nActiveState=active\nUnitFileState=enabled\n"

    assert machine.unit_facts(is_user=True, run=run) == UnitFacts("loaded", "active", "enabled", is_user=True)
    assert asked[0][:4] == ["systemctl", "--user", "show", "meterlink.service"]
    assert machine.unit_facts(is_user=False, run=lambda _: None) is None
    assert machine.unit_facts(is_user=False, run=lambda _: "System has not been booted with systemd\n") is None


def test_the_facts_of_files(tmp_path: Path) -> None:
    (tmp_path / "key").touch(mode=0o640)
    (tmp_path / "key").chmod(0o640)
    (facts,) = machine.facts_of_files([tmp_path / "key", tmp_path / "missing"])
    assert (facts.path, facts.owner, facts.mode) == (str(tmp_path / "key"), os.getuid(), 0o640)


def test_a_bound_meter_is_found_at_its_present_address() -> None:
    rows = [
        MeterRow(1, Meter("00:00:5E:00:53:01", "clamp"), True, 0, 0, "00:00:5E:00:53:0A"),
        MeterRow(2, Meter("00:00:5E:00:53:02", ""), False, 0, 0, "00:00:5E:00:53:02"),
        MeterRow(3, Meter("00:00:5E:00:53:03", ""), True, 0, 0, ""),
    ]
    assert machine.heard_meters(rows, []) == [
        HeardMeter("clamp", heard=False),
        HeardMeter(rows[2].meter.address, heard=False),
    ]
