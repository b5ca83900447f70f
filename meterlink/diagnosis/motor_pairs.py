"""Pairs of motor terminals with other marks than C, S, R or those of three phases: C–HI of a blower, 1–2 of a fan."""

from meterlink.core.equipment import PointKind, TestPoint
from meterlink.diagnosis.running_motors import names_motor
from meterlink.diagnosis.subjects import is_resistance_to_ground, reads_isolated_ohms, terminal_pair
from meterlink.diagnosis.three_phase_windings import is_three_phase_pair


def is_other_motor_pair(point: TestPoint) -> bool:
    """Return whether the point reads the resistance between two terminals of a motor with other marks.

    Such a pair is one winding, or several in series; nothing is known of the pairs beside it. A timer's motor is a
    coil.
    """
    return (
        reads_isolated_ohms(point)
        and point.kind is PointKind.RANGE
        and names_motor(point)
        and not is_resistance_to_ground(point)
        and not terminal_pair(point)
        and not is_three_phase_pair(point)
    )
