"""Whether a voltage is there, low, or next to nothing."""

from decimal import Decimal
from enum import Enum

from meterlink.core.equipment import CircuitState
from meterlink.core.units import Quantity, convert
from meterlink.diagnosis.observations import Observation, PointReadings

# An AC contactor must have dropped out at 20 % of its rated voltage (IEC 60947-4-1, from memory): below a fifth of the
# low limit nothing works, whatever leads pick up. Without limits, 2 V: more than stray pick-up of a loaded circuit,
# far below any control voltage (common practice, no source).
_ABSENT_SHARE = Decimal("0.2")
_ABSENT_VOLTS = Decimal(2)


class VoltageLevel(Enum):
    """What a voltage reading amounts to."""

    ABSENT = "none"
    LOW = "low"
    PRESENT = "present"


def voltage_level(point_readings: PointReadings, observation: Observation | None = None) -> VoltageLevel | None:
    """Return what the newest reading (or the one given) of a voltage point amounts to; None where it has no value.

    Without limits a voltage is never low: only there or not.
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


# Open leads pick up some counts; that is what the settling detector takes for nothing on the probes, too. Below a tenth
# of a volt a millivolt range shows nothing but that. Common practice, no source.
_PICKED_UP_COUNTS = 10
_PICKED_UP_VOLTS = Decimal("0.1")


def is_voltage_present(observation: Observation) -> bool:
    """Say whether a reading is a voltage beyond what leads lying open pick up; an overload on volts is."""
    measured = observation.measured
    if measured.quantity is not Quantity.VOLTAGE:
        return False
    if measured.digits is None:
        return True
    volts, step = measured.in_unit("V")
    return abs(volts or Decimal(0)) > max(_PICKED_UP_COUNTS * step, _PICKED_UP_VOLTS)


def stray_voltages(point_readings: PointReadings) -> tuple[Observation, ...]:
    """Return the voltages read at a point that is to be isolated and discharged."""
    if point_readings.point.state is not CircuitState.ISOLATED:
        return ()
    return tuple(each for each in point_readings.readings if is_voltage_present(each))
