"""Displays for the settling detector: readings by their counts and step, constant displays, and accepted readings."""

from collections.abc import Iterable
from decimal import Decimal

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.settling.detector import SettlingDetector, SettlingState

UNITS = {
    Quantity.CAPACITANCE: "µF",
    Quantity.RESISTANCE: "Ω",
    Quantity.VOLTAGE: "V",
    Quantity.CURRENT: "A",
    Quantity.TEMPERATURE: "°C",
}


def shown(
    time: float, counts: int | None, *, quantity: Quantity = Quantity.CAPACITANCE, step: str = "0.01", unit: str = ""
) -> Reading:
    """Return the reading of a display at ``time``, s; ``counts`` None is an overload."""
    unit = unit or UNITS[quantity]
    timestamp = Timestamp(0, round(time * 1e9))
    if counts is None:
        return Reading(quantity, None, unit, timestamp, Status.OVERLOAD)
    return Reading(quantity, counts * Decimal(step), unit, timestamp, resolution=Decimal(step))


def constant(
    counts: int | None,
    begin: float,
    end: float,
    rate: float = 10.0,
    *,
    quantity: Quantity = Quantity.CAPACITANCE,
    step: str = "0.01",
    unit: str = "",
) -> list[Reading]:
    """Return the readings of a display that shows one value from ``begin`` to ``end``, s."""
    return [
        shown(begin + n / rate, counts, quantity=quantity, step=step, unit=unit)
        for n in range(round((end - begin) * rate))
    ]


def feed(detector: SettlingDetector, readings: Iterable[Reading]) -> list[SettlingState]:
    """Return the states of the detector after each reading."""
    return [detector.feed(reading) for reading in readings]


def settled_states(readings: Iterable[Reading]) -> list[SettlingState]:
    """Return the states at which a fresh detector accepts a reading."""
    return [state for state in feed(SettlingDetector(), readings) if state.settled_reading is not None]


def accepted(states: Iterable[SettlingState]) -> list[Reading]:
    """Return the accepted readings."""
    return [state.settled_reading for state in states if state.settled_reading is not None]
