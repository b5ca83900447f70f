"""``meterlink check``: the faults of this machine, each in a line with its remedy."""

import asyncio
import json
import os
from collections.abc import Iterator, Sequence
from pathlib import Path

import click

from meterlink.ble.discovery import DiscoveredDevice
from meterlink.cli.output import data_option, json_option, print_text, printable_text
from meterlink.cli.status import read_status
from meterlink.cli.table import styled
from meterlink.core.clock import SystemClock, clock_is_set
from meterlink.core.errors import MeterlinkError, RadioError, SettingsError, StoreError
from meterlink.core.version import VERSION
from meterlink.link.messages import StatusView
from meterlink.seal.station_key import KEY_FILE
from meterlink.settings import DATABASE_FILE, SETTINGS_FILE, Settings, existing_data_dir, load_settings
from meterlink.station import machine
from meterlink.station import machine_checks as checks
from meterlink.station.free_space import free_bytes
from meterlink.station.machine_checks import CheckResult, Outcome
from meterlink.station.status import status_without_daemon
from meterlink.store.checking import full_check, quick_check
from meterlink.store.reader import Reader

_COLOURS = {Outcome.OK: "green", Outcome.WRONG: "red", Outcome.CANNOT_TELL: "yellow"}
_BROKER_ONLINE = "online"


@click.command()
@click.option("--database", "full_database", is_flag=True, help="Compare indexes and references of the database, too.")
@click.option(
    "--bluetooth", "long_scan", is_flag=True, help=f"Listen for {machine.LONG_SCAN:.0f} s, and look for your meters."
)
@data_option
@json_option
def command(*, full_database: bool, long_scan: bool, data: str | None, as_json: bool) -> None:
    """Check this machine: folder, disk, clock, database, Bluetooth, service, broker.

    \b
        meterlink check
        meterlink check --bluetooth --database

    Each check is one line, with the remedy where something is wrong. It changes nothing. 'cannot tell' means that this
    machine does not give the facts. The exit status is 1 if something is wrong, else 0.

    With --json: an array of objects with check, outcome (ok, wrong, cannot tell), text, remedy.
    \f

    Raises:
        SettingsError: there is no data folder.
    """
    folder = existing_data_dir(data)
    results = []
    for result in _run_checks(folder, full_database=full_database, long_scan=long_scan):
        results.append(result)
        if not as_json:
            _print_result(result)
    wrong = [result for result in results if result.outcome is Outcome.WRONG]
    if as_json:
        fields = [
            {"check": result.subject, "outcome": result.outcome, "text": result.text, "remedy": result.remedy}
            for result in results
        ]
        click.echo(json.dumps(fields, indent=2))
    else:
        print_text("Nothing is wrong." if not wrong else f"Wrong: {', '.join(result.subject for result in wrong)}.")
    click.get_current_context().exit(1 if wrong else 0)


def _print_result(result: CheckResult) -> None:
    outcome = styled(f"{result.outcome.upper():11}", _COLOURS[result.outcome])
    print_text(f"{outcome}  {result.subject:9}  {printable_text(f'{result.text} {result.remedy}')}")


def _run_checks(folder: Path, *, full_database: bool, long_scan: bool) -> Iterator[CheckResult]:
    settings, error = _settings(folder)
    yield checks.check_settings(error)
    view, problem = _status(folder)
    yield from _check_files(folder, settings, is_online=view is not None and view["broker"] == _BROKER_ONLINE)
    running = view is not None and view["running"]
    yield checks.check_daemon(view["version"] if view is not None else None, VERSION, problem)
    yield checks.check_service(_unit())
    yield checks.check_disk(free_bytes(folder), None if view is None else view["days_left"])
    now = SystemClock().now().utc_ns
    yield checks.check_clock(is_set=clock_is_set(now), steps=0 if view is None else view["clock_steps"])
    yield _check_database(folder / DATABASE_FILE, full=full_database)
    yield checks.check_adapter(machine.adapters())
    adapter = "" if settings is None else settings.adapter
    yield from _check_bluetooth(folder, view if running else None, adapter=adapter, long_scan=long_scan)
    if settings is not None:
        yield _check_broker(folder, settings, view if running else None)


def _settings(folder: Path) -> tuple[Settings | None, MeterlinkError | None]:
    try:
        return load_settings(folder), None
    except SettingsError as error:
        return None, error


def _check_files(folder: Path, settings: Settings | None, *, is_online: bool) -> Iterator[CheckResult]:
    has_modes = machine.has_permission_bits()
    facts = machine.file_facts(folder)
    writable = os.access(folder, os.W_OK | os.X_OK)
    yield checks.check_folder(facts, machine.account(), writable=writable, has_modes=has_modes)
    database = folder / DATABASE_FILE
    kept = [database, _log_of(database), folder / SETTINGS_FILE, folder / KEY_FILE]
    yield checks.check_owners(facts, machine.facts_of_files(kept))
    secrets = [folder / KEY_FILE]
    missing = set()
    if settings is not None and settings.mqtt is not None and settings.mqtt.password_file:
        password = folder / settings.mqtt.password_file
        secrets.append(password)
        # The password of a daemon that is connected may be a credential of systemd.
        missing = set() if password.exists() or is_online else {str(password)}
    if settings is not None and settings.mqtt is not None and settings.mqtt.certificate_file:
        secrets.append(folder / (settings.mqtt.key_file or settings.mqtt.certificate_file))
    yield checks.check_secrets(machine.facts_of_files(secrets), missing, has_modes=has_modes)


def _status(folder: Path) -> tuple[StatusView | None, str]:
    """Return the state of the daemon or of the folder, and a sentence if a daemon does not answer as it should."""
    try:
        view = read_status(folder)
    except MeterlinkError as error:
        try:
            return status_without_daemon(folder), error.message
        except MeterlinkError:  # the checks of settings and database name the cause
            return None, ""
    hangs = [problem["text"] for problem in view["problems"] if "does not answer" in problem["text"]]
    return view, "" if view["running"] or not hangs else hangs[0]


def _unit() -> checks.UnitFacts | None:
    """Return the unit of the system, or that of the account where only that one is installed."""
    units = [machine.unit_facts(is_user=False), machine.unit_facts(is_user=True)]
    known = [unit for unit in units if unit is not None]
    return next((unit for unit in known if unit.loaded == "loaded"), known[0] if known else None)


def _check_database(database: Path, *, full: bool) -> CheckResult:
    if not database.exists():
        return checks.check_database(None, (), None, full=full)
    error: StoreError | None = None
    faults: Sequence[str] = ()
    try:
        faults = full_check(database) if full else quick_check(database)
    except StoreError as found:
        error = found
    size = sum(path.stat().st_size for path in (database, _log_of(database)) if path.exists())
    return checks.check_database(error, faults, size, full=full)


def _log_of(database: Path) -> Path:
    return database.with_name(f"{database.name}-wal")


def _check_bluetooth(
    folder: Path, daemon: StatusView | None, *, adapter: str, long_scan: bool
) -> Iterator[CheckResult]:
    if daemon is not None and not long_scan:
        error = RadioError(daemon["radio_error"]) if daemon["radio_error"] else None
        yield checks.check_bluetooth(error, 0, by_daemon=True)
        return
    seconds = machine.LONG_SCAN if long_scan else machine.QUICK_SCAN
    found: tuple[RadioError | None, list[DiscoveredDevice]]
    found = asyncio.run(machine.scan(seconds, until_heard=not long_scan, adapter=adapter))
    yield checks.check_bluetooth(found[0], len(found[1]), by_daemon=False)
    if long_scan and found[0] is None:
        database = folder / DATABASE_FILE
        rows = Reader(database).known_meters() if database.exists() else []
        yield from checks.check_meters(machine.heard_meters(rows, found[1]))


def _check_broker(folder: Path, settings: Settings, daemon: StatusView | None) -> CheckResult:
    if settings.mqtt is None:
        return checks.check_broker("", None, by_daemon=False)
    if daemon is not None and daemon["broker"] == _BROKER_ONLINE:
        return checks.check_broker(settings.mqtt.host, None, by_daemon=True)
    error = asyncio.run(machine.try_broker(settings.mqtt, folder, settings.station))
    return checks.check_broker(settings.mqtt.host, error, by_daemon=False)
