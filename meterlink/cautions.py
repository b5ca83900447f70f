"""The cautions that stand where a hand is about to go.

Paraphrased from the usual sources: disconnect every source, release stored energy, have a qualified person test the
very parts to be touched, with a tester proved on a known source before and after (OSHA 29 CFR 1910.333(b); NFPA 70E
120.5; EN 50110-1, the five safety rules). They never call anything safe or dead.
"""

from meterlink.equipment import State
from meterlink.units import Quantity

LOCAL_CODES = "Follow local codes; work for licensed or qualified people."

_ISOLATED = (
    "Disconnect and lock out every source. Verify absence of voltage here with a tester proved on a known source "
    "before and after."
)
_DISCHARGE = "Discharge the capacitor through a resistor, verify, and treat it as live while you do."
_WIRES_OFF = "Take the wires off the part: what is in parallel changes the reading."
_ENERGIZED = (
    "Live parts: protective equipment on, one hand where you can, leads and meter rated for this voltage and category. "
    "A control that is off is not isolation."
)


def caution(state: State, quantity: Quantity) -> str:
    """Return the caution for whoever is about to touch a test point in ``state`` to read ``quantity``."""
    if state is State.ENERGIZED:
        return f"{_ENERGIZED} {LOCAL_CODES}"
    extra = {Quantity.CAPACITANCE: _DISCHARGE, Quantity.RESISTANCE: _WIRES_OFF}.get(quantity)
    return " ".join(part for part in (_ISOLATED, extra, LOCAL_CODES) if part)
