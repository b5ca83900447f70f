"""Facts about parts through which nothing conducts: a fuse, a switch, a pair of motor terminals; and a dead bus."""

from decimal import Decimal

from meterlink.core.equipment import PointKind
from meterlink.core.readings import Coupling
from meterlink.core.units import BASE_UNIT, Quantity, convert
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence
from meterlink.diagnosis.facts_readings import describe_point, earlier_reading_agrees
from meterlink.diagnosis.heaters import is_heater
from meterlink.diagnosis.motor_pairs import is_motor, is_other_motor_pair
from meterlink.diagnosis.observations import PointReadings
from meterlink.diagnosis.subjects import MeasuredPoint, is_resistance_to_ground, is_start_relay, reads_isolated_ohms
from meterlink.diagnosis.supply_state import newest_line_supplies
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level

# A limit of closed contacts or of a fuse: one ohm, and more with a clip in series. Common practice, no source.
_MOST_CLOSED_OHMS = Decimal(10)
# These parts have rules of their own.
_OTHER_PARTS = ("coil", "capacitor", "winding", "sensor", "reactor")


@fact(MeasuredPoint, "it should be closed, and nothing conducts through it")
def _closed_part_open(point: MeasuredPoint) -> Evidence:
    """Isolated, the newest resistance is an overload, and its only limit is at most 10 Ω: a fuse, or contacts that are
    closed now by the person who wrote or entered that limit.
    """
    entry = point.point_readings
    latest, limits = entry.latest, entry.limits
    if latest is None or limits is None or not _is_contact(entry):
        return UNKNOWN
    closed = limits.low is None and limits.high is not None
    most = convert(limits.high or Decimal(0), limits.unit, BASE_UNIT[Quantity.RESISTANCE])
    text = f"{describe_point(entry)} reads overload on ohms: nothing conducts there, and at most {limits.basis} should."
    return make_evidence(closed and most <= _MOST_CLOSED_OHMS and latest.measured.digits is None, text, latest)


def _is_contact(entry: PointReadings) -> bool:
    point = entry.point
    return (
        reads_isolated_ohms(point)
        and point.kind is PointKind.RANGE
        and not is_resistance_to_ground(point)
        and not is_start_relay(point)
        and not is_motor(point)
        and not is_heater(point)
        and not any(word in point.title.lower() for word in _OTHER_PARTS)
    )


@fact(MeasuredPoint, "nothing conducts between its two terminals of a motor")
def _motor_pair_open(point: MeasuredPoint) -> Evidence:
    """The newest resistance between two terminals of a motor, which are not C, S and R nor those of three phases, is an
    overload.
    """
    entry = point.point_readings
    if entry.latest is None or not is_other_motor_pair(entry.point):
        return UNKNOWN
    text = f"{describe_point(entry)} reads overload on ohms: nothing conducts there."
    return make_evidence(entry.latest.measured.digits is None, text, entry.latest)


@fact(MeasuredPoint, "an earlier reading of it agrees")
def _earlier_agrees(point: MeasuredPoint) -> Evidence:
    """An earlier reading at the same test point agrees with the newest."""
    return earlier_reading_agrees(point.point_readings)


@fact(MeasuredPoint, "it is a DC bus without voltage, though the line has voltage")
def _bus_absent(point: MeasuredPoint) -> Evidence:
    """The newest DC volts of an inverter's bus are almost zero, and those of no line supply are."""
    entry = point.point_readings
    is_bus = "bus" in entry.point.component.lower() and entry.point.coupling is Coupling.DC
    supplies = newest_line_supplies(point.case)
    if entry.latest is None or entry.point.quantity is not Quantity.VOLTAGE or not is_bus or not supplies:
        return UNKNOWN
    if any(voltage_level(supply) not in {VoltageLevel.LOW, VoltageLevel.PRESENT} for supply in supplies):
        return DOES_NOT_HOLD
    line = supplies[0]
    text = (
        f"{describe_point(entry)} reads {entry.latest.text}, and {describe_point(line)}"
        f" {line.latest.text if line.latest else ''}."
    )
    return make_evidence(voltage_level(entry) is VoltageLevel.ABSENT, text, entry.latest)
