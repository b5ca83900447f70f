"""The guest as tests use it: BlueZ, simulated meters and stations in it."""

import json
import re
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from signal import SIGKILL, SIGTERM, Signals
from typing import Any

from support.guest.machine import DATA, LIMIT, SHARED, GuestError, Machine

_BLUETOOTHD = "/usr/libexec/bluetooth/bluetoothd"
_ADAPTER = "/org/bluez/hci0"
_SERVICE_LOGS = ("meters.log", "bluetoothd.log")
_LOG_STAMP = re.compile(r"\d{4}-\d\d-\d\dT\S+Z(?= )")

# A visit with one test point, which accepts without a key.
_PLAN = """
name = "fan capacitor"

[[point]]
key = "run-capacitor"
circuit = "fan"
component = "run capacitor"
terminals = ["1", "2"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"
rated = "12.5 uF"
tolerance = "5 %"
why = "A weak capacitor slows the fan."
"""


def until(condition: Callable[[], Any], what: str, limit: float = LIMIT) -> Any:
    """Return the first true result of ``condition``; fail after ``limit`` s."""
    end = time.monotonic() + limit
    while not (result := condition()):
        if time.monotonic() > end:
            raise GuestError(f"{what}: not within {limit:g} s")
        time.sleep(0.1)
    return result


class GuestProcess:
    """A program or Python module that runs in the guest; its output is in a log that the host reads, too."""

    def __init__(
        self, machine: Machine, log: str, argv: tuple[str, ...], env: dict[str, str], *, module: bool = False
    ) -> None:
        self._machine = machine
        self._log = machine.shared / log
        self._pid = machine.ask("start", argv=argv, env=env, log=str(SHARED / log), module=module)

    @property
    def log(self) -> str:
        """All its output until now."""
        return self._log.read_text(errors="replace") if self._log.exists() else ""

    def until_logged(self, text: str, *, after_text: str = "", limit: float = LIMIT) -> None:
        """Wait until the output contains ``text``, after the first ``after_text``."""

        def is_logged() -> bool:
            if text in self.log.partition(after_text)[2] if after_text else text in self.log:
                return True
            if (status := self.status()) is not None:
                raise GuestError(f"it ended with {status}")
            return False

        try:
            until(is_logged, f"'{text}' in the log", limit)
        except GuestError as error:
            raise GuestError(f"{error}\n{self.log[-3000:]}") from None

    def logged_at(self, pattern: str, after: float) -> float | None:
        """Return the time of the first line that matches ``pattern``, in s since 1970, not before ``after``."""
        for line in self.log.splitlines():
            if (stamp := _LOG_STAMP.match(line)) and re.search(pattern, line):
                at = datetime.fromisoformat(stamp[0]).timestamp()
                if at >= after:
                    return at
        if not any(map(_LOG_STAMP.match, self.log.splitlines())):
            raise GuestError(f"the log has no times of this form any more:\n{self.log[-3000:]}")
        return None

    def status(self, timeout: float = 0.0) -> int | None:
        """Return the exit status; None while it runs, for ``timeout`` s at most."""
        status: int | None = self._machine.ask("wait", timeout + LIMIT, pid=self._pid, timeout=timeout)
        return status

    def signal(self, number: Signals) -> None:
        """Send a signal."""
        self._machine.ask("signal", pid=self._pid, number=number)

    def end(self, number: Signals = SIGTERM) -> int:
        """Send a signal and return the exit status."""
        self.signal(number)
        status = self.status(timeout=60)
        if status is None:
            raise GuestError(f"it does not end:\n{self.log[-3000:]}")
        return status


class GuestMeter:
    """A simulated meter on the guest's air."""

    def __init__(self, machine: Machine, name: str, rate: float, first_count: int, address: str | None) -> None:
        self.name = name
        self._machine = machine
        self.address = ""
        self.address = self._ask("add", name=name, rate=rate, first_count=first_count, address=address)

    def _ask(self, do: str, **arguments: Any) -> Any:
        named = {"address": self.address, **arguments}
        return self._machine.ask("meters", line={"do": do, **named})

    @property
    def logged_name(self) -> str:
        """Its name in the log of a station: two bytes of the address tell meters of one name apart."""
        return f"{self.name} ({self.address[-5:]})"

    @property
    def connected(self) -> bool:
        """Whether a central is connected to it."""
        return bool(self._ask("connected"))

    def sent(self) -> list[tuple[int, str]]:
        """Return the readings that it sent: pairs (ns since 1970, packet in hex)."""
        return [(at, packet) for at, packet in self._ask("sent")]

    def hold(self, microfarads: str | None) -> None:
        """Show a value, ``0.000`` for leads in the air; None counts up with every reading."""
        self._ask("hold", microfarads=microfarads)

    def set_rate(self, rate: float) -> None:
        """Send ``rate`` readings a second."""
        self._ask("set_rate", rate=rate)

    def drop_connection(self) -> None:
        """Lose the link."""
        self._ask("drop_connection")

    def set_out_of_range(self, away: bool) -> None:
        """Be carried away, or back."""
        self._ask("set_out_of_range", away=away)

    def set_muted(self, muted: bool) -> None:
        """Stay connected and send nothing, or send again."""
        self._ask("set_muted", muted=muted)

    def refuse_connections(self, count: int) -> None:
        """Refuse the next attempts to connect."""
        self._ask("refuse_connections", count=count)

    def rename(self, name: str) -> None:
        """Have another name from the next connection on."""
        self._ask("rename", name=name)

    def remove(self) -> None:
        """Be switched off for good."""
        self._ask("remove")


class StationGuest:
    """The guest. `start` it; `clear` it between tests; `close` it."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self._bluetoothd: GuestProcess | None = None
        self._meters: list[GuestMeter] = []
        self._processes: list[GuestProcess] = []
        self._number = 0
        self._first_log = 0
        self.start_seconds = 0.0
        """Time of the last start, until Bluetooth was on."""

    # Power

    def start(self) -> None:
        """Boot the machine, then start the bus, the radio and BlueZ."""
        self.machine.boot()
        self._start_radio()

    def reset(self) -> None:
        """Reset the machine in the middle of its work, and start the radio again, without meters."""
        self.machine.reset()
        self._meters.clear()
        self._processes.clear()
        self._start_radio()

    def _start_radio(self) -> None:
        begin = time.monotonic()
        self.run("dbus-daemon", "--system", "--fork")
        self._radio = self._process("meters", ("nice", "-n", "-15", sys.executable, "-u", "-m", "support.guest.meters"))
        self.start_bluetooth_service()
        self.machine.ask("preload")
        self._radio.until_logged("ready")
        self.until_powered()
        self.start_seconds = self.machine.boot_seconds + time.monotonic() - begin

    def close(self) -> None:
        """Switch the guest off."""
        self.machine.close()

    def clear(self) -> None:
        """End the programs of a test, switch its meters off, and see that Bluetooth is on."""
        for process in self._processes:
            if process.status() is None:
                process.end(SIGKILL)
        for meter in self._meters:
            meter.remove()
        self._processes.clear()
        self._meters.clear()
        if self._bluetoothd is None or self._bluetoothd.status() is not None:
            self.start_bluetooth_service()
        self.switch_adapter(on=True)
        self._first_log = self._number

    def logs(self) -> str:
        """Return the ends of the logs of all programs since `clear`, and of the radio and the service."""
        logs = sorted(self.machine.shared.glob("*.log"))
        ours = [log for log in logs if int(log.name[:3]) > self._first_log or log.name[4:] in _SERVICE_LOGS]
        return "\n".join(f"-- {log.name}\n{log.read_text(errors='replace')[-3000:]}" for log in ours)

    # Programs

    def now(self) -> float:
        """Return the guest's time, s since 1970."""
        return float(self.machine.ask("time"))

    def run(self, *argv: str) -> str:
        """Run a program to its end and return its output; fail if it fails."""
        return self._output(self._process(Path(argv[0]).name, argv), argv)

    def meterlink(self, folder: Path, *arguments: str) -> str:
        """Run a command of Meterlink on a data folder and return its output; fail if it fails."""
        argv = ("meterlink", *arguments)
        return self._output(self._process(arguments[0], argv, {"METERLINK_DATA": str(folder)}, module=True), argv)

    def _output(self, process: GuestProcess, argv: tuple[str, ...]) -> str:
        if status := process.status(LIMIT):
            raise GuestError(f"{' '.join(argv)}: status {status}\n{process.log}")
        return process.log

    def start_program(self, name: str, *argv: str) -> GuestProcess:
        """Start a program that `clear` ends; ``name`` names its log."""
        return self._until_clear(self._process(name, argv))

    def start_module(self, name: str, *argv: str, **env: str) -> GuestProcess:
        """Start a Python module, as ``python -m`` would; `clear` ends it."""
        return self._until_clear(self._process(name, argv, env, module=True))

    def _until_clear(self, process: GuestProcess) -> GuestProcess:
        self._processes.append(process)
        return process

    def _process(
        self, name: str, argv: tuple[str, ...], env: dict[str, str] | None = None, *, module: bool = False
    ) -> GuestProcess:
        self._number += 1
        return GuestProcess(self.machine, f"{self._number:03}-{name}.log", argv, env or {}, module=module)

    # Meters and stations

    def add_meter(
        self, name: str, *, rate: float = 4.0, first_count: int = 0, address: str | None = None
    ) -> GuestMeter:
        """Switch a meter on that sends ``rate`` readings a second; they count up from ``first_count``."""
        meter = GuestMeter(self.machine, name, rate, first_count, address)
        self._meters.append(meter)
        return meter

    def add_station(self, settings: str = "") -> "GuestStation":
        """Make a station on a fresh data folder, with these settings."""
        self._number += 1
        return GuestStation(self, DATA / f"station-{self._number:03}", settings)

    # BlueZ

    def start_bluetooth_service(self) -> None:
        """Start the Bluetooth service of the system."""
        self._bluetoothd = self._process("bluetoothd", (_BLUETOOTHD, "-n"))

    def stop_bluetooth_service(self) -> None:
        """Stop the Bluetooth service of the system."""
        assert self._bluetoothd is not None
        self._bluetoothd.end()

    def adapter_property(self, name: str) -> str | None:
        """Return a property of the adapter as text (``true``, ``false``); None without service or adapter."""
        return self._property(_ADAPTER, "Adapter1", name)

    def _property(self, path: str, interface: str, name: str, new_value: str | None = None) -> str | None:
        """Return a property of an object of BlueZ, None without the object; set it before."""
        for method, *value in ([] if new_value is None else [["Set", new_value]]) + [["Get"]]:
            process = self._process("dbus-send", (
                "dbus-send", "--system", "--print-reply", "--dest=org.bluez", path,
                f"org.freedesktop.DBus.Properties.{method}", f"string:org.bluez.{interface}", f"string:{name}", *value,
            ))  # fmt: skip
            status = process.status(LIMIT)
        return process.log.rsplit(maxsplit=1)[-1] if status == 0 else None

    def until_powered(self) -> None:
        """Wait until the adapter is there and on."""
        until(lambda: self.adapter_property("Powered") == "true", "the adapter is on")

    def switch_adapter(self, *, on: bool) -> None:
        """Switch the adapter on or off, as a person does in the system's settings."""
        value = str(on).lower()
        until(
            lambda: self._property(_ADAPTER, "Adapter1", "Powered", f"variant:boolean:{value}") == value,
            f"the adapter's Powered is {value}",
        )

    def is_linked(self, meter: GuestMeter) -> bool:
        """Return whether BlueZ has a link to a meter."""
        path = f"{_ADAPTER}/dev_{meter.address.replace(':', '_')}"
        return self._property(path, "Device1", "Connected") == "true"

    def plug_adapter_in(self) -> None:
        """Give the guest its adapter again."""
        self.machine.ask("meters", line={"do": "plug_in"})

    def pull_adapter_out(self) -> None:
        """Take the adapter away."""
        self.machine.ask("meters", line={"do": "pull_out"})


class GuestStation:
    """A station on a data folder of the guest."""

    def __init__(self, guest: StationGuest, folder: Path, settings: str) -> None:
        self._guest = guest
        self.folder = folder
        guest.run("mkdir", "-p", str(folder))
        if settings:
            self.write(settings, "settings.toml")

    def write(self, text: str, name: str) -> Path:
        """Write a file into the data folder and return its path."""
        on_host = self._guest.machine.shared / f"{self.folder.name}-{name}"
        on_host.write_text(text)
        self._guest.run("cp", str(SHARED / on_host.name), str(self.folder / name))
        return self.folder / name

    def call(self, *arguments: str) -> str:
        """Run a command of Meterlink on the folder and return its output; fail if it fails."""
        return self._guest.meterlink(self.folder, *arguments)

    def run(self, *meters: GuestMeter, module: str = "meterlink", **env: str) -> GuestProcess:
        """Start the daemon with these meters as known ones; ``module`` runs it."""
        known = [word for meter in meters for word in ("--meter", meter.address)]
        return self._guest.start_module(self.folder.name, module, "run", *known, METERLINK_DATA=str(self.folder), **env)

    def rows(self, sql: str, *values: object) -> list[list[Any]]:
        """Return the rows of a query of the database; none while there is no database or no table."""
        found: list[list[Any]] = self._guest.machine.ask(
            "query", path=str(self.folder / "meterlink.db"), sql=sql, values=list(values)
        )
        return found

    def packets(self, meter: GuestMeter) -> list[str]:
        """Return the committed readings of a meter in their order: the packets in hex."""
        return [
            packet
            for (packet,) in self.rows(
                "SELECT lower(hex(r.packet)) FROM readings r JOIN meters m ON m.id = r.meter_id WHERE m.address = ? "
                "AND r.quantity = 'capacitance' ORDER BY r.id",
                meter.address,
            )
        ]

    def first_reading(self, meter: GuestMeter, after: float, limit: float = LIMIT) -> float:
        """Wait for the first committed reading that came after a time of the guest; return its time, s since 1970."""
        found = until(lambda: self._reading_time(meter, after), f"a committed reading of {meter.name}", limit)
        return float(found)

    def _reading_time(self, meter: GuestMeter, after: float) -> float | None:
        try:
            rows = self.rows(
                "SELECT min(r.utc_ns) FROM readings r JOIN meters m ON m.id = r.meter_id WHERE m.address = ? AND "
                "r.quantity = 'capacitance' AND r.utc_ns > ?",
                meter.address, int(after * 1e9),
            )  # fmt: skip
        except GuestError as error:
            if "no such table" in str(error) or "no such view" in str(error):
                return None
            raise
        return rows[0][0] / 1e9 if rows and rows[0][0] is not None else None

    def begin_visit(self) -> None:
        """Begin a visit with one test point: a capacitor of 12.5 µF ±5 %."""
        plan = self.write(_PLAN, "fan.toml")
        self.call("visit", "begin", "--site", "Mill Lane bakery", "--unit", "Condenser 1", "--plan", str(plan))

    def visit(self) -> Any:
        """Return the active visit as ``meterlink visit show --json`` prints it."""
        return json.loads(self.call("visit", "show", "--json"))
