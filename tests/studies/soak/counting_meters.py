"""Meters whose display counts its refreshes, in volts that never rest; a file of each has all that was displayed."""

import os
import time
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple

from meterlink.core.units import Quantity
from meterlink_simulators.display import DisplayState

RATE = 4.0  # refreshes a second
ADDRESSES = {"Alder": "C0:00:5E:00:53:01", "Birch": "C0:00:5E:00:53:02"}
NAMES = tuple(ADDRESSES)

# A number is in mV: twice the count, the meter's place in NAMES, and 500 V more at every second refresh, so that it
# never settles: a reading is accepted by command only.
_JUMP = 500_000


class Displayed(NamedTuple):
    """One refresh of a display; ``at`` is in ns of the machine's monotonic clock, as every process reads it."""

    number: int
    at: int


class CountingMeter:
    """A meter that goes on counting where the process before was killed."""

    rate = RATE

    def __init__(self, name: str, folder: Path) -> None:
        self.name = name
        path = _path(folder, name)
        self._count = len(path.read_bytes().splitlines()) if path.exists() else 0
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    def show(self, _now: float) -> DisplayState:
        self._count += 1
        # A system call of its own, so that a kill takes nothing away.
        os.write(self._file, b"%d %d\n" % (self._count, time.monotonic_ns()))
        return DisplayState(Quantity.VOLTAGE, volts(self.name, self._count), "V")


def volts(name: str, count: int) -> Decimal:
    """Return the display of a count, which must be below 250,000."""
    return Decimal(2 * count + NAMES.index(name) + _JUMP * (count % 2)).scaleb(-3)


def meter_and_count(millivolts: int) -> tuple[str, int]:
    """Return the meter and the count of a display."""
    rest = millivolts % _JUMP
    return NAMES[rest % 2], rest // 2


def displayed(folder: Path, name: str) -> list[Displayed]:
    """Return all refreshes of a meter, in order."""
    path = _path(folder, name)
    lines = path.read_text(encoding="ascii").splitlines() if path.exists() else []
    return [Displayed(*map(int, line.split())) for line in lines]


def _path(folder: Path, name: str) -> Path:
    return folder / f"{name}.displays"
