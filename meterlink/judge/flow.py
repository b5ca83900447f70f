"""Whether current or voltage is expected at a test point, and readings that show none."""

from enum import StrEnum

from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Limits

_FLOWING = {Quantity.VOLTAGE, Quantity.CURRENT}


class Flow(StrEnum):
    """What is known of the current or the voltage at a point of a circuit that should carry it."""

    EXPECTED = "expected"  # the circuit should carry it
    PROVEN = "proven"  # another reading shows that current flows in the circuit


def expected_flow(point: TestPoint) -> Flow | None:
    """Return `Flow.EXPECTED` for volts and amps of an energized circuit; None for any other point.

    A start capacitor carries current only while its motor starts: none is right.
    """
    energized = point.state is CircuitState.ENERGIZED and point.kind is PointKind.RANGE
    at_start_only = point.quantity is Quantity.CURRENT and "start capacitor" in point.component.lower()
    return Flow.EXPECTED if energized and point.quantity in _FLOWING and not at_start_only else None


def nothing_flows_reason(quantity: Quantity, limits: Limits | None, shown: str, flow: Flow) -> str:
    """Return the sentence on a reading that shows nothing where flow is expected; empty where nothing is right.

    ``shown`` is the reading as text. Volts with a high limit alone are the drop across something closed: none is right
    once current is proven.
    """
    if quantity is Quantity.CURRENT and "µA" in shown:  # a clamp shows none: the meter is in series
        return f"{shown} is less than this meter can show: no current, or the circuit through the meter is open."
    if quantity is Quantity.CURRENT:
        return (
            f"{shown} is less than this meter can show: the load does not run, its circuit is open, or the clamp is "
            "not closed around one lead alone."
        )
    if limits is None or limits.low is not None:
        return (
            f"{shown} is less than this meter can show: no voltage here, or a probe is off. Prove the meter on a known "
            "source before you rely on it."
        )
    if flow is Flow.PROVEN:
        return ""
    return (
        f"{shown} shows no drop, which proves a good contact only while current flows: read the amps of this circuit."
    )
