"""Recognise the test points of a supply by their terminals and by the words of the trade.

Legs to ground or to the neutral, paths that should be closed (fuses, poles, blades), and frames.
"""

from meterlink.core.equipment import CircuitState, TestPoint
from meterlink.core.units import Quantity

# Names of the frame as a terminal. Common practice, no source. G is a thermostat terminal.
GROUND_TERMINALS = {"GND", "GROUND", "PE", "EARTH", "FRAME", "SHELL"}
# Names of metal that a person may touch and that should be grounded. Common practice, no source.
_FRAME_TERMINALS = {"FRAME", "SHELL", "CABINET", "CHASSIS", "CASE", "HOUSING"}
LEGS = ("L1", "L2", "L3")
NEUTRAL = "N"
_LOAD_SIDE = ("T1", "T2", "T3")  # a contactor's or a disconnect's
# Parts that join the supply to its load while they are closed. Common practice, no source.
_CLOSED_PARTS = ("contacts", "fuse", "breaker", "disconnect", "blade", "joint", "connector", "lug", "splice")
# Parts of a control circuit carry another voltage.
_CONTROL_WORDS = ("control", "thermostat", "coil", "24 v", "transformer", "relay", "pressure", "sequencer", "limit")


def _is_live_voltage(point: TestPoint) -> bool:
    return point.quantity is Quantity.VOLTAGE and point.state is CircuitState.ENERGIZED


def _terminals(point: TestPoint) -> set[str]:
    return {terminal.upper() for terminal in point.terminals}


def _names_control(point: TestPoint) -> bool:
    name = f"{point.circuit} {point.title}".lower()
    return any(word in name for word in _CONTROL_WORDS)


def leg_to_ground(point: TestPoint) -> str:
    """Return the leg whose voltage to ground the point reads (``L1``); empty for all other points."""
    return _leg_to(point, GROUND_TERMINALS)


def leg_to_neutral(point: TestPoint) -> str:
    """Return the leg whose voltage to the neutral the point reads (``L1``); empty for all other points."""
    return _leg_to(point, {NEUTRAL})


def _leg_to(point: TestPoint, others: set[str]) -> str:
    terminals = _terminals(point)
    if not _is_live_voltage(point) or _names_control(point) or not terminals & others:
        return ""
    return next((leg for leg in LEGS if leg in terminals), "")


def pair_of_legs(point: TestPoint) -> frozenset[str]:
    """Return the two legs between which the point reads the voltage; empty for all other points."""
    terminals = frozenset(_terminals(point))
    return terminals if _is_live_voltage(point) and terminals <= set(LEGS) else frozenset()


def reads_line_to_ground(point: TestPoint) -> bool:
    """Return whether one of the terminals is the ground or a frame."""
    return bool(_terminals(point) & (GROUND_TERMINALS | _FRAME_TERMINALS))


def is_closed_path(point: TestPoint) -> bool:
    """Return whether the point reads the voltage along a path of the supply that should be closed.

    A contactor's pole, a fuse, a breaker's pole, a disconnect's blade, a joint: from one side to the other of one leg
    (L1–T1), not from leg to leg (L1–L2, T1–T2, L1–T2).
    """
    numbers = {terminal[1:] for terminal in _terminals(point) if terminal in {*LEGS, *_LOAD_SIDE}}
    between_legs = len(numbers) > 1 or _terminals(point) <= {*LEGS, NEUTRAL}
    return (
        _is_live_voltage(point)
        and any(word in point.title.lower() for word in _CLOSED_PARTS)
        and not between_legs
        and not reads_line_to_ground(point)
        and not _names_control(point)
    )


def is_frame_to_ground(point: TestPoint) -> bool:
    """Return whether the point reads the voltage from metal that should be grounded, to ground or to another frame."""
    terminals = _terminals(point)
    grounded = GROUND_TERMINALS | _FRAME_TERMINALS
    return _is_live_voltage(point) and terminals <= grounded and bool(terminals & _FRAME_TERMINALS)
