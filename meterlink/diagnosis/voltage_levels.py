"""Classify a voltage as present, low or absent."""

from decimal import Decimal
from enum import Enum

from meterlink.core.equipment import CircuitState
from meterlink.core.units import Quantity, convert
from meterlink.diagnosis.observations import Observation, PointReadings

# An AC contactor must drop out at 20 % of its rated voltage (IEC 60947-4-1, from memory), so nothing works below a
# fifth of the low limit. Without limits the bound is 2 V: more than a loaded circuit picks up, far below any control
# voltage (common practice, no source).
_ABSENT_SHARE = Decimal("0.2")
_ABSENT_VOLTS = Decimal(2)

# A control circuit has at most 50 V; the lowest line supply, 100 V less a tenth, has 90 V. Common practice, no source.
MOST_CONTROL_VOLTS = 50  # V
# The highest voltage of a Class 2 circuit, as thermostats have (NEC article 725, from memory).
_CLASS_2_TEXT = "30 V"
LEAST_LINE_VOLTS = 90.0  # V


class VoltageLevel(Enum):
    """The level of a voltage against the low limit of its test point."""

    ABSENT = "none"
    LOW = "low"
    PRESENT = "present"


def voltage_level(point_readings: PointReadings, observation: Observation | None = None) -> VoltageLevel | None:
    """Return the level of ``observation`` (by default the newest reading) at a voltage point; None without a value.

    A voltage without limits is never low: it is absent below 2 V, else present.
    """
    reading = observation or point_readings.latest
    if reading is None or reading.measured.digits is None:
        return None
    volts = abs(convert(reading.measured.digits, reading.measured.unit, "V"))
    limits = point_readings.limits
    low = None if limits is None or limits.low is None else convert(limits.low, limits.unit, "V")
    if volts < (_ABSENT_VOLTS if low is None else low * _ABSENT_SHARE):
        return VoltageLevel.ABSENT
    return VoltageLevel.LOW if low is not None and volts < low else VoltageLevel.PRESENT


def most_control_volts(point_readings: PointReadings) -> str | None:
    """Return the highest voltage that belongs at a live point of a control circuit, as text; None for other points.

    The limits say so where both are known: across closed contacts there is only a high one. Without limits the name of
    the circuit does; a primary is on the line, and contacts may be.
    """
    point, limits = point_readings.point, point_readings.limits
    if point.quantity is not Quantity.VOLTAGE or point.state is not CircuitState.ENERGIZED:
        return None
    if limits is None:
        other = any(word in point.title.lower() for word in ("primary", "contacts"))
        control = "24 v" in point.circuit.lower() and not other
        return _CLASS_2_TEXT if control else None
    if limits.low is None or limits.high is None or convert(limits.high, limits.unit, "V") > MOST_CONTROL_VOLTS:
        return None
    return f"{limits.high:f} {limits.unit}"
