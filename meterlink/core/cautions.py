"""The cautions a person reads before touching a test point.

Paraphrased from the usual sources: disconnect every source, release stored energy, have a qualified person test the
very parts to be touched, with a tester proved on a known source before and after (OSHA 29 CFR 1910.333(b); NFPA 70E
120.5; EN 50110-1, the five safety rules). Cautions for one kind of part are common practice, no source. No caution
permits touching a part.
"""

from collections.abc import Iterable

from meterlink.core.equipment import CircuitState, Hazard, PointKind, TestPoint
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
_SERIES = (
    "Isolate first, take the one wire off, and put the meter into the gap, on its microamp input. Switch on with hands "
    "off. Isolate again before the wire goes back, and move the lead back to volts: left on amps it is a short circuit "
    "across the next two terminals."
)
_HAZARDS = {
    # Terminals have been blown out of the shell by a short inside; common practice, no source.
    Hazard.COMPRESSOR_TERMINALS: (
        "Refrigerant pressure stands behind the compressor's terminals: no power with their cover off, no force on a "
        "pin or plug. Measure at the other end of the wires where you can."
    ),
    Hazard.MOVING_FAN: "A fan or a blower wheel may start at any time: hands, sleeves and leads out of its way.",
    Hazard.HOT_HEATER: "A heater stays hot after it is off: let it cool.",
    Hazard.LINE_VOLTAGE_BESIDE: "Line voltage is in the same box.",
    Hazard.SECOND_SOURCE: (
        "A second source may feed this part: what is off here may be live there. Lock that one out, too."
    ),
    Hazard.THREE_PHASES: (
        "Three phases: with one lost the others are still live. Measure every pair, and each to ground."
    ),
    Hazard.POWER_RETURNS: "Before power comes back: every wire and cover in place, tools out, everybody clear.",
    Hazard.START_CAPACITOR: "A start capacitor whose bleed resistor is open holds its charge for a long time.",
    # The closed leg reaches the load side through the windings. Common practice, no source.
    Hazard.SINGLE_POLE: (
        "A single-pole contactor switches one leg only. With it open, the other leg, the windings and the load side "
        "are always live to ground until the disconnect is open."
    ),
    # Makers give 3 to 10 minutes and call for a reading below 50 V before work; a fan in the wind recharges the bus
    # (seen quoted in makers' manuals). The label on the unit counts.
    Hazard.DC_BUS: (
        "Inverter: the DC bus stays charged for minutes after power is off. Wait the time on the label, then verify "
        "with DC volts across the bus terminals. Do not short them. Keep the fan from turning: it recharges the bus."
    ),
    # Capacitors inside the motor's own drive; a connector pulled under power arcs. Common practice, no source.
    Hazard.COMMUTATED_MOTOR: (
        "An electronically commutated motor has capacitors inside that stay charged: after power is off wait the time "
        "on its label, five minutes where there is none. Never pull or push its connectors under power."
    ),
    # NFPA 54 and makers' instructions, from memory.
    Hazard.GAS: (
        "Gas: work for people qualified for it. If you smell gas, touch no switch, make no flame, leave, and call the "
        "supplier from outside. Close the manual valve before any gas part is opened; leak-test every joint after. "
        "Keep combustion air and flue free, and measure carbon monoxide with an instrument made for it."
    ),
}


def standard_caution(state: CircuitState, quantity: Quantity, *, in_series: bool = False) -> str:
    """Return the caution before reading ``quantity`` at a test point whose circuit is in ``state``.

    ``in_series``: a current flows through the meter itself.
    """
    if state is CircuitState.ENERGIZED:
        amps = _SERIES if in_series else _CLAMP
        return _join(_ENERGIZED, amps if quantity is Quantity.CURRENT else "", LOCAL_CODES)
    extra = {Quantity.CAPACITANCE: _DISCHARGE, Quantity.RESISTANCE: _WIRES_OFF}.get(quantity, "")
    return _join(_ISOLATED, extra, LOCAL_CODES)


def caution_at(point: TestPoint, plan_points: Iterable[TestPoint] = ()) -> str:
    """Return the caution before touching ``point``: the standard caution, those of its hazards, then the plan's own.

    ``plan_points`` are the test points of its plan: of a dual capacitor, the caution names each section. Most motor
    windings have a capacitor beside them; the coil of a control circuit has none.
    """
    winding = point.quantity is Quantity.RESISTANCE and point.kind is not PointKind.COIL
    discharge = _DISCHARGE_FIRST if winding and point.state is CircuitState.ISOLATED else ""
    hazards = [_HAZARDS[hazard] for hazard in point.hazards]
    return _join(_standard_caution_at(point, plan_points), discharge, *hazards, point.caution)


def _standard_caution_at(point: TestPoint, plan_points: Iterable[TestPoint]) -> str:
    standard = standard_caution(point.state, point.quantity, in_series=point.in_series)
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
