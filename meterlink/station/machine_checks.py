"""The checks of the machine that a station runs on: from facts to an outcome and a remedy. No I/O.

A check that lacks its facts says so ('cannot tell'): it never passes unseen.
"""

import shlex
from collections.abc import Collection, Sequence
from enum import StrEnum
from typing import NamedTuple

from meterlink.core.errors import MeterlinkError, StoreError
from meterlink.core.permissions import FOR_OTHERS
from meterlink.core.text import count_phrase, days_text
from meterlink.station.status import FEWEST_DAYS_LEFT, LEAST_FREE

# dBm. Below it packets are lost in a noisy place; common practice, no source.
WEAK_SIGNAL = -85
# In a day: a machine without a battery for its clock is set once after each start.
_FEW_STEPS = 2


class Outcome(StrEnum):
    """The outcome of a check."""

    OK = "ok"
    WRONG = "wrong"
    CANNOT_TELL = "cannot tell"


class CheckResult(NamedTuple):
    """The result of one check: its subject in a word, its fact in a sentence, and a remedy where one is needed."""

    subject: str
    outcome: Outcome
    text: str
    remedy: str = ""


class FileFacts(NamedTuple):
    """A file or a folder: its path, the number of its owner, its permission bits."""

    path: str
    owner: int
    mode: int


class AdapterFacts(NamedTuple):
    """A Bluetooth adapter; ``blocked`` is ``soft`` or ``hard`` where a switch blocks it, else empty."""

    name: str
    blocked: str = ""


class UnitFacts(NamedTuple):
    """The state of the systemd unit: ``loaded``, ``active`` and ``enabled`` as systemctl names them."""

    loaded: str
    active: str
    enabled: str
    is_user: bool = False


class HeardMeter(NamedTuple):
    """A bound meter, and its signal strength in dBm; ``heard`` is False if no advertisement came."""

    name: str
    heard: bool
    rssi: int | None = None


def check_settings(error: MeterlinkError | None) -> CheckResult:
    """Check that the settings can be read; ``error`` is the one that they gave."""
    if error is None:
        return CheckResult("settings", Outcome.OK, "The settings can be read.")
    return CheckResult("settings", Outcome.WRONG, error.message, error.remedy)


def check_folder(folder: FileFacts, account: int, *, writable: bool, has_modes: bool) -> CheckResult:
    """Check that only the station's account may open the data folder, and that it may write there.

    ``account`` is the number of the present account; ``has_modes`` is False where a platform has no permission bits.
    """
    if not writable:
        remedy = f"Run the command as the account that owns it (number {folder.owner})."
        return CheckResult("folder", Outcome.WRONG, f"This account may not write in {folder.path}.", remedy)
    if not has_modes:
        text = f"{folder.path} can be written; this platform has no permission bits to check."
        return CheckResult("folder", Outcome.CANNOT_TELL, text)
    if folder.mode & FOR_OTHERS:
        text = f"Other accounts of this machine may look into {folder.path} (mode {folder.mode:o})."
        return CheckResult("folder", Outcome.WRONG, text, f"chmod 700 {shlex.quote(folder.path)}")
    if account not in {folder.owner, 0}:
        text = f"{folder.path} belongs to another account (number {folder.owner})."
        return CheckResult("folder", Outcome.WRONG, text, "Name a folder of your own with --data.")
    return CheckResult("folder", Outcome.OK, f"Only its owner may open {folder.path}.")


def check_owners(folder: FileFacts, files: Sequence[FileFacts]) -> CheckResult:
    """Check that the files in the data folder belong to its owner: a command of another account leaves its own."""
    others = [file for file in files if file.owner != folder.owner]
    if not others:
        return CheckResult("files", Outcome.OK, "The files in it belong to its owner.")
    text = f"{others[0].path} and {len(others) - 1} more belong" if len(others) > 1 else f"{others[0].path} belongs"
    return CheckResult(
        "files",
        Outcome.WRONG,
        f"{text} to another account than the folder, which may not be able to write there.",
        f"chown -R {folder.owner} {shlex.quote(folder.path)}",
    )


def check_secrets(secrets: Sequence[FileFacts], missing: Collection[str], *, has_modes: bool) -> CheckResult:
    """Check that other accounts cannot read a password or a key; ``missing`` are files that the settings name."""
    if missing:
        remedy = "Write it there, or correct mqtt.password_file in settings.toml."
        return CheckResult("secrets", Outcome.WRONG, f"There is no file {', '.join(sorted(missing))}.", remedy)
    if not secrets:
        return CheckResult("secrets", Outcome.OK, "No password and no key is kept yet.")
    if not has_modes:
        return CheckResult("secrets", Outcome.CANNOT_TELL, "This platform has no permission bits to check.")
    readable = [file for file in secrets if file.mode & FOR_OTHERS]
    if readable:
        text = f"Other accounts of this machine may read {readable[0].path} (mode {readable[0].mode:o})."
        return CheckResult("secrets", Outcome.WRONG, text, f"chmod 600 {shlex.join(file.path for file in readable)}")
    return CheckResult("secrets", Outcome.OK, f"Only its owner may read {' and '.join(file.path for file in secrets)}.")


def check_disk(free: int, days_left: float | None) -> CheckResult:
    """Check the free bytes of the disk, and the days until it is full at the rate of today."""
    remedy = "Free some space, or delete old raw readings: meterlink thin --older-than 90d --compact"
    left = f"{free / 1e6:,.0f} MB are free"
    if free < LEAST_FREE:
        return CheckResult("disk", Outcome.WRONG, f"Only {left}.", remedy)
    if days_left is None:
        return CheckResult("disk", Outcome.OK, f"{left}; no raw readings came in the last 24 hours.")
    text = f"{left}, {days_text(days_left)} at the rate of the last 24 hours."
    if days_left < FEWEST_DAYS_LEFT:
        return CheckResult("disk", Outcome.WRONG, text, remedy)
    return CheckResult("disk", Outcome.OK, text)


def check_clock(*, is_set: bool | None, steps: int) -> CheckResult:
    """Check that the wall clock is set; None where the machine does not report it. ``steps`` are those of a day."""
    if is_set is False:
        text = "The clock is before the release of this program, so it is not set."
        return CheckResult("clock", Outcome.WRONG, text, "Set it, or connect the machine to a network.")
    if steps > _FEW_STEPS:
        text = f"The clock has jumped {count_phrase(steps, 'time')} in the last 24 hours."
        remedy = "Let one program set it, and no other: timedatectl set-ntp true"
        return CheckResult("clock", Outcome.WRONG, text, remedy)
    if is_set is None:
        text = "This machine does not say whether its clock was set from a network. Compare it with another clock."
        return CheckResult("clock", Outcome.CANNOT_TELL, text)
    return CheckResult("clock", Outcome.OK, "The clock was set from a network.")


def check_database(error: StoreError | None, faults: Sequence[str], size: int | None, *, full: bool) -> CheckResult:
    """Check the database; ``error`` is that of reading it, ``faults`` are those of its pages.

    ``size`` is in bytes, None without a database.
    """
    if size is None:
        return CheckResult("database", Outcome.OK, "There is no database yet: the first start makes it.")
    if error is not None:
        return CheckResult("database", Outcome.WRONG, error.message, error.remedy)
    if faults:
        more = f", and {len(faults) - 1} more" if len(faults) > 1 else ""
        remedy = "End the station, then save the readable part: meterlink salvage -o FILE"
        return CheckResult("database", Outcome.WRONG, f"The record is damaged: {faults[0]}{more}.", remedy)
    depth = "pages, indexes and references" if full else "pages"
    return CheckResult("database", Outcome.OK, f"Its {depth} are whole ({size / 1e6:,.1f} MB).")


def check_adapter(adapters: Sequence[AdapterFacts] | None) -> CheckResult:
    """Check that an adapter is there and that no switch blocks it; None where a platform does not list them."""
    if adapters is None:
        return CheckResult("adapter", Outcome.CANNOT_TELL, "This platform does not list its Bluetooth adapters.")
    if not adapters:
        text = "This machine has no Bluetooth adapter."
        return CheckResult("adapter", Outcome.WRONG, text, "Plug one in, or enable it in the firmware's settings.")
    usable = [adapter.name for adapter in adapters if not adapter.blocked]
    if usable:
        return CheckResult("adapter", Outcome.OK, f"Bluetooth adapter: {', '.join(usable)}.")
    if any(adapter.blocked == "hard" for adapter in adapters):
        text = "A switch or a key of this machine blocks Bluetooth."
        return CheckResult("adapter", Outcome.WRONG, text, "Use that switch; no command can undo it.")
    return CheckResult("adapter", Outcome.WRONG, "Bluetooth is blocked.", "rfkill unblock bluetooth")


def check_bluetooth(error: MeterlinkError | None, heard: int, *, by_daemon: bool) -> CheckResult:
    """Check that the Bluetooth service scans for this account; ``error`` is the one of the scan."""
    if error is not None:
        return CheckResult("bluetooth", Outcome.WRONG, error.message, error.remedy)
    if by_daemon:
        return CheckResult("bluetooth", Outcome.OK, "The daemon scans.")
    devices = f"{count_phrase(heard, 'device')} {'was' if heard == 1 else 'were'} heard"
    return CheckResult("bluetooth", Outcome.OK, f"This account may scan; {devices}.")


def check_meters(meters: Sequence[HeardMeter]) -> list[CheckResult]:
    """Check that each bound meter is on the air."""
    if not meters:
        return [CheckResult("meters", Outcome.OK, "No meter is bound; meterlink find --bind METER binds yours.")]
    return [_check_meter(meter) for meter in meters]


def _check_meter(meter: HeardMeter) -> CheckResult:
    if not meter.heard:
        # A connected meter does not advertise, and one that is switched off is no fault of the machine.
        remedy = "Switch on the meter and its Bluetooth; a meter that is connected, to a phone too, is not heard."
        return CheckResult("meter", Outcome.CANNOT_TELL, f"{meter.name} was not heard.", remedy)
    if meter.rssi is None:
        return CheckResult("meter", Outcome.OK, f"{meter.name} is heard.")
    if meter.rssi < WEAK_SIGNAL:
        text = f"{meter.name} is heard weakly ({meter.rssi} dBm)."
        return CheckResult("meter", Outcome.WRONG, text, "Move closer, or use an adapter on a cable outside the metal.")
    return CheckResult("meter", Outcome.OK, f"{meter.name} is heard ({meter.rssi} dBm).")


def check_service(unit: UnitFacts | None) -> CheckResult:
    """Check the systemd unit of the daemon; None where this machine has no systemd."""
    if unit is None:
        return CheckResult("service", Outcome.CANNOT_TELL, "This machine has no systemd that could be asked.")
    if unit.loaded != "loaded":
        return CheckResult("service", Outcome.OK, "No service is installed; the dashboard starts the daemon.")
    user = "--user " if unit.is_user else ""
    if unit.active == "active":
        if unit.enabled in {"enabled", "enabled-runtime"}:
            return CheckResult("service", Outcome.OK, "The service runs, and starts with the machine.")
        text = "The service runs, but does not start with the machine."
        return CheckResult("service", Outcome.WRONG, text, f"systemctl {user}enable meterlink")
    text = f"The service is installed, but {unit.active}."
    remedy = f"journalctl {user}-u meterlink -n 20 says why; then: systemctl {user}restart meterlink"
    return CheckResult("service", Outcome.WRONG, text, remedy)


def check_daemon(version: str | None, own_version: str, problem: str) -> CheckResult:
    """Check the running daemon: ``version`` is its own, None if none runs; ``problem`` says that it does not answer."""
    if problem:
        return CheckResult("daemon", Outcome.WRONG, problem, "End it and start it again.")
    if version is None:
        return CheckResult("daemon", Outcome.OK, "No daemon runs now.")
    if version != own_version:
        text = f"The daemon is version {version}; this program is version {own_version}."
        return CheckResult("daemon", Outcome.WRONG, text, "Start the daemon again: systemctl restart meterlink")
    return CheckResult("daemon", Outcome.OK, f"It runs and answers (version {version}).")


def check_broker(host: str, error: MeterlinkError | None, *, by_daemon: bool) -> CheckResult:
    """Check the connection to the broker; ``host`` is empty where the settings name none."""
    if not host:
        return CheckResult("broker", Outcome.OK, "The settings name no broker: nothing is published.")
    if error is not None:
        return CheckResult("broker", Outcome.WRONG, error.message, error.remedy)
    who = "The daemon is connected to" if by_daemon else "This account may connect to"
    return CheckResult("broker", Outcome.OK, f"{who} {host}.")
