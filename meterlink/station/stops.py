"""The stop over the whole screen: voltage where there must be none. Pure: from the state of the visit and the meters.

It ends when the display has shown no voltage for a while; it never says that a circuit is without one.
"""

from collections.abc import Iterable
from decimal import Decimal

from meterlink.core.equipment import CircuitState, TestPoint
from meterlink.core.readings import MANUAL_ENTRY, Coupling, Reading
from meterlink.core.units import Amount
from meterlink.link.messages import StopLevel, StopView
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import ActiveVisit

# Conductors beside live ones show volts on a meter of 10 MΩ without a source behind them: mostly below this, which is
# also the touch voltage from which electrical work practice counts AC as a shock hazard (NFPA 70E, from memory). More
# is a source until a low-impedance check has shown that it is none. Common practice.
_LARGEST_GHOST = Amount(Decimal(50), "V")

_LOW_IMPEDANCE = "A low-impedance meter or adapter tells: a ghost falls to almost nothing, a source stays."


def stop_view(visit: ActiveVisit, trackers: Iterable[MeterTracker]) -> StopView | None:
    """Return the stop for voltage at a test point whose circuit must be isolated; None if no meter reads any.

    A meter that is pinned to an energized test point reads its voltage rightly.
    """
    stops = [stop for tracker in trackers if (stop := _stop_of(visit, tracker)) is not None]
    return min(stops, key=lambda stop: stop["level"] is not StopLevel.VOLTAGE, default=None)


def _stop_of(visit: ActiveVisit, tracker: MeterTracker) -> StopView | None:
    reading = tracker.present_voltage
    key = tracker.point_key or visit.pins.get(tracker.address) or visit.focus
    point = visit.points.get(key or "")
    if reading is None or point is None or point.state is not CircuitState.ISOLATED or tracker.address == MANUAL_ENTRY:
        return None
    if _may_be_ghost(reading):
        text = (
            f"{tracker.name} reads {reading.text} at a circuit that must be isolated. It may be a ghost, coupled from "
            f"a wire beside, or a source: treat it as live. {_LOW_IMPEDANCE}"
        )
        return StopView(level=StopLevel.VOLTAGE_OR_GHOST, title="VOLTAGE, OR A GHOST", text=text)
    title, text = "VOLTAGE WHERE THERE MUST BE NONE", _stop_text(point, tracker.name, reading)
    return StopView(level=StopLevel.VOLTAGE, title=title, text=text)


def _stop_text(point: TestPoint, meter: str, reading: Reading) -> str:
    ghost = f" {_LOW_IMPEDANCE}" if reading.coupling is Coupling.AC else ""
    return (
        f"{meter} reads {reading.text}. Keep your hands off: for the {point.title} the circuit must be isolated and "
        "discharged. Find the source or the charge, isolate or discharge it, and verify with a tester that is proven "
        f"before and after.{ghost}"
    )


def _may_be_ghost(reading: Reading) -> bool:
    """Return whether coupling alone may give so much; a charge gives DC, and an unknown coupling may be that."""
    if reading.coupling is not Coupling.AC or reading.digits is None:
        return False
    return abs(reading.digits) < _LARGEST_GHOST.to(reading.unit)
