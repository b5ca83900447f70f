"""Pairs of motor terminals with other marks than C, S, R or those of three phases: C–HI of a blower, 1–2 of a fan."""

from meterlink.core.equipment import PointKind, TestPoint
from meterlink.diagnosis.subjects import is_resistance_to_ground, reads_isolated_ohms, terminal_pair
from meterlink.diagnosis.three_phase_windings import is_three_phase_pair

# A motor is named last, before its number: a fan switch, a compressor fuse and a motor protector are none. Common
# practice, no source.
_MOTORS = ("motor", "fan", "blower", "pump", "compressor")


def is_motor(point: TestPoint) -> bool:
    """Return whether the component of the point is a motor by its name: ``blower motor``, ``condenser fan 2``."""
    return point.component.lower().rstrip("0123456789 ").endswith(_MOTORS)


def is_other_motor_pair(point: TestPoint) -> bool:
    """Return whether the point reads the resistance between two terminals of a motor with other marks.

    Such a pair is one winding, or several in series; nothing is known of the pairs beside it. A timer's motor is a
    coil.
    """
    return (
        reads_isolated_ohms(point)
        and point.kind is PointKind.RANGE
        and is_motor(point)
        and not is_resistance_to_ground(point)
        and not terminal_pair(point)
        and not is_three_phase_pair(point)
    )
