"""The cautions a person reads before touching a test point.

Paraphrased from the usual sources: disconnect every source, release stored energy, have a qualified person test the
very parts to be touched, with a tester proved on a known source before and after (OSHA 29 CFR 1910.333(b); NFPA 70E
120.5; EN 50110-1, the five safety rules). Cautions for one kind of part are common practice, no source. No caution
permits touching a part.
"""

from collections.abc import Iterable

from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.units import Quantity

LOCAL_CODES = "Follow local codes; work for licensed or qualified people."

_ISOLATED = (
    "Disconnect and lock out every source. Verify absence of voltage here with a tester proved on a known source "
    "before and after."
)
# 20 kΩ brings any run capacitor below 50 V within seconds; at 523 V, the peak of 370 V, it has 14 W for a moment, which
# one of 5 W bears. Common practice, no source.
_RESISTOR = "a resistor of 20 kΩ, 5 W"
_DISCHARGE = f"Discharge the capacitor through {_RESISTOR}, verify, and treat it as live while you do."
_WIRES_OFF = "Take the wires off the part: parts in parallel change the reading."
_DISCHARGE_FIRST = "Where a capacitor is in this circuit, discharge it through a resistor first, and verify."
_ENERGIZED = (
    "Live parts: wear protective equipment, use one hand where you can, and leads and a meter rated for this voltage "
    "and category. A control that is off does not isolate the circuit."
)
_CLAMP = "Amps with a clamp around one insulated lead: never put probes set to amps across two terminals."


def standard_caution(state: CircuitState, quantity: Quantity) -> str:
    """Return the caution before reading ``quantity`` at a test point whose circuit is in ``state``."""
    if state is CircuitState.ENERGIZED:
        return _join(_ENERGIZED, _CLAMP if quantity is Quantity.CURRENT else "", LOCAL_CODES)
    extra = {Quantity.CAPACITANCE: _DISCHARGE, Quantity.RESISTANCE: _WIRES_OFF}.get(quantity, "")
    return _join(_ISOLATED, extra, LOCAL_CODES)


def caution_at(point: TestPoint, plan_points: Iterable[TestPoint] = ()) -> str:
    """Return the caution before touching ``point``: the standard caution, then the plan's own.

    ``plan_points`` are the test points of its plan: of a dual capacitor, the caution names each section. Most motor
    windings have a capacitor beside them; the coil of a control circuit has none.
    """
    winding = point.quantity is Quantity.RESISTANCE and point.kind is not PointKind.COIL
    discharge = _DISCHARGE_FIRST if winding and point.state is CircuitState.ISOLATED else ""
    return _join(_standard_caution_at(point, plan_points), discharge, point.caution)


def _standard_caution_at(point: TestPoint, plan_points: Iterable[TestPoint]) -> str:
    standard = standard_caution(point.state, point.quantity)
    sections = [other for other in plan_points if _is_section_beside(point, other)]
    if len(sections) < 2:
        return standard
    pairs = " and ".join(dict.fromkeys("–".join(section.terminals) for section in sections))
    each = f"Discharge {pairs}, each, through {_RESISTOR}, and verify each; treat it as live while you do."
    return standard.replace(_DISCHARGE, each)


def _is_section_beside(point: TestPoint, other: TestPoint) -> bool:
    """Return whether both are sections of one capacitor; a point is a section beside itself."""
    return (
        point.kind is other.kind is PointKind.CAPACITOR
        and point.component == other.component
        and bool(set(point.terminals) & set(other.terminals))
    )


def _join(*parts: str) -> str:
    return " ".join(part for part in parts if part)
