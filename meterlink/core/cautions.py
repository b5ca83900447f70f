"""The cautions a person reads before touching a test point.

Paraphrased from the usual sources: disconnect every source, release stored energy, have a qualified person test the
very parts to be touched, with a tester proved on a known source before and after (OSHA 29 CFR 1910.333(b); NFPA 70E
120.5; EN 50110-1, the five safety rules). Cautions for one kind of part are common practice, no source. No caution
permits touching a part.
"""

from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.units import Quantity

LOCAL_CODES = "Follow local codes; work for licensed or qualified people."

_ISOLATED = (
    "Disconnect and lock out every source. Verify absence of voltage here with a tester proved on a known source "
    "before and after."
)
_DISCHARGE = "Discharge the capacitor through a resistor, verify, and treat it as live while you do."
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


def caution_at(point: TestPoint) -> str:
    """Return the caution before touching ``point``: the standard caution, then the plan's own.

    Most motor windings have a capacitor beside them; the coil of a control circuit has none.
    """
    winding = point.quantity is Quantity.RESISTANCE and point.kind is not PointKind.COIL
    discharge = _DISCHARGE_FIRST if winding and point.state is CircuitState.ISOLATED else ""
    return _join(standard_caution(point.state, point.quantity), discharge, point.caution)


def _join(*parts: str) -> str:
    return " ".join(part for part in parts if part)
