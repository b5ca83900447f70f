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
    "Isolate, put the meter, on microamps, into the opened wire, switch on with hands off; isolate again, then back to "
    "volts."
)
_HAZARDS = {
    # Terminals have been blown out of the shell by a short inside; common practice, no source.
    Hazard.COMPRESSOR_TERMINALS: (
        "Refrigerant pressure stands behind the compressor's terminals: no power with their cover off, no force on a "
        "pin or plug. Measure at the other end of the wires where you can."
    ),
    Hazard.MOVING_FAN: "A fan or blower wheel may start at any time: hands, sleeves and leads out of its way.",
    Hazard.HOT_HEATER: "A heater stays hot after it is off: let it cool.",
    Hazard.LINE_VOLTAGE_BESIDE: "Line voltage is in the same box.",
    Hazard.SECOND_SOURCE: "A second source may keep this live: lock that one out, too.",
    Hazard.THREE_PHASES: (
        "Three phases: with one lost the others are still live. Measure every pair, and each to ground."
    ),
    Hazard.POWER_RETURNS: "Before power comes back: every wire and cover in place, tools out, everybody clear.",
    Hazard.START_CAPACITOR: "A start capacitor whose bleed resistor is open holds its charge for a long time.",
    # The closed leg reaches the load side through the windings. Common practice, no source.
    Hazard.SINGLE_POLE: (
        "A single-pole contactor, while open, leaves one leg always live to ground, and the load side through the "
        "windings."
    ),
    # Makers give 3 to 10 minutes and call for a reading below 50 V before work; a fan in the wind recharges the bus
    # (seen quoted in makers' manuals). The label on the unit counts.
    Hazard.DC_BUS: (
        "Inverter: the DC bus stays charged for minutes after power is off. Wait the time on the label, then verify "
        "with DC volts across the bus terminals. Do not short them. Keep the fan still: it recharges the bus."
    ),
    # Capacitors inside the motor's own drive; a connector pulled under power arcs. Common practice, no source.
    Hazard.COMMUTATED_MOTOR: (
        "Electronically commutated motor: its own capacitors stay charged for minutes after power is off. Never pull "
        "or push its connectors under power."
    ),
    # NFPA 54 and makers' instructions, from memory.
    Hazard.GAS: (
        "Gas: for qualified people. If you smell gas: no switch, no flame, leave, call from outside. Close the valve "
        "before opening gas parts, leak-test after. Combustion air free; measure carbon monoxide."
    ),
}

# The short forms, for a person who has read the full caution at a test point of the same kind. They permit nothing.
_ISOLATED_BRIEFLY = "Locked out; verify absence of voltage before you touch, the tester proved before and after."
_ENERGIZED_BRIEFLY = "Live parts: protective equipment, rated leads and meter."
_DISCHARGE_BRIEFLY = "Discharge {pairs} through a resistor, verify."
_SERIES_BRIEFLY = "Meter in series: isolate before and after, hands off."
_CLAMP_BRIEFLY = "Clamp around one lead; no probes set to amps."
_HAZARDS_BRIEFLY = {
    Hazard.COMPRESSOR_TERMINALS: "Pressure behind the compressor's terminals: no force on them.",
    Hazard.MOVING_FAN: "The fan may start.",
    Hazard.HOT_HEATER: "A heater stays hot.",
    Hazard.LINE_VOLTAGE_BESIDE: "Line voltage beside it.",
    Hazard.SECOND_SOURCE: "A second source: locked out, too.",
    Hazard.THREE_PHASES: "Three phases: every pair, each to ground.",
    Hazard.POWER_RETURNS: "Covers on and all clear before power returns.",
    Hazard.START_CAPACITOR: "It may still hold its charge.",
    Hazard.SINGLE_POLE: "One leg stays live.",
    Hazard.DC_BUS: "DC bus: wait, verify with DC volts, do not short it.",
    Hazard.COMMUTATED_MOTOR: "The motor stays charged: no connector under power.",
    Hazard.GAS: "Gas: leak-test; with a smell of gas no switch, leave.",
}

_STICKER_CAPACITOR = (
    "May hold its charge. Lock out every source, discharge it through a resistor, and verify before you touch.",
    "May hold its charge: lock out, discharge by a resistor, verify before you touch.",
    "May hold a charge: verify before you touch.",
)
_STICKER = (
    "May be live. Lock out every source, and verify absence of voltage here before you touch.",
    "May be live: lock out, verify before you touch.",
    "May be live: verify before you touch.",
)


def standard_caution(state: CircuitState, quantity: Quantity, *, in_series: bool = False) -> str:
    """Return the caution before reading ``quantity`` at a test point whose circuit is in ``state``.

    ``in_series``: a current flows through the meter itself.
    """
    return _join(_first_step(state), *_further_steps(state, quantity, in_series=in_series), LOCAL_CODES)


def sticker_cautions(*, is_capacitor: bool) -> tuple[str, ...]:
    """Return the caution on a sticker inside a unit, for a person who opens it: in full, then in fewer words."""
    return _STICKER_CAPACITOR if is_capacitor else _STICKER


def _first_step(state: CircuitState) -> str:
    return _ENERGIZED if state is CircuitState.ENERGIZED else _ISOLATED


def _further_steps(state: CircuitState, quantity: Quantity, *, in_series: bool) -> tuple[str, str]:
    """Return the sentence before those of the hazards, and the one after them."""
    match state, quantity:
        case CircuitState.ENERGIZED, Quantity.CURRENT:
            return (_SERIES, "") if in_series else ("", _CLAMP)
        case CircuitState.ISOLATED, Quantity.CAPACITANCE:
            return _DISCHARGE, ""
        case CircuitState.ISOLATED, Quantity.RESISTANCE:
            return "", _WIRES_OFF
        case _:
            return "", ""


def caution_at(point: TestPoint, plan_points: Iterable[TestPoint] = ()) -> str:
    """Return the caution before touching ``point``: the first step, its hazards, the plan's own caution, the rest.

    A small screen cuts a long text at its end, so the sentences that stand at most test points are the last ones.
    ``plan_points`` are the test points of its plan: of a dual capacitor, the caution names each section. Most motor
    windings have a capacitor beside them; the coil of a control circuit has none, and the DC bus of an inverter is not
    discharged by hand.
    """
    before, after = _further_steps(point.state, point.quantity, in_series=point.in_series)
    return _join(
        _first_step(point.state),
        before.replace(_DISCHARGE, _discharge_each(point, plan_points)),
        *(_HAZARDS[hazard] for hazard in point.hazards),
        point.caution,
        _DISCHARGE_FIRST if _needs_discharge_first(point) else "",
        after,
        LOCAL_CODES,
    )


def brief_caution_at(point: TestPoint, plan_points: Iterable[TestPoint] = ()) -> str:
    """Return the short form of `caution_at`: every step and every hazard of it, in a few words each.

    It is for a test point of a kind at which the full caution has stood before; the plan's own caution stays whole.
    """
    return _join(
        _ENERGIZED_BRIEFLY if point.state is CircuitState.ENERGIZED else _ISOLATED_BRIEFLY,
        _brief_step(point, plan_points),
        *(_HAZARDS_BRIEFLY[hazard] for hazard in point.hazards),
        point.caution,
        _DISCHARGE_BRIEFLY.format(pairs="any capacitor here") if _needs_discharge_first(point) else "",
        "Wires off." if (point.state, point.quantity) == (CircuitState.ISOLATED, Quantity.RESISTANCE) else "",
    )


def _brief_step(point: TestPoint, plan_points: Iterable[TestPoint]) -> str:
    match point.state, point.quantity:
        case CircuitState.ENERGIZED, Quantity.CURRENT:
            return _SERIES_BRIEFLY if point.in_series else _CLAMP_BRIEFLY
        case CircuitState.ISOLATED, Quantity.CAPACITANCE:
            pairs = _section_pairs(point, plan_points)
            return _DISCHARGE_BRIEFLY.format(pairs=f"{' and '.join(pairs)}, each," if pairs else "it")
        case _:
            return ""


def _needs_discharge_first(point: TestPoint) -> bool:
    """Return whether a capacitor may be beside the winding or the contact that is read."""
    winding = point.quantity is Quantity.RESISTANCE and point.kind is not PointKind.COIL
    return winding and point.state is CircuitState.ISOLATED and Hazard.DC_BUS not in point.hazards


def _discharge_each(point: TestPoint, plan_points: Iterable[TestPoint]) -> str:
    """Return the sentence that discharges a capacitor: each section of a dual one."""
    pairs = _section_pairs(point, plan_points)
    if not pairs:
        return _DISCHARGE
    return (
        f"Discharge {' and '.join(pairs)}, each, through {_RESISTOR}, and verify each; treat it as live while you do."
    )


def _section_pairs(point: TestPoint, plan_points: Iterable[TestPoint]) -> list[str]:
    """Return the terminals of each section of a capacitor that has several; empty for one section."""
    sections = [other for other in plan_points if _is_section_beside(point, other)]
    return list(dict.fromkeys("–".join(section.terminals) for section in sections)) if len(sections) > 1 else []


def _is_section_beside(point: TestPoint, other: TestPoint) -> bool:
    """Return whether both are sections of one capacitor; a point is a section beside itself."""
    return (
        point.kind is other.kind is PointKind.CAPACITOR
        and point.component == other.component
        and bool(set(point.terminals) & set(other.terminals))
    )


def _join(*parts: str) -> str:
    return " ".join(part for part in parts if part)
