"""The facts about a machine that `meterlink.station.machine_checks` judges, read from the system."""

import asyncio
import os
import subprocess
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from pathlib import Path

from meterlink.ble.backends import ScannerBackend
from meterlink.ble.discovery import DiscoveredDevice, Discovery
from meterlink.core.errors import PublishError, RadioError, SettingsError
from meterlink.settings import MqttSettings
from meterlink.station.machine_checks import AdapterFacts, FileFacts, HeardMeter, UnitFacts
from meterlink.store.rows import MeterRow

# A working scan hears something at once where people are; without anybody it has failed by then, or it runs.
QUICK_SCAN = 3.0  # s
# The longest legal advertising interval is 10.24 s (Bluetooth Core, vol. 4 part E, 7.8.5, from memory).
LONG_SCAN = 11.0  # s
_BROKER_TIMEOUT = 10.0  # s; a person waits
_SYSTEMCTL_TIMEOUT = 10.0  # s


def file_facts(path: Path) -> FileFacts:
    """Return the owner and the permission bits of a file or folder.

    Raises:
        OSError: it cannot be looked at.
    """
    status = path.stat()
    return FileFacts(str(path), status.st_uid, status.st_mode & 0o7777)


def facts_of_files(paths: Iterable[Path]) -> list[FileFacts]:
    """Return the facts of those files that exist and may be looked at."""
    facts = []
    for path in paths:
        with suppress(OSError):
            facts.append(file_facts(path))
    return facts


def adapters(system: Path = Path("/sys")) -> list[AdapterFacts] | None:
    """Return the Bluetooth adapters that the kernel lists below ``system``; None on a platform that lists none."""
    devices = system / "class" / "bluetooth"
    if not (system / "class").is_dir():
        return None
    if not devices.is_dir():  # the kernel has not loaded Bluetooth: it has met no adapter
        return []
    # Beside each adapter the kernel lists its connections, as hci0:12.
    found = sorted(path for path in devices.glob("hci*") if ":" not in path.name)
    return [AdapterFacts(path.name, _blocked(path)) for path in found]


def _blocked(adapter: Path) -> str:
    for switch in sorted(adapter.glob("rfkill*")):
        for kind in ("hard", "soft"):
            with suppress(OSError):
                if (switch / kind).read_text(encoding="ascii").strip() == "1":
                    return kind
    return ""


def unit_facts(*, is_user: bool, run: Callable[[Sequence[str]], str | None] | None = None) -> UnitFacts | None:
    """Return the state of the systemd unit ``meterlink``; None where no systemd answers. ``run`` runs a command."""
    manager = ["--user"] if is_user else []
    properties = ["-p", "LoadState", "-p", "ActiveState", "-p", "UnitFileState"]
    output = (run or _run_command)(["systemctl", *manager, "show", "meterlink.service", *properties])
    fields = dict(line.split("=", 1) for line in (output or "").splitlines() if "=" in line)
    if "LoadState" not in fields:
        return None
    return UnitFacts(fields["LoadState"], fields.get("ActiveState", ""), fields.get("UnitFileState", ""), is_user)


def _run_command(command: Sequence[str]) -> str | None:
    """Return the output of a command; None if it is not installed, fails or hangs."""
    try:
        done = subprocess.run(  # noqa: S603  # the arguments are our own
            command, capture_output=True, text=True, check=False, timeout=_SYSTEMCTL_TIMEOUT
        )
    except (OSError, subprocess.TimeoutExpired):
        return None
    return done.stdout if done.returncode == 0 else None


async def scan(
    seconds: float, *, until_heard: bool, adapter: str = "", backend: ScannerBackend | None = None
) -> tuple[RadioError | None, list[DiscoveredDevice]]:
    """Scan for ``seconds``, with ``until_heard`` until any device is heard; return the error and the devices.

    ``adapter`` is the address of the adapter to use; without one the system chooses.
    """
    async with Discovery(scanner_backend=backend, adapter=adapter) as discovery:
        try:
            await discovery.scan(seconds, (lambda _device: True) if until_heard else None)
        except RadioError as error:
            return error, []
        return None, discovery.devices()


def heard_meters(rows: Iterable[MeterRow], devices: Iterable[DiscoveredDevice]) -> list[HeardMeter]:
    """Return each bound meter, with the signal strength of its advertisement."""
    by_address = {device.address.upper(): device for device in devices}
    meters = []
    for row in rows:
        if row.bound:
            device = by_address.get((row.current_address or row.meter.address).upper())
            name = row.meter.name or row.meter.address
            meters.append(HeardMeter(name, device is not None, device.advertisement.rssi if device else None))
    return meters


async def try_broker(settings: MqttSettings, folder: Path, station: str) -> PublishError | SettingsError | None:
    """Connect to the broker as the station does, but under another name, and leave; return the error.

    Nothing is published, and a daemon that is connected stays so.
    """
    from meterlink.publish.broker import new_identifier  # noqa: PLC0415  # a tenth of a second, few stations publish
    from meterlink.publish.config import make_broker_config  # noqa: PLC0415
    from meterlink.publish.mqtt import BrokerConnection  # noqa: PLC0415
    from meterlink.publish.mqtt_client import MqttMessage  # noqa: PLC0415
    from meterlink.publish.topics import state_topic  # noqa: PLC0415

    will = MqttMessage(f"{state_topic(station)}/check", b"", "application/json")
    try:
        broker = make_broker_config(settings, folder, new_identifier())
        async with asyncio.timeout(2 * _BROKER_TIMEOUT):
            connection = await BrokerConnection.open(broker, will, _BROKER_TIMEOUT)
            await connection.close()
    except (PublishError, SettingsError) as error:
        return error
    except TimeoutError:
        return PublishError(f"{settings.host} does not answer.", "Check the network, mqtt.host and mqtt.port.")
    return None


def has_permission_bits() -> bool:
    """Return whether this platform keeps an owner and permission bits for each file."""
    return hasattr(os, "getuid")


def account() -> int:
    """Return the number of the account that runs this program; 0 where accounts have none."""
    return os.getuid() if hasattr(os, "getuid") else 0
