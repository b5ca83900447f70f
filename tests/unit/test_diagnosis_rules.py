"""Every rule by itself: readings that give its cause, and similar readings that must not."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from meterlink.core.equipment import CircuitState, PointKind, Span, TestPoint
from meterlink.core.readings import Coupling
from meterlink.core.replacements import Replacement
from meterlink.core.units import BASE_UNIT, Amount, Quantity, parse_amount, quantity_of
from meterlink.diagnosis.causes import Cause, Confidence
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, Observation, PointReadings, observe
from meterlink.diagnosis.rules import Rule
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine
from meterlink.station.rules import shipped_rules
from support.points import point, rated, span

C, R, V, T = Quantity.CAPACITANCE, Quantity.RESISTANCE, Quantity.VOLTAGE, Quantity.TEMPERATURE
A = Quantity.CURRENT
OFF, ON = CircuitState.ISOLATED, CircuitState.ENERGIZED
RULES = {rule.key: rule for rule in shipped_rules()}


CONTROL_VOLTS = span("20.4", "26.4", "V")
LINE_VOLTS = Span(Decimal("187.2"), Decimal(253), "V")
RATED_AMPS = Span(None, Decimal("14.1"), "A", locked_rotor=Decimal(77))  # of an invented nameplate
COIL_OHMS = span("10", "18", "Ω")
POINTS = {
    "herm": point("compressor", "run capacitor", "C-HERM", C, OFF, PointKind.CAPACITOR, rated("45"), "HERM"),
    "fan": point("condenser fan", "run capacitor", "C-FAN", C, OFF, PointKind.CAPACITOR, rated("5"), "FAN"),
    "alike": point("condenser fan", "run capacitor", "C-FAN", C, OFF, PointKind.CAPACITOR, rated("40"), "FAN"),
    "twin": point("condenser fan", "run capacitor", "C-FAN", C, OFF, PointKind.CAPACITOR, rated("45"), "FAN"),
    "unread": point("condenser fan", "run capacitor", "C-FAN", C, OFF, PointKind.CAPACITOR, rated("5"), "FAN"),
    "start": point("compressor", "start capacitor", "1-2", C, OFF, PointKind.CAPACITOR, rated("100")),
    "herm_ohms": point("compressor", "run capacitor", "C-HERM", R, OFF, PointKind.RANGE, None, "HERM"),
    "herm_volts": point("compressor", "run capacitor", "C-HERM", V, ON, PointKind.RANGE, None, "HERM"),
    "herm_amps": point("compressor", "run capacitor", "C-HERM", Quantity.CURRENT, ON, PointKind.RANGE, None, "HERM"),
    "coil": point("control 24 V", "contactor coil", "A1-A2", R, OFF, PointKind.COIL, COIL_OHMS),
    "coil_volts": point("control 24 V", "contactor coil", "A1-A2", V, ON, PointKind.RANGE, CONTROL_VOLTS),
    "strip_drop": point("heat strips", "sequencer contacts", "M1-M2", V, ON, PointKind.RANGE, span(None, "0.2", "V")),
    "strip_amps": point("heat strips", "heat strip", "line-1", A, ON, PointKind.RANGE),
    "sequencer_volts": point("heat strips", "sequencer coil", "W-C", V, ON, PointKind.RANGE, CONTROL_VOLTS),
    "bare_coil_volts": point("control 24 V", "contactor coil", "A1-A2", V, ON, PointKind.RANGE),
    "bare_primary": point("control 24 V", "control transformer", "P1-P2", V, ON, PointKind.RANGE, None, "primary"),
    "bare_secondary": point("control 24 V", "control transformer", "R-C", V, ON, PointKind.RANGE, None, "secondary"),
    "solenoid_volts": point("liquid line", "solenoid valve coil", "1-2", V, ON, PointKind.RANGE),
    "coil_warmth": point("control 24 V", "contactor coil", "skin-bead", T, OFF, PointKind.RANGE),
    "secondary": point(
        "control 24 V", "control transformer", "R-C", V, ON, PointKind.RANGE, CONTROL_VOLTS, "secondary"
    ),
    "primary": point("control 24 V", "control transformer", "P1-P2", V, ON, PointKind.RANGE, LINE_VOLTS, "primary"),
    "line": point("supply", "line", "L1-L2", V, ON, PointKind.RANGE, LINE_VOLTS),
    "line_loaded": point("supply", "line", "L1-L2", V, ON, PointKind.RANGE, LINE_VOLTS),
    "motor_amps": point("compressor", "compressor motor", "C-motor", Quantity.CURRENT, ON, PointKind.RANGE, None),
    "l1_ground": point("supply", "line", "L1-GND", V, ON, PointKind.RANGE),
    "l2_ground": point("supply", "line", "L2-GND", V, ON, PointKind.RANGE),
    "l3_ground": point("supply", "line", "L3-GND", V, ON, PointKind.RANGE),
    "l1_neutral": point("supply", "line", "L1-N", V, ON, PointKind.RANGE),
    "l2_neutral": point("supply", "line", "L2-N", V, ON, PointKind.RANGE),
    "line_23": point("supply", "line", "L2-L3", V, ON, PointKind.RANGE, LINE_VOLTS),
    "line_13": point("supply", "line", "L1-L3", V, ON, PointKind.RANGE, LINE_VOLTS),
    "fuse": point("supply", "fuse", "1-2", V, ON, PointKind.RANGE, span(None, "0.2", "V")),
    "blade": point("supply", "disconnect", "L1-T1", V, ON, PointKind.RANGE, span(None, "0.2", "V"), "blade"),
    "frame": point("compressor", "cabinet", "FRAME-GND", V, ON, PointKind.RANGE),
    "rated_amps": point("compressor", "compressor motor", "T1-C", A, ON, PointKind.RANGE, RATED_AMPS),
    "unmarked_amps": point("compressor", "compressor motor", "T1-C", A, ON, PointKind.RANGE, span(None, "14.1", "A")),
    "fan_amps": point("condenser fan", "fan motor", "T1-motor", A, ON, PointKind.RANGE, span(None, "1.1", "A")),
    "inrush_amps": point(
        "compressor", "compressor motor", "T1-C", A, ON, PointKind.RANGE, span(None, "14.1", "A"), "inrush"
    ),
    "amps_1": point("compressor", "compressor motor", "T1-motor", A, ON, PointKind.RANGE, span(None, "21", "A")),
    "amps_2": point("compressor", "compressor motor", "T2-motor", A, ON, PointKind.RANGE, span(None, "21", "A")),
    "amps_3": point("compressor", "compressor motor", "T3-motor", A, ON, PointKind.RANGE, span(None, "21", "A")),
    "drop": point("compressor", "contactor contacts", "L1-T1", V, ON, PointKind.RANGE, span(None, "0.2", "V")),
    "drop_2": point(
        "compressor", "contactor contacts", "L2-T2", V, ON, PointKind.RANGE, span(None, "0.2", "V"), "pole 2"
    ),
    "cs": point("compressor", "compressor motor", "C-S", R, OFF, PointKind.RANGE),
    "cr": point("compressor", "compressor motor", "C-R", R, OFF, PointKind.RANGE),
    "rs": point("compressor", "compressor motor", "R-S", R, OFF, PointKind.RANGE),
    "cs_sheet": point("compressor", "compressor motor", "C-S", R, OFF, PointKind.RANGE, span("3.6", "4.4", "Ω")),
    "ground": point("compressor", "compressor motor", "C-GND", R, OFF, PointKind.INSULATION, span("1", None, "MΩ")),
    "ground_s": point("compressor", "compressor motor", "S-GND", R, OFF, PointKind.INSULATION, span("1", None, "MΩ")),
    "ground_bare": point("compressor", "compressor motor", "C-GND", R, OFF, PointKind.RANGE),
    "relay_contacts": point("compressor", "start relay contacts", "1-2", R, OFF, PointKind.RANGE, span(None, "1", "Ω")),
    "relay_bare": point("compressor", "potential relay", "1-2", R, OFF, PointKind.RANGE),
    "relay_coil": point("compressor", "start relay coil", "5-2", R, OFF, PointKind.COIL),
    "relay_coil_bare": point("compressor", "potential relay", "5-2", R, OFF, PointKind.RANGE),
    "relay_coil_volts": point("compressor", "start relay coil", "5-2", V, ON, PointKind.RANGE),
    "relay_drop": point("compressor", "start relay contacts", "1-2", V, ON, PointKind.RANGE),
    "start_ohms": point("compressor", "start capacitor", "1-2", R, OFF, PointKind.RANGE),
    "bleed": point("compressor", "bleed resistor", "1-2", R, OFF, PointKind.RANGE),
    "start_amps": point(
        "compressor", "start capacitor", "1-2", Quantity.CURRENT, ON, PointKind.RANGE, span(None, "0.5", "A")
    ),
    "rla": point(
        "compressor", "compressor motor", "C-T1", Quantity.CURRENT, ON, PointKind.RANGE, span(None, "15", "A")
    ),
    "heater_ohms": point("heat", "heat strip", "1-2", R, OFF, PointKind.RANGE, span("4.9", "6.4", "Ω")),
    "heater_amps": point("heat", "heat strip", "1-2", Quantity.CURRENT, ON, PointKind.RANGE, span("33", "48", "A")),
    "heater_volts": point("heat", "heat strip", "1-2", V, ON, PointKind.RANGE, LINE_VOLTS),
    "crankcase": point("crankcase", "crankcase heater", "1-2", R, OFF, PointKind.RANGE, span("673", "914", "Ω")),
    "t1t2": point("compressor", "compressor motor", "T1-T2", R, OFF, PointKind.RANGE),
    "t2t3": point("compressor", "compressor motor", "T2-T3", R, OFF, PointKind.RANGE),
    "t1t3": point("compressor", "compressor motor", "T1-T3", R, OFF, PointKind.RANGE),
    "absence": point("compressor", "compressor motor", "T1-T2", V, OFF, PointKind.RANGE),
    "float": point("control 24 V", "float switch", "1-2", R, OFF, PointKind.RANGE, span(None, "1", "Ω")),
    "fan_switch": point("condenser fan", "fan cycling switch", "1-2", R, OFF, PointKind.RANGE, span(None, "1", "Ω")),
    "strip_limit": point("heat strips", "heat strip limit", "1-2", R, OFF, PointKind.RANGE, span(None, "1", "Ω")),
    "sensor": point("defrost", "defrost sensor", "1-2", R, OFF, PointKind.RANGE, span(None, "1", "Ω")),
    "opening": point("defrost", "defrost thermostat", "1-2", R, OFF, PointKind.RANGE),
    "high_speed": point("blower", "blower motor", "C-HI", R, OFF, PointKind.RANGE, None, "C-HI"),
    "bus": replace(point("inverter", "DC bus", "P-N", V, ON, PointKind.RANGE), coupling=Coupling.DC),
    "fan_cr": point("condenser fan", "fan motor", "C-R", R, OFF, PointKind.RANGE),
    "fan_lead": point("condenser fan", "run capacitor", "FAN-S", A, ON, PointKind.RANGE, None, "FAN"),
}


def observation(test_point: TestPoint, text: str, number: int, **changes: Any) -> Observation:
    *_, last = text.split()
    coupling = Coupling(last) if last in {"AC", "DC"} else None
    display = text.removesuffix(last).strip() if coupling else text
    if display.startswith("OL"):
        measured = MeasuredValue(test_point.quantity, None, BASE_UNIT[test_point.quantity], Decimal(0))
    else:
        amount = parse_amount(display)
        measured = MeasuredValue.from_amount(quantity_of(amount.unit), amount)
    return replace(observe(test_point, measured, number), **({"coupling": coupling, "meter": "one"} | changes))


def case(mains: float | None = None, **readings: object) -> Case:
    """Return a case from readings by test point: a text, a pair of text and changed fields, or a list of these."""
    point_readings, number = [], 0
    for key, entries in readings.items():
        test_point = replace(POINTS[key], key=key.replace("_", "-"))
        observations = []
        for entry in entries if isinstance(entries, list) else [entries]:
            number += 1
            text, changes = entry if isinstance(entry, tuple) else (entry, {})
            observations.append(observation(test_point, text, number, **changes))
        point_readings.append(PointReadings(test_point, tuple(observations)))
    return Case(tuple(point_readings), mains)


def by(meter: str, text: str) -> tuple[str, dict[str, object]]:
    return text, {"meter": meter}


def after(minutes: float, text: str) -> tuple[str, dict[str, object]]:
    return text, {"time": minutes * 60}


def only(rule: str, readings: Case) -> list[Cause]:
    return list(diagnose(readings, (RULES[rule],)).causes)


def replaced(readings: Case, component: str = "run capacitor", after_number: int = 0) -> Case:
    """Return ``readings`` with a replacement of ``component`` after the reading of this number."""
    return replace(readings, replacements=(Replacement(component, after_number=after_number),))


def phases(t1t2: str, t2t3: str, t1t3: str, times: int = 1) -> Case:
    """Return a case of a three-phase motor, each pair read ``times`` times."""
    return case(t1t2=[t1t2] * times, t2t3=[t2t3] * times, t1t3=[t1t3] * times)


# {rule: (readings that give its cause, [similar readings that do not])}
CASES: dict[str, tuple[Case, list[Case]]] = {
    "closed-part-open": (
        case(float="OL ohm"),
        # A thermostat without limits may be open on purpose; an open sensor or winding is no open switch.
        [
            case(float="0.2 ohm"),
            case(opening="OL ohm"),
            case(sensor="OL ohm"),
            case(high_speed="OL ohm"),
            case(heater_ohms="OL ohm"),
            case(relay_contacts="OL ohm"),
        ],
    ),
    "motor-pair-open": (
        case(high_speed="OL ohm"),
        [
            case(high_speed="12.1 ohm"),
            case(cr="OL ohm"),
            case(t1t2="OL ohm"),
            case(ground="OL Mohm"),
            case(fan_switch="OL ohm"),
        ],
    ),
    "bus-without-voltage": (
        case(line="240.0 V AC", bus="0.2 V DC"),
        [case(line="240.0 V AC", bus="338.0 V DC"), case(line="0.3 V AC", bus="0.2 V DC"), case(bus="0.2 V DC")],
    ),
    "run-winding-carries-nothing": (
        case(fan="4.98 uF", fan_amps="0.56 A AC", fan_lead="0.56 A AC"),
        # A sound fan draws more than its capacitor's lead. A weak capacitor is another fault.
        [
            case(fan="4.98 uF", fan_amps="1.05 A AC", fan_lead="0.78 A AC"),
            case(fan="4.98 uF", fan_amps="0.00 A AC", fan_lead="0.00 A AC"),
            case(fan="2.98 uF", fan_amps="0.56 A AC", fan_lead="0.56 A AC"),
            case(fan="4.98 uF", fan_amps="0.56 A AC"),
            # Without load the two currents of a blower or a compressor may be so far apart that their sum is no more.
            case(herm="45.0 uF", rated_amps="6.30 A AC", herm_amps="6.30 A AC"),
            case(fan="4.98 uF", fan_amps="0.98 A AC", fan_lead="0.98 A AC"),
        ],
    ),
    "voltage-where-isolated": (
        case(absence="31.0 V AC"),
        [case(absence="0.4 V AC"), case(herm="44.8 uF"), case(line="240 V AC"), case(herm=["300 V DC", "44.8 uF"])],
    ),
    "charge-on-capacitor": (
        case(herm=["300.0 V DC", "44.8 uF"]),
        [case(herm=["31.0 V AC"]), case(absence="300.0 V DC"), case(herm="0.05 V DC")],
    ),
    "wrong-function": (
        case(herm="12.0 ohm"),
        [case(herm="45.0 uF"), case(herm=["12.0 ohm", "45.0 uF"]), case(coil="12.0 ohm")],
    ),
    "low-battery": (
        case(herm=("45.0 uF", {"low_battery": True})),
        [case(herm="45.0 uF")],
    ),
    "meters-disagree": (
        case(herm=[by("one", "45.0 uF"), by("two", "39.0 uF")]),
        [
            case(herm=[by("one", "45.0 uF"), by("two", "44.2 uF")]),
            case(herm=[by("one", "45.0 uF"), by("one", "39.0 uF")]),
            case(herm=[by("one", "45.0 uF"), by("one", "40.0 uF"), by("two", "39.0 uF")]),
        ],
    ),
    "leads-across-both-sections": (
        case(herm="4.52 uF", unread=[]),
        [
            case(herm="5.90 uF", unread=[]),  # further from 4.5 µF than the meter explains
            case(herm="44.5 uF", unread=[]),
            case(herm="4.52 uF"),  # there is no other section
            case(fan="4.10 uF", herm="44.8 uF"),  # fits a weak section equally well
        ],
    ),
    "probe-on-the-other-section": (
        case(herm="5.02 uF", fan="5.03 uF"),
        [case(herm="5.02 uF", fan="45.1 uF"), case(herm="7.00 uF", fan="5.03 uF"), case(herm="44.9 uF", fan="5.03 uF")],
    ),
    "sections-swapped": (
        case(herm="5.02 uF", fan="45.1 uF"),
        [case(herm="5.02 uF", fan="5.03 uF"), case(herm="45.1 uF", fan="5.02 uF"), case(herm="5.02 uF", fan="30.0 uF")],
    ),
    "wrong-prefix": (
        case(herm="45.2 nF"),
        [case(herm="0.06 nF"), case(herm="30.2 nF"), case(herm="45.2 uF")],
    ),
    "both-sections-equally-low": (
        case(herm="38.3 uF", alike="34.0 uF"),
        [
            case(herm="38.3 uF", alike="36.0 uF"),
            case(herm="44.9 uF", alike="39.9 uF"),
            case(herm="38.3 uF"),
            case(herm="22.5 uF", twin="22.5 uF"),
        ],
    ),
    "section-weak": (
        case(herm="40.0 uF"),
        [case(herm="42.3 uF"), case(herm="37.0 uF"), case(herm="0.03 uF"), case(herm="48.5 uF")],
    ),
    "section-failed": (
        case(herm="30.0 uF"),
        [case(herm="37.8 uF"), case(herm="0.03 uF"), case(herm="44.0 uF"), case(start="60.0 uF")],
    ),
    "section-open": (
        case(herm="0.03 uF"),
        [case(herm="1.20 uF"), case(herm="OL uF")],
    ),
    "section-shorted": (
        case(herm="OL uF"),
        [case(herm="0.03 uF"), case(herm="60.0 uF")],
    ),
    "section-reads-high": (
        case(herm="52.0 uF"),
        [case(herm="47.7 uF"), case(herm="OL uF"), case(herm="40.0 uF")],
    ),
    # 45 µF at 370 V and 60 Hz draws 6.277 A (2πfCV).
    # Seen through a clamp around two wires, 9.00 A would be 64.5 µF, and no part grows under load (textbook).
    "clamp-around-another-wire": (
        case(60.0, herm="44.8 uF", herm_amps="9.00 A", herm_volts="370.0 V"),
        [
            case(60.0, herm="44.8 uF", herm_amps="6.28 A", herm_volts="370.0 V"),
            case(60.0, herm="64.0 uF", herm_amps="9.00 A", herm_volts="370.0 V"),
            case(60.0, herm="44.8 uF", herm_amps="4.00 A", herm_volts="370.0 V"),
        ],
    ),
    "low-only-under-load": (
        case(60.0, herm="44.8 uF", herm_amps="4.00 A", herm_volts="370.0 V"),
        [
            case(60.0, herm="44.8 uF", herm_amps="6.28 A", herm_volts="370.0 V"),
            case(60.0, herm="30.0 uF", herm_amps="4.00 A", herm_volts="370.0 V"),
            case(None, herm="44.8 uF", herm_amps="4.00 A", herm_volts="370.0 V"),
        ],
    ),
    "contact-not-part": (
        case(herm=["44.8 uF", "38.0 uF"]),
        [
            case(herm=["44.8 uF", "44.6 uF"]),
            case(herm=[by("one", "44.8 uF"), by("two", "38.0 uF")]),
            case(herm="38 uF"),
            case(herm=["38.0 uF", "44.8 uF"]),  # a new part in between would explain it: a question
            case(rated_amps=["17.2 A", "12.3 A"]),  # the load of a motor changes, and a clamp has no contact
        ],
    ),
    "new-part-outside": (
        replaced(case(herm=["38.2 uF", "38.1 uF"]), after_number=1),
        [replaced(case(herm=["38.2 uF", "44.8 uF"]), after_number=1), case(herm=["38.2 uF", "38.1 uF"])],
    ),
    "coil-open": (case(coil="OL ohm"), [case(coil="25.0 ohm"), case(coil="0.2 ohm"), case(herm="OL uF")]),
    "coil-shorted": (case(coil="0.3 ohm"), [case(coil="1.2 ohm"), case(coil="OL ohm")]),
    "coil-shorted-turns": (case(coil="6.1 ohm"), [case(coil="10.0 ohm"), case(coil="0.3 ohm"), case(coil="19.0 ohm")]),
    "coil-reads-high": (
        case(coil="60.0 ohm"),
        [case(coil="18.0 ohm"), case(coil="OL ohm"), case(coil="20.0 ohm", coil_warmth="60.0 degC")],
    ),
    # 18 Ω at 20 °C reads 18·(234.5 + 60)/(234.5 + 20) = 20.83 Ω at 60 °C.
    "coil-warm": (
        case(coil="20.5 ohm", coil_warmth="60.0 degC"),
        [
            case(coil="20.5 ohm", coil_warmth="25.0 degC"),
            case(coil="21.2 ohm", coil_warmth="60.0 degC"),
            case(coil="9.2 ohm", coil_warmth="-5.0 degC"),
            case(coil="20.5 ohm"),
        ],
    ),
    # 18 Ω at 20 °C reads 25.8 Ω at 130 °C.
    "coil-possibly-warm": (
        case(coil="22.0 ohm"),
        [case(coil="27.0 ohm"), case(coil="17.0 ohm"), case(coil="22.0 ohm", coil_warmth="25.0 degC")],
    ),
    "no-control-supply": (
        case(coil="14.0 ohm", secondary="0.3 V AC"),
        [
            case(coil="14.0 ohm", secondary="19.0 V AC"),
            case(coil="14.0 ohm"),
            case(coil="14.0 ohm", secondary="0.3 V AC", primary="238.0 V AC"),
            # Without line voltage a transformer can give none (textbook): the supply is the cause.
            case(coil="14.0 ohm", secondary="0.3 V AC", line="0.2 V AC"),
        ],
    ),
    "transformer-open": (
        case(coil="14.0 ohm", secondary="0.3 V AC", primary="238.0 V AC"),
        [
            case(coil="14.0 ohm", secondary="0.3 V AC", primary="1.0 V AC"),
            case(coil="14.0 ohm", secondary="0.3 V AC"),
            case(coil="14.0 ohm", secondary="26.0 V AC", primary="238.0 V AC"),
        ],
    ),
    "control-path-open": (
        case(coil_volts="0.2 V AC", secondary="26.1 V AC"),
        [
            case(coil_volts="25.2 V AC", secondary="26.1 V AC"),
            case(coil_volts="0.2 V AC", secondary="0.2 V AC"),
            case(coil_volts="0.2 V AC"),
        ],
    ),
    "no-voltage-at-coil": (
        case(coil_volts="0.2 V AC"),
        [
            case(coil_volts="25.2 V AC"),
            case(coil_volts="0.2 V AC", secondary="26.1 V AC"),
            case(coil_volts="0.2 V AC", secondary="0.1 V AC"),
            case(coil_volts=["0.2 V AC", "25.2 V AC"]),
        ],
    ),
    "start-up-delay": (
        case(coil_volts="0.2 V AC"),
        [
            case(coil_volts=[after(0, "0.2 V AC"), after(7, "0.2 V AC")]),
            case(coil_volts="0.2 V AC", secondary="0.1 V AC"),
            case(coil_volts="12.0 V AC"),
        ],
    ),
    "start-up-delay-ended": (
        case(coil_volts=["0.2 V AC", "25.0 V AC"]),
        [case(coil_volts=["0.2 V AC", "0.2 V AC"]), case(coil_volts=["25.0 V AC", "0.2 V AC"])],
    ),
    "control-voltage-sags": (
        case(coil_volts="17.0 V AC"),
        [
            case(coil_volts="20.4 V AC"),
            case(coil_volts="2.0 V AC"),
            case(coil_volts="18.2 V AC", secondary="26.8 V AC"),  # lost on the way
        ],
    ),
    # 26.8 V leave the transformer, 18.2 V arrive: 8.6 V stand across something between them (Kirchhoff).
    "control-voltage-lost-on-the-way": (
        case(coil_volts="18.2 V AC", secondary="26.8 V AC"),
        [
            case(coil_volts="18.2 V AC", secondary="18.6 V AC"),
            case(coil_volts="18.2 V AC"),
            case(coil_volts="25.4 V AC", secondary="26.8 V AC"),
        ],
    ),
    "supply-low": (
        case(line="170.0 V AC"),
        [
            case(line="187.2 V AC"),
            case(line="3.0 V AC"),
            case(coil_volts="17 V"),
            case(line="208.0 V AC", line_23="104.0 V AC", line_13="103.0 V AC"),  # no low supply: L3 is lost
        ],
    ),
    # Loads in a row between L1 and L2 hold the line that is lost, L3, in the middle: half of 208 V each (textbook).
    "line-lost": (
        case(line="208.0 V AC", line_23="104.0 V AC", line_13="103.0 V AC"),
        [
            case(line="208.0 V AC", line_23="208.0 V AC", line_13="207.0 V AC"),
            case(line="208.0 V AC", line_23="171.0 V AC", line_13="170.0 V AC"),  # a bad joint, or a motor that runs
            case(line="0.4 V AC", line_23="208.0 V AC", line_13="208.0 V AC"),  # L1 or L2: these do not tell
            case(line="208.0 V AC", line_23="104.0 V AC"),
            case(
                line="208.0 V AC",
                line_23="104.0 V AC",
                line_13="103.0 V AC",
                l1_ground="120.0 V AC",
                l2_ground="120.0 V AC",
                l3_ground="2.0 V AC",
            ),
        ],
    ),
    # Without a reading at a coil the transformer's own rules are silent, and its secondary is read first of all.
    "secondary-without-voltage": (
        case(line="240.0 V AC", secondary="0.0 V AC"),
        [
            case(line="240.0 V AC", secondary="25.0 V AC"),
            case(line="240.0 V AC", secondary="0.0 V AC", primary="239.0 V AC"),
            case(line="240.0 V AC", secondary="0.0 V AC", coil="14.0 ohm"),
            case(line="0.3 V AC", secondary="0.0 V AC"),
        ],
    ),
    "secondary-open": (
        case(secondary="0.0 V AC", primary="239.0 V AC"),
        [
            case(secondary="25.0 V AC", primary="239.0 V AC"),
            case(secondary="0.0 V AC", primary="0.4 V AC"),
            case(secondary="0.0 V AC"),
            case(secondary="0.0 V AC", primary="239.0 V AC", coil="14.0 ohm"),
        ],
    ),
    # 245 V off and 192 V running are both within 187 to 253 V, and a fall of 21.6 %; at most 5 % in all are usual on
    # feeder and branch circuit (NEC, informational notes to 210.19(A) and 215.2(A), seen quoted).
    "supply-sags": (
        case(line="245.0 V AC", line_loaded="192.0 V AC"),
        [
            case(line="236.0 V AC", line_loaded="229.0 V AC"),
            case(line="170.0 V AC", line_loaded="171.0 V AC"),
            case(line="245.0 V AC", line_loaded="0.4 V AC"),  # that is no supply at all
            case(line_loaded="192.0 V AC", line="245.0 V AC"),  # read in the other order: it rose
            case(line="245.0 V AC", blade="41.3 V AC", line_loaded="192.0 V AC"),  # its place is known
        ],
    ),
    # The voltages along the way add up to the fall: 41.3 V of the 53 V are across one blade (Kirchhoff).
    "voltage-lost-across": (
        case(line="245.0 V AC", blade="41.3 V AC", line_loaded="192.0 V AC"),
        [
            case(line="245.0 V AC", blade="2.1 V AC", line_loaded="192.0 V AC"),
            case(line="245.0 V AC", blade="41.3 V AC", line_loaded="243.0 V AC"),
            case(line="245.0 V AC", blade="191.0 V AC", line_loaded="192.0 V AC"),  # open
        ],
    ),
    "closed-path-drops": (
        case(fuse="0.90 V AC", line="240.0 V AC"),
        [
            case(fuse="0.12 V AC", line="240.0 V AC"),
            case(fuse="239.0 V AC", line="240.0 V AC"),
            case(drop="0.90 V AC", line="240.0 V AC"),
            case(line="245.0 V AC", fuse="41.3 V AC", line_loaded="192.0 V AC"),
            # 0.9 V at 72 A are 0.18 V at the rated 14.1 A (Ohm).
            case(fuse="0.90 V AC", line="240.0 V AC", rated_amps="72.0 A AC"),
        ],
    ),
    "closed-path-open": (
        case(fuse="239.0 V AC", line="240.0 V AC"),
        [case(fuse="0.90 V AC", line="240.0 V AC"), case(drop="239.0 V AC", line="240.0 V AC")],
    ),
    "supply-high": (
        case(line="264.0 V AC"),
        [case(line="252.0 V AC"), case(line=["264.0 V AC", "241.0 V AC"]), case(coil_volts="27.0 V AC")],
    ),
    # 199, 208 and 198 V: mean 201.7 V, and 208 V is 3.1 % off it (NEMA MG-1, 14.36).
    "supply-unbalanced": (
        case(line="199.0 V AC", line_23="208.0 V AC", line_13="198.0 V AC"),
        [
            case(line="206.0 V AC", line_23="208.0 V AC", line_13="205.0 V AC"),
            case(line="199.0 V AC", line_23="208.0 V AC"),
            case(line="0.4 V AC", line_23="208.0 V AC", line_13="208.0 V AC"),  # lost, not unbalanced
        ],
    ),
    "supply-missing": (
        case(line="1.1 V AC"),
        [
            case(line="60.0 V AC"),
            case(line="240.0 V AC"),
            case(line="0.4 V AC", l1_ground="121.0 V AC"),  # one leg is live: the supply is not off
            case(line="0.4 V AC", line_23="208.0 V AC", line_13="208.0 V AC"),
        ],
    ),
    "supply-partly-missing": (
        case(line="0.4 V AC", line_23="208.0 V AC", line_13="208.0 V AC"),
        [
            case(line="0.4 V AC", line_23="0.3 V AC"),
            case(line="0.4 V AC"),
            case(line="209 V AC", line_23="208.0 V AC"),
            case(line="0.4 V AC", l1_ground="121.0 V AC", l2_ground="120.7 V AC"),  # the legs tell more
            case(line="208.0 V AC", line_23="3.0 V AC", line_13="4.0 V AC"),  # the three pairs name L3
        ],
    ),
    # A 120/240 V service has 120 V from each leg to ground (textbook). Without load nothing feeds the open leg.
    "leg-open": (
        case(line="240.0 V AC", l1_ground="0.3 V AC", l2_ground="121.0 V AC"),
        [
            case(line="241.0 V AC", l1_ground="120.3 V AC", l2_ground="121.0 V AC"),
            case(line="0.3 V AC", l1_ground="0.3 V AC", l2_ground="0.2 V AC"),
            case(line="240.0 V AC", l1_ground="0.3 V AC"),
            case(line="240.0 V AC", l1_ground="0.3 V AC", l2_ground="240.0 V AC"),  # that leg is at ground
        ],
    ),
    # The load joins the open leg to the other one: both have 121 V to ground and nothing between them (textbook).
    "leg-fed-back": (
        case(line="0.4 V AC", l1_ground="121.0 V AC", l2_ground="120.7 V AC"),
        [
            case(line="240.0 V AC", l1_ground="121.0 V AC", l2_ground="120.7 V AC"),
            case(line="0.4 V AC", l1_ground="0.4 V AC", l2_ground="0.4 V AC"),
        ],
    ),
    # 120 and 98 V add up to the 218 V between the legs: one leg loses 22 V.
    "leg-low": (
        case(line="218.0 V AC", l1_ground="120.0 V AC", l2_ground="98.0 V AC"),
        [
            case(line="240.0 V AC", l1_ground="122.0 V AC", l2_ground="118.0 V AC"),
            case(line="240.0 V AC", l1_ground="155.0 V AC", l2_ground="85.0 V AC"),
        ],
    ),
    # 155 and 85 V still add up to 240 V: what was touched as ground lies elsewhere than in the middle.
    "ground-moved": (
        case(line="240.0 V AC", l1_ground="155.0 V AC", l2_ground="85.0 V AC"),
        [
            case(line="218.0 V AC", l1_ground="120.0 V AC", l2_ground="98.0 V AC"),
            case(line="240.0 V AC", l1_ground="155.0 V AC", l2_ground="150.0 V AC"),
        ],
    ),
    "no-ground": (
        case(line="240.0 V AC", l1_ground="3.0 V AC", l2_ground="2.0 V AC"),
        [
            case(line="0.3 V AC", l1_ground="0.3 V AC", l2_ground="0.2 V AC"),
            case(line="240.0 V AC", l1_ground="3 V AC"),
        ],
    ),
    "frame-on-a-leg": (
        case(line="240.0 V AC", l1_ground="0.3 V AC", l2_ground="240.0 V AC"),
        [
            case(line="240.0 V AC", l1_ground="0.3 V AC", l2_ground="121.0 V AC"),
            case(line="121.0 V AC", l1_ground="0.3 V AC", l2_ground="121.0 V AC"),  # an open leg: from the other one
            case(
                line="240 V AC",
                line_23="240 V AC",
                line_13="239 V AC",
                l1_ground="240 V AC",
                l2_ground="1 V AC",
                l3_ground="240 V AC",
            ),
        ],
    ),
    # A delta whose corner L2 is grounded reads so when it is sound (NEC 250.26, from memory).
    "one-leg-grounded": (
        case(
            line="240 V AC",
            line_23="240 V AC",
            line_13="239 V AC",
            l1_ground="240 V AC",
            l2_ground="1 V AC",
            l3_ground="240 V AC",
        ),
        [
            case(line="240.0 V AC", l1_ground="0.3 V AC", l2_ground="240.0 V AC"),
            # A wye of 208 V has 120 V from each leg to ground; a high leg has 0.866 of the line voltage (textbook).
            case(
                line="208 V AC",
                line_23="207 V AC",
                line_13="209 V AC",
                l1_ground="120 V AC",
                l2_ground="120 V AC",
                l3_ground="121 V AC",
            ),
        ],
    ),
    "legs-unclear": (
        case(line="240.0 V AC", l1_ground="155.0 V AC", l2_ground="150.0 V AC"),
        [
            case(line="240.0 V AC", l1_ground="121.0 V AC", l2_ground="120.0 V AC"),
            case(line="208.0 V AC", l1_ground="121.0 V AC", l2_ground="120.0 V AC"),  # two legs of a wye
        ],
    ),
    # Two loads in series divide 240 V as 90 and 150 V when the neutral between them is open (textbook).
    "neutral-open": (
        case(line="240.0 V AC", l1_neutral="90.0 V AC", l2_neutral="150.0 V AC"),
        [
            case(line="240.0 V AC", l1_neutral="118.0 V AC", l2_neutral="122.0 V AC"),
            case(line="240.0 V AC", l1_neutral="90.0 V AC", l2_neutral="122.0 V AC"),
            case(l1_neutral="0.4 V AC", l1_ground="0.3 V AC"),
        ],
    ),
    # The neutral is grounded at the service (textbook): 120 V to it and none to ground is an exchange, or no ground.
    "line-and-neutral-exchanged": (
        case(l1_neutral="119.0 V AC", l1_ground="0.6 V AC"),
        [
            case(l1_neutral="119.0 V AC", l1_ground="118.6 V AC"),
            case(l1_neutral="0.4 V AC", l1_ground="0.3 V AC"),
            case(l1_neutral="119.0 V AC"),
        ],
    ),
    # 24·208/240 = 20.8 V; in service most transformers have 25.5 V, here 22.1 V (the ratio: textbook).
    "transformer-on-240-tap": (
        case(line="208.0 V AC", secondary="21.9 V AC"),
        [
            case(line="208.0 V AC", secondary="25.6 V AC"),
            case(line="208.0 V AC", secondary="23.9 V AC"),
            case(line="240.0 V AC", secondary="21.9 V AC"),
            case(line="208.0 V AC", coil_volts="21.9 V AC"),  # a split system: its transformer is in the indoor unit
            case(line="208.0 V AC", secondary="12.0 V AC"),
        ],
    ),
    # 24·240/208 = 27.7 V at its rated load, and more with less.
    "transformer-on-208-tap": (
        case(line="240.0 V AC", secondary="29.4 V AC"),
        [
            case(line="240.0 V AC", secondary="25.6 V AC"),
            case(line="208.0 V AC", secondary="29.4 V AC"),
            case(line="240.0 V AC", coil_volts="29.4 V AC"),
        ],
    ),
    "line-voltage-in-control-circuit": (
        case(secondary="238.0 V AC"),
        [
            case(secondary="26.0 V AC"),
            case(coil_volts="238.0 V AC"),
            case(drop="238.0 V AC"),
            case(line="238.0 V AC"),
            case(bare_primary="238.0 V AC"),
        ],
    ),
    "live-frame": (
        case(frame="118.0 V AC"),
        [case(frame="0.3 V AC"), case(l1_ground="118.0 V AC"), case(ground="0.02 Mohm")],
    ),
    # 72 A of 77 A: it stands still; a split-capacitor motor has no starting torque without its capacitor (textbook).
    "locked-by-capacitor": (
        case(herm="30.0 uF", rated_amps="72.0 A AC"),
        [
            case(herm="44.8 uF", rated_amps="72.0 A AC"),
            case(herm="30.0 uF", rated_amps="18.0 A AC"),
            case(fan="3.0 uF", rated_amps="72.0 A AC"),  # the section of another motor
            case(herm="30.0 uF", fan_amps="4.00 A AC"),
        ],
    ),
    # At 180 V of 230 V the torque at standstill is (180/230)² = 61 % (textbook).
    "locked-by-low-supply": (
        case(line_loaded="180.0 V AC", rated_amps="62.0 A AC"),
        [
            case(line_loaded="230.0 V AC", rated_amps="72.0 A AC"),
            case(line_loaded="180.0 V AC", rated_amps="18.0 A AC"),
        ],
    ),
    # Good capacitor and voltage leave a stuck rotor (common practice, no source). A nameplate without LRA: 72 A are 5.1
    # times 14.1 A; about five to six times are usual (common practice, no source).
    "locked-mechanically": (
        case(herm="44.8 uF", line_loaded="231.0 V AC", rated_amps="72.0 A AC"),
        [
            case(herm="44.8 uF", line_loaded="231.0 V AC", rated_amps="18.0 A AC"),
            case(herm="44.8 uF", line_loaded="231.0 V AC", unmarked_amps="40.0 A AC"),
            case(fan="5.01 uF", line_loaded="231.0 V AC", fan_amps="4.50 A AC"),  # a fan's LRA is not guessed
            case(motor_amps="72.0 A AC"),  # nothing is entered
            case(inrush_amps="72.0 A AC"),  # a start draws that for a moment
        ],
    ),
    "motor-on-two-lines": (
        case(amps_1="20.6 A AC", amps_2="20.2 A AC", amps_3="0.2 A AC"),
        [
            case(amps_1="20.6 A AC", amps_2="20.2 A AC", amps_3="14.0 A AC"),
            case(amps_1="20.6 A AC", amps_2="0.2 A AC"),
            case(amps_1="0.2 A AC", amps_2="0.2 A AC", amps_3="0.2 A AC"),
            # All three leads are dead: a count of the display is no current (common practice, no source).
            case(amps_1="0.01 A AC", amps_2="0.00 A AC", amps_3="0.01 A AC"),
        ],
    ),
    # A weak FAN section makes the fan draw more: the section first (common practice, no source).
    "amps-high-weak-capacitor": (
        case(fan="3.90 uF", fan_amps="1.60 A AC"),
        [
            case(fan="5.01 uF", fan_amps="1.60 A AC"),
            case(fan="3.90 uF", fan_amps="1.00 A AC"),
            case(herm="30.0 uF", fan_amps="1.60 A AC"),
            case(herm="30.0 uF", rated_amps="72.0 A AC"),
        ],
    ),
    # The same power at 180 V in place of 230 V takes 230/180 = 1.28 times the amps (textbook).
    "amps-high-low-supply": (
        case(line_loaded="180.0 V AC", rated_amps="18.0 A AC"),
        [
            case(line_loaded="231.0 V AC", rated_amps="18.0 A AC"),
            case(line_loaded="180.0 V AC", rated_amps="12.0 A AC"),
            case(line_loaded="180.0 V AC", rated_amps="62.0 A AC"),
        ],
    ),
    "amps-high-by-load": (
        case(herm="44.8 uF", line_loaded="231.0 V AC", rated_amps="18.0 A AC"),
        [
            case(herm="44.8 uF", line_loaded="231.0 V AC", rated_amps="12.0 A AC"),
            case(herm="30.0 uF", line_loaded="231.0 V AC", rated_amps="18.0 A AC"),
            case(herm="44.8 uF", line_loaded="180.0 V AC", rated_amps="18.0 A AC"),
            # Its capacitor is good on the bench and gives too little at work: its joint is the electrical cause.
            case(60.0, herm="44.8 uF", herm_amps="4.00 A", herm_volts="370.0 V", rated_amps="18.0 A AC"),
            case(line="245.0 V AC", line_loaded="192.0 V AC", rated_amps="18.0 A AC"),  # not low, but it fell
            case(amps_1="25.0 A AC", amps_2="24.6 A AC", amps_3="0.2 A AC"),
        ],
    ),
    "draws-no-current": (
        case(line="240.0 V AC", fan_amps="0.00 A AC"),
        [
            case(line="240.0 V AC", fan_amps="0.90 A AC"),
            case(line="0.2 V AC", fan_amps="0.00 A AC"),
            case(line="240.0 V AC", drop="239.0 V AC", rated_amps="0.0 A AC"),
            case(line="240.0 V AC", drop="239.0 V AC", fan_amps="0.00 A AC"),  # behind the same contactor
        ],
    ),
    "amps-far-below": (
        case(line="240.0 V AC", rated_amps="4.0 A AC"),
        [
            case(line="240.0 V AC", rated_amps="8.0 A AC"),  # a mild day
            case(line="240.0 V AC", rated_amps="0.0 A AC"),
            case(line="180.0 V AC", rated_amps="4.0 A AC"),
            case(line="240.0 V AC", motor_amps="4.0 A AC"),
            case(line="240.0 V AC", fan_amps="0.36 A AC", fan_lead="0.36 A AC"),  # nothing in its run winding
        ],
    ),
    "contacts-worn": (
        case(drop="0.62 V AC", line="240.0 V AC"),
        [
            case(drop="0.12 V AC"),
            case(drop="239.0 V AC", line="240.0 V AC"),
            case(drop="0.62 V AC", line="240.0 V AC", rated_amps="72.0 A AC"),  # 0.12 V at the rated 14.1 A (Ohm)
            # Half of the line, and no current: with both poles open no worn contact is needed (Kirchhoff).
            case(drop="118.0 V AC", line="240.0 V AC", motor_amps="0.0 A AC"),
            # Nothing pulls the contactor in: voltage across it is right (common practice, no source).
            case(drop="118.0 V AC", line="240.0 V AC", coil_volts="0.1 V AC"),
        ],
    ),
    "contacts-not-closed": (
        case(drop="239.0 V AC", line="240.0 V AC"),
        [
            case(drop="0.62 V AC", line="240.0 V AC"),
            case(drop="239.0 V AC"),
            case(drop="118.0 V AC", line="240.0 V AC", motor_amps="9.8 A AC"),  # current flows: it is not open
            case(drop="0.21 V AC", line="0.01 V AC"),  # without a supply nothing shows where it ends
        ],
    ),
    "overload-open": (
        case(cs="OL ohm", cr="OL ohm", rs="5.0 ohm"),
        [
            case(cs="OL ohm", cr="OL ohm", rs="OL ohm"),
            case(cs="OL ohm", cr="1.0 ohm", rs="5.0 ohm"),
            case(cs="4.0 ohm", cr="OL ohm", rs="5.0 ohm"),
            case(cs="OL ohm"),
        ],
    ),
    "start-winding-open": (
        case(cs="OL ohm", cr="1.0 ohm", rs="OL ohm"),
        [
            case(cs="4.0 ohm", cr="1.0 ohm", rs="OL ohm"),
            case(cs="OL ohm", cr="1.0 ohm", rs="5.0 ohm"),
            case(cs="OL ohm", cr="OL ohm", rs="OL ohm"),
        ],
    ),
    "run-winding-open": (
        case(cs="4.0 ohm", cr="OL ohm", rs="OL ohm"),
        [
            case(cs="4.0 ohm", cr="1.0 ohm", rs="OL ohm"),
            case(cs="OL ohm", cr="OL ohm", rs="OL ohm"),
            case(cs="4.0 ohm", cr="OL ohm", rs="5.0 ohm"),
        ],
    ),
    "nothing-conducts": (
        case(cs="OL ohm", cr="OL ohm", rs="OL ohm"),
        [
            case(cs="OL ohm", cr="OL ohm", rs="5.0 ohm"),
            case(cs="4.0 ohm", cr="OL ohm", rs="OL ohm"),
            case(cs="OL ohm", cr="1.0 ohm", rs="OL ohm"),
            case(cs="OL ohm", cr="OL ohm"),
        ],
    ),
    "probe-off-a-pin": (
        case(cs="4.0 ohm", cr="1.0 ohm", rs="OL ohm"),
        [
            case(cs="4.0 ohm", cr="1.0 ohm", rs="5.0 ohm"),
            case(cs="4.0 ohm", cr="OL ohm", rs="OL ohm"),
            case(cs="4.0 ohm", rs="OL ohm"),
        ],
    ),
    "winding-grounded": (
        case(ground="0.02 Mohm"),
        [
            case(ground="1.00 Mohm"),
            case(ground="0.50 Mohm"),
            case(ground="OL Mohm"),
            case(ground_bare="1.50 Mohm"),
            case(cs="4.0 ohm"),
        ],
    ),
    # 200 kΩ against 1 MΩ may be damp that dries: it is still too low to run (common practice, no source).
    "winding-damp": (
        case(ground="0.20 Mohm"),
        [case(ground="0.02 Mohm"), case(ground="1.00 Mohm"), case(ground="OL Mohm")],
    ),
    # 240 V, 0.05 V across the contacts, 0.0 A: the load is open (textbook).
    "load-open": (
        case(line="240.0 V AC", drop="0.05 V AC", motor_amps="0.0 A AC", coil_volts="25.0 V AC"),
        [
            case(line="240.0 V AC", drop="0.05 V AC", motor_amps="9.8 A AC"),
            case(line="240.0 V AC", drop="239 V AC", motor_amps="0.0 A AC"),
            case(line="240.0 V AC", drop="0.05 V AC"),
            case(line="240.0 V AC", drop="0.05 V AC", herm_amps="0.00 A AC"),
            case(line="240.0 V AC", drop="0.05 V AC", herm_amps="0.00 A AC", motor_amps="9.8 A AC"),
            case(drop="0.05 V AC", motor_amps="0.0 A AC"),
            # The second pole is open, which stops the current of both (Kirchhoff).
            case(line="240.0 V AC", drop="0.05 V AC", drop_2="238.0 V AC", motor_amps="0.0 A AC"),
        ],
    ),
    "line-voltage-at-control-coil": (
        case(coil_volts="238.0 V AC"),
        [
            case(coil_volts="31.0 V AC"),
            case(coil_volts="25.2 V AC"),
            case(line="238.0 V AC"),
            case(solenoid_volts="238.0 V AC"),  # nothing says that it is a coil for a control voltage
        ],
    ),
    # A potential relay: contacts 1–2 closed at rest, coil 5–2. Common practice, no source.
    "start-contacts-open": (
        case(relay_contacts="OL ohm"),
        [case(relay_contacts="0.2 ohm"), case(relay_coil="OL ohm"), case(relay_bare="0.1 ohm")],
    ),
    "start-contacts-burnt": (
        case(relay_contacts="14.0 ohm"),
        [case(relay_contacts="0.8 ohm"), case(relay_contacts="OL ohm"), case(relay_bare="0.9 ohm")],
    ),
    # It carries current for the second of a start. A rotor that stands keeps it in, rightly.
    "start-capacitor-stays-in": (
        case(start_amps="14.2 A AC", rla="17.5 A AC"),
        [
            case(start_amps="0.0 A AC", rla="14.0 A AC"),
            case(start_amps="10.6 A AC", rla="74.0 A AC"),
        ],
    ),
    # The motor hums, and nothing flows in the capacitor that should help it.
    "start-circuit-open": (
        case(start_amps="0.0 A AC", rla="74.0 A AC"),
        [
            case(start_amps="0.0 A AC", rla="14.0 A AC"),
            case(start_amps="10.6 A AC", rla="74.0 A AC"),
            case(rla="74 A AC"),
        ],
    ),
    "bleed-resistor-open": (case(bleed="OL ohm"), [case(bleed="15.1 kohm")]),
    # Heaters: R = U²/P, I = P/U. A strip of 10 kW at 240 V has 5.76 Ω and takes 41.7 A.
    "heater-open": (case(heater_ohms="OL ohm"), [case(heater_ohms="5.70 ohm"), case(coil="OL ohm")]),
    "heater-takes-no-current": (
        case(heater_amps="0.0 A AC", heater_volts="239.0 V AC"),
        [
            case(heater_amps="41.0 A AC", heater_volts="239.0 V AC"),
            case(heater_amps="0.0 A AC", heater_volts="0.2 V AC"),
            case(heater_amps="0.0 A AC", heater_volts="239.0 V AC", heater_ohms="OL ohm"),
        ],
    ),
    "heater-without-voltage": (case(heater_volts="0.2 V AC"), [case(heater_volts="239.0 V AC")]),
    # One of two strips is open: half the amps. At a low voltage all of them take less.
    "heater-takes-too-little": (
        case(heater_amps="20.8 A AC", heater_volts="239.0 V AC"),
        [case(heater_amps="40.0 A AC"), case(heater_amps="30.0 A AC", heater_volts="180.0 V AC")],
    ),
    "heater-takes-too-much": (case(heater_amps="60.0 A AC"), [case(heater_amps="47.0 A AC")]),
    "heater-reads-high": (case(heater_ohms="11.5 ohm"), [case(heater_ohms="6.10 ohm"), case(heater_ohms="OL ohm")]),
    "heater-reads-low": (case(heater_ohms="2.90 ohm"), [case(heater_ohms="5.00 ohm")]),
    "sum-too-high": (
        case(cs="4.60 ohm", cr="1.60 ohm", rs="5.00 ohm"),
        [
            case(cs="4.10 ohm", cr="1.10 ohm", rs="5.00 ohm"),  # leads that were not zeroed
            case(cs="4.00 ohm", cr="1.00 ohm", rs="5.00 ohm"),
            case(cs="4.60 ohm", cr="1.60 ohm"),
        ],
    ),
    "sum-too-low": (
        case(cs="4.00 ohm", cr="1.00 ohm", rs="6.50 ohm"),
        [case(cs="4.00 ohm", cr="1.00 ohm", rs="5.05 ohm"), case(cs="4.60 ohm", cr="1.60 ohm", rs="5.00 ohm")],
    ),
    "winding-shorted": (
        case(cs="4.00 ohm", cr="0.08 ohm", rs="4.05 ohm"),
        [case(cs="4.00 ohm", cr="0.40 ohm", rs="4.40 ohm"), case(cr="OL ohm")],
    ),
    "winding-shorted-turns": (
        case(cs_sheet="2.90 ohm", cr="1.00 ohm", rs="3.92 ohm"),
        [
            case(cs_sheet="0.05 ohm", cr="1.00 ohm", rs="1.05 ohm"),
            case(cs_sheet="3.60 ohm", cr="1.00 ohm", rs="4.60 ohm"),
            case(cs="2.90 ohm", cr="1.00 ohm", rs="3.92 ohm"),
        ],
    ),
    "winding-reads-high": (
        case(cs_sheet="5.50 ohm", cr="1.00 ohm", rs="6.50 ohm"),
        [case(cs_sheet="4.40 ohm"), case(cs_sheet="OL ohm"), case(cs="5.50 ohm")],
    ),
    "start-and-run-mixed-up": (
        case(cs="1.00 ohm", cr="4.00 ohm"),
        [case(cs="4.00 ohm", cr="1.00 ohm"), case(cs="2.00 ohm", cr="2.01 ohm"), case(cs="1.00 ohm")],
    ),
    "three-phase-all-open": (
        phases("OL ohm", "OL ohm", "OL ohm"),
        [phases("OL ohm", "OL ohm", "1.60 ohm"), phases("1.60 ohm", "1.60 ohm", "1.60 ohm")],
    ),
    "three-phase-winding-open": (
        phases("OL ohm", "OL ohm", "1.60 ohm"),
        [phases("OL ohm", "OL ohm", "OL ohm"), phases("OL ohm", "1.60 ohm", "1.60 ohm")],
    ),
    "three-phase-probe-off": (
        phases("OL ohm", "1.60 ohm", "1.60 ohm"),
        [phases("OL ohm", "OL ohm", "1.60 ohm"), phases("1.60 ohm", "1.60 ohm", "1.60 ohm")],
    ),
    "three-phase-unequal": (
        phases("1.34 ohm", "1.60 ohm", "1.34 ohm"),
        [phases("1.58 ohm", "1.60 ohm", "1.58 ohm"), phases("OL ohm", "1.60 ohm", "1.34 ohm")],
    ),
    "three-phase-delta-open": (
        phases("2.40 ohm", "2.40 ohm", "4.80 ohm"),
        [phases("2.40 ohm", "2.40 ohm", "3.50 ohm"), phases("2.40 ohm", "2.40 ohm", "OL ohm")],
    ),
    "three-phase-shorted": (
        phases("0.05 ohm", "1.60 ohm", "1.60 ohm"),
        [phases("0.90 ohm", "1.60 ohm", "1.60 ohm"), phases("0.05 ohm", "OL ohm", "1.60 ohm")],
    ),
}


def test_every_rule_that_ships_has_its_cases():
    assert set(CASES) == set(RULES)


@pytest.mark.parametrize("rule", CASES)
def test_rule_gives_its_cause(rule):
    (first, *_) = only(rule, CASES[rule][0])
    assert first.rule == rule
    assert first.evidence_for
    assert all(sentence.endswith((".", "?")) for sentence in (*first.evidence_for, *first.evidence_against))
    assert first.next_measurement.endswith(".") or first.next_measurement.endswith("?")
    assert "{" not in first.title + first.next_measurement
    assert "local codes" in first.caution
    assert first.reading_numbers


@pytest.mark.parametrize(
    ("rule", "number"), [(rule, number) for rule, (_, near) in CASES.items() for number in range(len(near))]
)
def test_near_miss_gives_no_cause(rule, number):
    assert only(rule, CASES[rule][1][number]) == []


UNDECIDED = Confidence.UNDECIDED

# Confidence, and the readings that change it. Each pair differs by one reading.


def confidence(rule: str, readings: Case) -> Confidence:
    """Return the confidence beside the causes of all other rules, which may explain the same reading."""
    causes = diagnose(readings, shipped_rules()).causes
    return next(cause.confidence for cause in causes if cause.rule == rule)


CONFIDENCES = [
    # No drift explains 4.5 µF in place of 45. A drift explains 4.5 µF in place of 5 equally well.
    ("leads-across-both-sections", case(herm="4.52 uF", fan="5.01 uF"), "very likely"),
    ("leads-across-both-sections", case(fan="4.50 uF", herm="44.8 uF"), "possible"),
    ("leads-across-both-sections", case(fan="4.50 uF", herm="4.52 uF"), "very likely"),
    ("section-failed", case(herm="30.0 uF"), "likely"),
    # Outside its limits, so never called unlikely: moving a lead to C decides.
    ("section-failed", case(herm="4.52 uF", fan="5.01 uF"), UNDECIDED),
    ("section-weak", case(herm="40.0 uF"), "likely"),
    ("section-weak", case(herm="42.2 uF"), UNDECIDED),  # a close call
    ("section-weak", case(herm=["40.1 uF", "40.0 uF"]), "likely"),
    ("section-weak", case(herm=["44.9 uF", "40.0 uF"]), "possible"),
    ("section-shorted", case(herm="OL uF"), "possible"),
    ("section-shorted", case(herm="OL uF", herm_ohms="0.3 ohm"), "likely"),
    ("section-shorted", case(herm="OL uF", herm_ohms="OL Mohm"), "unlikely"),
    ("section-reads-high", case(herm="52.0 uF", herm_ohms="220 kohm"), "very likely"),
    ("section-reads-high", case(herm="52.0 uF", herm_ohms="OL Mohm"), "possible"),
    ("section-open", case(herm="0.03 uF"), "possible"),
    ("section-open", case(herm=["0.03 uF", "0.03 uF"]), "likely"),
    ("section-open", case(herm=["0.03 uF", "0.03 uF"], fan="5.01 uF"), "likely"),
    ("section-open", case(herm="45.2 nF"), UNDECIDED),
    (
        "low-only-under-load",
        case(60.0, herm="44.8 uF", herm_amps="4.00 A", herm_volts="370.0 V"),
        "likely",
    ),
    # 45 µF at 50 Hz, mistaken for 60 Hz: a sixth too little.
    (
        "low-only-under-load",
        case(60.0, herm="44.8 uF", herm_amps="5.23 A", herm_volts="370.0 V"),
        "possible",
    ),
    ("coil-open", case(coil="OL ohm"), "possible"),
    ("coil-open", case(coil=["OL ohm", "OL ohm"]), "likely"),
    ("coil-open", case(coil=["14.0 ohm", "OL ohm"]), UNDECIDED),
    ("coil-shorted-turns", case(coil="6.1 ohm"), "likely"),
    ("coil-shorted-turns", case(coil="6.1 ohm", secondary="18.0 V AC"), "likely"),
    ("coil-shorted-turns", case(coil="9.9 ohm"), UNDECIDED),
    # 9.2 Ω at -5 °C is 9.2·254.5/229.5 = 10.2 Ω at 20 °C.
    ("coil-shorted-turns", case(coil="9.2 ohm", coil_warmth="-5.0 degC"), "possible"),
    ("control-path-open", case(coil_volts="0.2 V AC", secondary="26.1 V AC"), "possible"),
    (
        "control-path-open",
        case(coil_volts=[after(0, "0.2 V AC"), after(7, "0.2 V AC")], secondary="26.1 V AC"),
        "likely",
    ),
    ("no-voltage-at-coil", case(coil_volts="0.2 V AC"), "possible"),
    ("no-voltage-at-coil", case(coil_volts=[after(0, "0.2 V AC"), after(7, "0.2 V AC")]), "likely"),
    ("no-control-supply", case(coil="14.0 ohm", secondary="0.3 V AC"), "very likely"),
    ("no-control-supply", case(coil="OL ohm", secondary="0.3 V AC"), "likely"),
    ("winding-grounded", case(ground="0.02 Mohm"), "likely"),
    ("winding-damp", case(ground="0.50 Mohm"), "likely"),
    ("line-voltage-at-control-coil", case(coil_volts="238.0 V AC"), "likely"),
    ("load-open", case(line="240.0 V AC", drop="0.05 V AC", motor_amps="0.0 A AC"), "likely"),
    ("load-open", case(line="240.0 V AC", drop="0.05 V AC", motor_amps="0.0 A AC", coil_volts="25.0 V AC"), "likely"),
    ("load-open", case(line="240.0 V AC", drop="0.05 V AC", motor_amps="0.0 A AC", coil_volts="0.1 V AC"), "possible"),
    ("winding-grounded", case(ground="0.02 Mohm", ground_s="0.02 Mohm"), "likely"),
    ("closed-part-open", case(float="OL ohm"), "possible"),  # probes in the air read the same
    ("closed-part-open", case(float=["OL ohm", "OL ohm"]), "likely"),
    ("closed-part-open", case(float=["0.2 ohm", "OL ohm"]), UNDECIDED),
    ("closed-part-open", case(fan_switch=["OL ohm", "OL ohm"]), "likely"),  # a switch of a fan is no winding
    ("closed-part-open", case(strip_limit=["OL ohm", "OL ohm"]), "likely"),  # a limit of a heater is no element
    ("motor-pair-open", case(high_speed=["OL ohm", "OL ohm"]), "likely"),
    ("motor-pair-open", case(high_speed=["12.1 ohm", "OL ohm"]), UNDECIDED),
    # Read twice it stays possible: some units switch the bus off while they rest.
    ("bus-without-voltage", case(line="240.0 V AC", bus=["0.2 V DC", "0.2 V DC"]), "possible"),
    ("bus-without-voltage", case(line="240.0 V AC", bus=["338.0 V DC", "0.2 V DC"]), "unlikely"),
    # One coincidence of two numbers is no proof; a winding that reads open beside it is.
    ("run-winding-carries-nothing", case(fan="4.98 uF", fan_amps="0.56 A AC", fan_lead="0.56 A AC"), "possible"),
    (
        "run-winding-carries-nothing",
        case(fan="4.98 uF", fan_cr="OL ohm", fan_amps="0.56 A AC", fan_lead="0.56 A AC"),
        "likely",
    ),
    # A motor with an open winding does not idle (a technician looks at the winding, not at the belt).
    ("amps-far-below", case(line="240.0 V AC", fan_amps="0.30 A AC"), "possible"),
    ("amps-far-below", case(line="240.0 V AC", fan_amps="0.30 A AC", fan_cr="OL ohm"), "unlikely"),
    ("start-contacts-open", case(relay_contacts="OL ohm"), "possible"),  # probes in the air read the same
    ("start-contacts-open", case(relay_contacts=["OL ohm", "OL ohm"]), "likely"),
    ("start-contacts-open", case(relay_contacts="OL ohm", relay_coil="3.00 kohm"), "possible"),
    ("start-contacts-open", case(relay_contacts=["0.1 ohm", "OL ohm"]), UNDECIDED),
    ("start-contacts-burnt", case(relay_contacts=["14.0 ohm", "14.1 ohm"]), "likely"),
    ("start-contacts-burnt", case(relay_contacts=["0.2 ohm", "14.1 ohm"]), UNDECIDED),
    ("start-capacitor-stays-in", case(start_amps="14.2 A AC"), "possible"),
    ("start-capacitor-stays-in", case(start_amps="14.2 A AC", rla="17.5 A AC"), "possible"),
    ("start-capacitor-stays-in", case(start_amps="14.2 A AC", relay_coil="OL ohm", rla="17.5 A AC"), "likely"),
    ("start-circuit-open", case(start_amps="0.0 A AC", rla="74.0 A AC"), "likely"),
    ("bleed-resistor-open", case(bleed="OL ohm"), "possible"),
    ("bleed-resistor-open", case(bleed=["OL ohm", "OL ohm"]), "likely"),
    ("bleed-resistor-open", case(start=["300.0 V DC"], bleed="OL ohm"), "likely"),
    ("heater-open", case(heater_ohms="OL ohm"), "possible"),
    ("heater-open", case(heater_ohms=["OL ohm", "OL ohm"], heater_amps="0.0 A AC"), "likely"),
    ("heater-open", case(heater_ohms=["5.7 ohm", "OL ohm"]), UNDECIDED),
    ("heater-takes-no-current", case(heater_amps="0.0 A AC", heater_volts="239.0 V AC"), "likely"),
    # The ohms contradict the clamp: perhaps it was not closed.
    (
        "heater-takes-no-current",
        case(heater_amps="0.0 A AC", heater_volts="239.0 V AC", heater_ohms="5.70 ohm"),
        "possible",
    ),
    ("heater-without-voltage", case(heater_volts="0.2 V AC", heater_ohms="5.70 ohm"), "likely"),
    ("heater-takes-too-little", case(heater_amps="20.8 A AC"), "likely"),
    ("heater-takes-too-little", case(heater_amps="20.8 A AC", heater_ohms="5.70 ohm"), "possible"),
    ("heater-takes-too-little", case(heater_amps="32.9 A AC"), UNDECIDED),
    ("heater-takes-too-much", case(heater_amps="60.0 A AC"), "likely"),
    ("heater-takes-too-much", case(heater_amps="60.0 A AC", heater_ohms="5.70 ohm"), "possible"),
    ("heater-takes-too-much", case(heater_amps="48.1 A AC"), UNDECIDED),
    ("heater-reads-high", case(heater_ohms="11.5 ohm"), "likely"),
    ("heater-reads-high", case(heater_ohms="6.41 ohm"), UNDECIDED),
    ("heater-reads-high", case(heater_ohms=["5.7 ohm", "11.5 ohm"]), "possible"),
    ("heater-reads-high", case(crankcase="1400 ohm"), "possible"),  # many are self-regulating
    ("heater-reads-low", case(heater_ohms="2.90 ohm"), "likely"),
    ("heater-reads-low", case(heater_ohms="4.89 ohm"), UNDECIDED),
    ("heater-reads-low", case(heater_ohms=["5.7 ohm", "2.90 ohm"]), "possible"),
    ("heater-reads-low", case(crankcase="400 ohm"), "possible"),
    ("contact-not-part", case(herm=["44.8 uF", "38.0 uF"]), "likely"),
    ("contact-not-part", case(herm=["44.8 uF", "38.0 uF", "44.8 uF"]), "possible"),
    ("contact-not-part", case(coil=["9.0 ohm", "8.5 ohm", "8.0 ohm"]), UNDECIDED),
    ("voltage-where-isolated", case(absence="239.0 V AC", line="240.0 V AC"), "very likely"),
    ("voltage-where-isolated", case(absence=["60.0 V AC", "0.1 V AC"]), "possible"),
    ("contacts-not-closed", case(drop="239 V AC", line="240 V AC", coil_volts="25.0 V AC"), "likely"),
    # The contactor's coil moves no sequencer.
    ("contacts-not-closed", case(strip_drop="239 V AC", line="240 V AC", coil_volts="25.0 V AC"), "possible"),
    ("contacts-not-closed", case(strip_drop="239 V AC", line="240 V AC", sequencer_volts="25.0 V AC"), "likely"),
    # A capacitor's own lead without current is an open capacitor, not an open load; a heater is a load.
    ("load-open", case(line="240.0 V AC", strip_drop="0.05 V AC", strip_amps="0.0 A AC"), "likely"),
    ("contacts-not-closed", case(drop="239 V AC", line="240 V AC", coil_volts="0.1 V AC"), UNDECIDED),
    ("supply-low", case(line="170.0 V AC", secondary="18.6 V AC"), "very likely"),
    ("supply-low", case(line="170.0 V AC", secondary="24.0 V AC"), "likely"),
    # The transformer of a split system is in the indoor unit: its voltage says nothing of the line here.
    ("supply-low", case(line="170.0 V AC", coil_volts="18.6 V AC"), "likely"),
    ("supply-low", case(line="170.0 V AC", secondary="18.6 V AC", primary="238.0 V AC"), "likely"),
    ("supply-low", case(line="170.0 V AC", secondary="18.6 V AC", primary="171.0 V AC"), "very likely"),
    ("supply-missing", case(line="1.1 V AC", coil_volts="26.0 V AC"), "likely"),
    ("supply-missing", case(line="1.1 V AC", secondary="26.0 V AC"), "possible"),
    ("supply-sags", case(line="245.0 V AC", line_loaded="192.0 V AC"), "likely"),
    ("supply-sags", case(line="245.0 V AC", blade="20.0 V AC", line_loaded="192.0 V AC"), "likely"),  # and elsewhere
    ("voltage-lost-across", case(line="245.0 V AC", blade="20.0 V AC", line_loaded="192.0 V AC"), "likely"),
    ("voltage-lost-across", case(line="245.0 V AC", blade="41.3 V AC", line_loaded="192.0 V AC"), "very likely"),
    ("supply-sags", case(line="245.0 V AC", line_loaded="222.0 V AC", rated_amps="72.0 A AC"), "possible"),
    # Two legs of a wye have 120 V of 208 V to ground, those of a sagging 240 V service 104 V (textbook).
    ("transformer-on-240-tap", case(line="208.0 V AC", secondary="21.9 V AC"), "likely"),
    (
        "transformer-on-240-tap",
        case(line="208.0 V AC", secondary="21.9 V AC", l1_ground="120.0 V AC", l2_ground="120.0 V AC"),
        "very likely",
    ),
    (
        "transformer-on-240-tap",
        case(line="208.0 V AC", secondary="21.9 V AC", l1_ground="104.0 V AC", l2_ground="104.0 V AC"),
        "possible",
    ),
    ("transformer-on-208-tap", case(line="240.0 V AC", secondary="27.8 V AC"), "possible"),  # or only without load
    ("transformer-on-208-tap", case(line="240.0 V AC", secondary="29.4 V AC"), "likely"),
    ("leg-low", case(line="218.0 V AC", l1_ground="120.0 V AC", l2_ground="98.0 V AC"), "possible"),
    (
        "leg-low",
        case(line="245.0 V AC", line_loaded="218.0 V AC", l1_ground="120.0 V AC", l2_ground="98.0 V AC"),
        "likely",
    ),
    # Marked: 72 of 77 A. Unmarked: only several times the rated amps, which proves less.
    ("locked-mechanically", case(herm="44.8 uF", line_loaded="231.0 V AC", rated_amps="72.0 A AC"), "very likely"),
    ("locked-mechanically", case(rated_amps="72.0 A AC"), "likely"),
    ("locked-mechanically", case(unmarked_amps="72.0 A AC"), "possible"),
    ("locked-mechanically", case(herm="30.0 uF", rated_amps="72.0 A AC"), "possible"),
    ("locked-mechanically", case(herm="30.0 uF", unmarked_amps="72.0 A AC"), "unlikely"),
    ("locked-mechanically", case(line_loaded="180.0 V AC", unmarked_amps="62.0 A AC"), "unlikely"),
    ("locked-mechanically", case(cs="OL ohm", unmarked_amps="62.0 A AC"), UNDECIDED),
    ("locked-mechanically", case(amps_1="99 A AC", amps_2="99 A AC", amps_3="0.2 A AC"), "unlikely"),
    ("locked-by-capacitor", case(herm="30.0 uF", rated_amps="72.0 A AC"), "very likely"),
    ("locked-by-capacitor", case(herm="30.0 uF", unmarked_amps="72.0 A AC"), "likely"),
    # 39 µF of 45 leave 87 % of the torque, and it starts at about 56 % (common practice, no source).
    ("locked-by-capacitor", case(herm="39.0 uF", rated_amps="72.0 A AC"), "likely"),
    ("locked-mechanically", case(herm="39.0 uF", line="231.0 V AC", rated_amps="72.0 A AC"), "likely"),
    # Low only under the load of a locked rotor: either may be the cause.
    ("locked-by-low-supply", case(line="236.0 V", line_loaded="180.0 V AC", rated_amps="62.0 A AC"), "possible"),
    ("locked-by-low-supply", case(herm="39.0 uF", line_loaded="180.0 V AC", rated_amps="62.0 A AC"), "possible"),
    ("locked-by-capacitor", case(herm="30.0 uF", unmarked_amps="62.0 A AC", line_loaded="180.0 V AC"), "possible"),
    ("locked-by-capacitor", case(herm="30.0 uF", unmarked_amps="62.0 A AC", cs="OL ohm"), "possible"),
    ("locked-by-low-supply", case(rated_amps="62.0 A AC", line_loaded="180.0 V AC"), "likely"),
    ("locked-by-low-supply", case(herm="30.0 uF", unmarked_amps="62.0 A AC", line_loaded="180.0 V AC"), "unlikely"),
    ("locked-by-low-supply", case(cs="OL ohm", unmarked_amps="62.0 A AC", line_loaded="180.0 V AC"), UNDECIDED),
    ("amps-high-weak-capacitor", case(fan="3.90 uF", fan_amps="1.60 A AC"), "likely"),
    ("amps-high-weak-capacitor", case(fan="3.90 uF", fan_amps="1.11 A AC"), "possible"),
    ("amps-high-weak-capacitor", case(fan="3.90 uF", fan_amps="1.60 A AC", line="180.0 V AC"), "possible"),
    ("amps-high-low-supply", case(line_loaded="180.0 V AC", rated_amps="18.0 A AC"), "likely"),
    ("amps-high-low-supply", case(line_loaded="180.0 V AC", rated_amps="14.2 A AC"), "possible"),
    ("amps-high-low-supply", case(line="180.0 V AC", rated_amps="18.0 A AC", herm="30.0 uF"), "possible"),
    ("amps-high-by-load", case(rated_amps="18.0 A AC"), "possible"),
    ("amps-high-by-load", case(herm="44.8 uF", line_loaded="231.0 V AC", rated_amps="18.0 A AC"), "likely"),
    ("amps-high-by-load", case(rated_amps="14.2 A AC"), UNDECIDED),
    ("amps-high-by-load", case(cs_sheet="2.90 ohm", rated_amps="18.0 A AC"), UNDECIDED),
    ("draws-no-current", case(line="240.0 V AC", rated_amps="0.0 A AC"), "possible"),
    (
        "draws-no-current",
        case(line="240.0 V AC", fan_amps="1.00 A AC", rated_amps="0.0 A AC", coil_volts="25.0 V AC"),
        "likely",
    ),
    # A defrost stops the outdoor fan while the compressor runs (common practice, no source).
    (
        "draws-no-current",
        case(line="240.0 V AC", fan_amps="0.00 A AC", rated_amps="12.0 A AC", coil_volts="25.0 V AC"),
        "possible",
    ),
    ("draws-no-current", case(line="240.0 V AC", fan_amps="0.00 A AC", coil_volts="0.1 V AC"), "unlikely"),
    ("supply-low", case(line="186.9 V AC"), "possible"),
]


@pytest.mark.parametrize(("rule", "readings", "word"), CONFIDENCES)
def test_confidence(rule, readings, word):
    assert confidence(rule, readings) == word


# (rule, weighted fact, readings for which it holds), for the facts that the table above does not cover.
WEIGHTED = [
    ("voltage-where-isolated", "the voltage was read more than once", case(absence=["60.0 V AC", "61.0 V AC"])),
    ("charge-on-capacitor", "the voltage was read more than once", case(herm=["300.0 V DC", "299.0 V DC"])),
    ("charge-on-capacitor", "the newest reading shows no voltage", case(herm=["300.0 V DC", "0.02 V DC"])),
    ("leads-across-both-sections", "an earlier reading of it agrees", case(herm=["4.52 uF", "4.52 uF"], unread=[])),
    ("probe-on-the-other-section", "both sections read the same", case(herm="5.02 uF", fan="5.03 uF")),
    ("both-sections-equally-low", "it is a close call", case(herm="42.0 uF", alike="37.3 uF")),
    ("section-weak", "it reads the series value of both sections", case(fan="4.50 uF", herm="44.8 uF")),
    ("section-weak", "it reads the value of the other section", case(herm="40.0 uF", alike="39.9 uF")),
    ("section-weak", "the other section is low by the same percentage", case(herm="40.0 uF", alike="35.5 uF")),
    ("section-weak", "it was replaced at this visit", replaced(case(herm="40.0 uF"))),
    ("section-failed", "it was replaced at this visit", replaced(case(herm="30.0 uF"))),
    ("section-open", "it was replaced at this visit", replaced(case(herm="0.03 uF"))),
    ("section-shorted", "it was replaced at this visit", replaced(case(herm="OL uF"))),
    ("section-reads-high", "it was replaced at this visit", replaced(case(herm="52.0 uF"))),
    (
        "new-part-outside",
        "the new part reads the same as the old one",
        replaced(case(herm=["38.2 uF", "38.1 uF"]), after_number=1),
    ),
    ("start-contacts-open", "its relay coil conducts", case(relay_contacts="OL ohm", relay_coil="3.00 kohm")),
    ("start-capacitor-stays-in", "its motor runs", case(start_amps="14.2 A AC", rla="17.5 A AC")),
    (
        "start-capacitor-stays-in",
        "its relay coil reads overload",
        case(start_amps="14.2 A AC", relay_coil_bare="OL ohm"),
    ),
    ("heater-open", "no current flows in it", case(heater_ohms="OL ohm", heater_amps="0.0 A AC")),
    (
        "heater-takes-too-little",
        "its resistance is above its high limit",
        case(heater_amps="20.8 A AC", heater_ohms="11.5 ohm"),
    ),
    (
        "heater-takes-too-much",
        "its resistance is below its low limit",
        case(heater_amps="60.0 A AC", heater_ohms="2.9 ohm"),
    ),
    (
        "heater-without-voltage",
        "its resistance is within its limits",
        case(heater_volts="0.2 V AC", heater_ohms="5.70 ohm"),
    ),
    ("heater-reads-high", "an earlier reading of its resistance agrees", case(heater_ohms=["11.5 ohm", "11.6 ohm"])),
    ("heater-reads-low", "an earlier reading of its resistance agrees", case(heater_ohms=["2.9 ohm", "2.9 ohm"])),
    ("section-failed", "an earlier reading of it agrees", case(herm=["30.0 uF", "30.0 uF"])),
    (
        "section-failed",
        "its capacitance under load is below its low limit",
        case(60.0, herm="30.0 uF", herm_amps="4.00 A", herm_volts="370.0 V"),
    ),
    ("section-failed", "its readings differ", case(herm=["44.9 uF", "30.0 uF"])),
    ("section-failed", "it reads the value of the other section", case(herm="5.02 uF", fan="5.03 uF")),
    ("section-failed", "the other section is low by the same percentage", case(herm="30.0 uF", alike="26.7 uF")),
    ("section-open", "its readings differ", case(herm=["44.9 uF", "0.03 uF"])),
    ("section-shorted", "an earlier reading of it agrees", case(herm=["OL uF", "OL uF"])),
    ("section-reads-high", "it is a close call", case(herm="47.9 uF")),
    ("section-reads-high", "it reads the value of the other section", case(fan="45.1 uF", herm="44.9 uF")),
    ("section-reads-high", "its readings differ", case(herm=["44.9 uF", "52.0 uF"])),
    (
        "low-only-under-load",
        "it is a close call",
        case(60.0, herm="42.5 uF", herm_amps="4.00 A", herm_volts="370.0 V"),
    ),
    ("coil-open", "voltage reaches it", case(coil="OL ohm", coil_volts="25.0 V AC")),
    ("coil-shorted", "an earlier reading of its resistance agrees", case(coil=["0.3 ohm", "0.3 ohm"])),
    ("coil-shorted", "its control supply has no voltage", case(coil="0.3 ohm", secondary="0.2 V AC")),
    ("coil-shorted", "its control supply is low", case(coil="0.3 ohm", secondary="15.0 V AC")),
    ("coil-shorted", "readings of its resistance differ", case(coil=["14.0 ohm", "0.3 ohm"])),
    ("coil-shorted-turns", "an earlier reading of its resistance agrees", case(coil=["6.1 ohm", "6.1 ohm"])),
    ("coil-shorted-turns", "its control supply has no voltage", case(coil="6.1 ohm", secondary="0.2 V AC")),
    ("coil-shorted-turns", "readings of its resistance differ", case(coil=["14.0 ohm", "6.1 ohm"])),
    ("coil-reads-high", "readings of its resistance differ", case(coil=["14.0 ohm", "60.0 ohm"])),
    ("coil-reads-high", "its resistance is clearly outside its limits", case(coil="60.0 ohm")),
    ("coil-reads-high", "its resistance is a close call", case(coil="18.1 ohm", coil_warmth="20.0 degC")),
    ("coil-reads-high", "a warm coil would explain it", case(coil="22.0 ohm")),
    ("coil-possibly-warm", "voltage reaches it", case(coil="22.0 ohm", coil_volts="25.0 V AC")),
    ("no-control-supply", "no voltage reaches it", case(coil_volts="0.2 V AC", secondary="0.2 V AC")),
    ("no-control-supply", "voltage reaches it", case(coil_volts="25.0 V AC", secondary="0.2 V AC")),
    ("transformer-open", "voltage reaches it", case(coil_volts="25 V AC", secondary="0.2 V AC", primary="238 V AC")),
    (
        "control-path-open",
        "its resistance is within its limits",
        case(coil="14.0 ohm", coil_volts="0.2 V AC", secondary="26.0 V AC"),
    ),
    ("no-voltage-at-coil", "its resistance is within its limits", case(coil="14.0 ohm", coil_volts="0.2 V AC")),
    ("control-voltage-sags", "its resistance is within its limits", case(coil="14.0 ohm", coil_volts="17.0 V AC")),
    ("control-voltage-sags", "its control supply is low", case(coil_volts="17.0 V AC", secondary="18.0 V AC")),
    ("control-voltage-sags", "its resistance is below its low limit", case(coil="6.1 ohm", coil_volts="17.0 V AC")),
    (
        "control-voltage-lost-on-the-way",
        "its resistance is within its limits",
        case(coil="14.0 ohm", coil_volts="18.2 V AC", secondary="26.8 V AC"),
    ),
    (
        "control-voltage-lost-on-the-way",
        "its resistance is below its low limit",
        case(coil="6.1 ohm", coil_volts="18.2 V AC", secondary="26.8 V AC"),
    ),
    (
        "voltage-lost-across",
        "the voltage across it is above its limit",
        case(line="245 V", blade="41.3 V", line_loaded="192 V"),
    ),
    ("closed-path-drops", "the voltage across it is a close call", case(fuse="0.21 V AC", line="240.0 V AC")),
    (
        "draws-no-current",
        "voltage reaches the contactor's coil",
        case(line="240.0 V AC", fan_amps="0.00 A AC", coil_volts="25.0 V AC"),
    ),
    ("contacts-worn", "their voltage drop is a close call", case(drop="0.21 V AC")),
    # 240 V are wanted at a coil for 240 V, and 26 V hardly move it: the coil is the cause, not the contacts.
    (
        "contacts-not-closed",
        "the coil that moves them reads open or outside its limits",
        case(drop="239.0 V AC", line="240.0 V AC", coil="1200 ohm", coil_volts="26.0 V AC"),
    ),
    # At low voltage a motor does not start and its protector opens; the supply is the cause (textbook: torque ∝ U²).
    (
        "load-open",
        "a line supply is low or has no voltage",
        case(line="170.0 V AC", drop="0.05 V AC", motor_amps="0.0 A AC"),
    ),
    # With an open capacitor, or shorted turns, a motor does not start either (textbook: no torque at standstill).
    (
        "load-open",
        "another fault of their motor keeps it off",
        case(line="240.0 V AC", drop="0.05 V AC", motor_amps="0.0 A AC", herm="0.03 uF"),
    ),
    (
        "load-open",
        "another fault of their motor keeps it off",
        case(
            line="240.0 V AC",
            drop="0.05 V AC",
            motor_amps="0.0 A AC",
            t1t2="1.34 ohm",
            t2t3="1.60 ohm",
            t1t3="1.34 ohm",
        ),
    ),
    (
        "load-open",
        "another fault of their motor keeps it off",
        case(line="240.0 V AC", drop="0.05 V AC", motor_amps="0.0 A AC", relay_contacts="OL ohm"),
    ),
    ("supply-high", "the high line supply is a close call", case(line="254.0 V AC")),
    ("supply-low", "the line supply fell under load", case(line="240.0 V AC", line_loaded="180.0 V AC")),
    # 45 µF at 60 Hz, mistaken for 50 Hz: a fifth too much.
    (
        "clamp-around-another-wire",
        "the other mains frequency would explain it",
        case(50.0, herm="44.8 uF", herm_amps="6.28 A", herm_volts="370.0 V"),
    ),
    *(
        (rule, "an earlier reading of every open pair agrees", case(cs=cs, cr=cr, rs=rs))
        for rule, cs, cr, rs in (
            ("overload-open", ["OL ohm"] * 2, ["OL ohm"] * 2, "5.0 ohm"),
            ("start-winding-open", ["OL ohm"] * 2, "1.0 ohm", ["OL ohm"] * 2),
            ("run-winding-open", "4.0 ohm", ["OL ohm"] * 2, ["OL ohm"] * 2),
            ("nothing-conducts", ["OL ohm"] * 2, ["OL ohm"] * 2, ["OL ohm"] * 2),
            ("probe-off-a-pin", "4.0 ohm", "1.0 ohm", ["OL ohm"] * 2),
        )
    ),
    (
        "winding-grounded",
        "another terminal reads no path to ground",
        case(ground="0.02 Mohm", ground_s="OL Mohm", cs="4.0 ohm", cr="1.0 ohm"),
    ),
    (
        "winding-damp",
        "another terminal reads no path to ground",
        case(ground="0.20 Mohm", ground_s="OL Mohm", cs="4.0 ohm", cr="1.0 ohm"),
    ),
    ("sum-too-high", "a winding reads almost zero", case(cs="4.60 ohm", cr="0.05 ohm", rs="3.00 ohm")),
    ("winding-shorted", "C–S plus C–R equals R–S", case(cs="4.00 ohm", cr="0.08 ohm", rs="4.05 ohm")),
    ("winding-shorted", "C–S plus C–R is more than R–S", case(cs="4.60 ohm", cr="0.08 ohm", rs="3.00 ohm")),
    ("winding-shorted", "C–S plus C–R is less than R–S", case(cs="4.00 ohm", cr="0.08 ohm", rs="6.00 ohm")),
    ("winding-shorted-turns", "C–S plus C–R equals R–S", case(cs_sheet="2.90 ohm", cr="1.00 ohm", rs="3.92 ohm")),
    ("winding-shorted-turns", "a winding outside its limits is a close call", case(cs_sheet="3.58 ohm")),
    ("winding-shorted-turns", "C–S plus C–R is less than R–S", case(cs_sheet="2.9 ohm", cr="1.0 ohm", rs="6.0 ohm")),
    ("winding-reads-high", "C–S plus C–R is more than R–S", case(cs_sheet="5.5 ohm", cr="1.6 ohm", rs="5.0 ohm")),
    ("winding-reads-high", "C–S plus C–R is less than R–S", case(cs_sheet="5.5 ohm", cr="1.0 ohm", rs="9.0 ohm")),
    ("winding-reads-high", "a winding outside its limits is a close call", case(cs_sheet="4.42 ohm")),
    ("start-and-run-mixed-up", "a winding reads below its low limit", case(cs_sheet="1.00 ohm", cr="4.00 ohm")),
    (
        "three-phase-all-open",
        "no current was read in its circuit",
        case(t1t2="OL ohm", t2t3="OL ohm", t1t3="OL ohm", motor_amps="0.00 A AC"),
    ),
    *(
        (rule, "an earlier reading of each pair agrees", phases(*texts, times=2))
        for rule, texts in (
            ("three-phase-all-open", ("OL ohm", "OL ohm", "OL ohm")),
            ("three-phase-winding-open", ("OL ohm", "OL ohm", "1.60 ohm")),
            ("three-phase-probe-off", ("OL ohm", "1.60 ohm", "1.60 ohm")),
            ("three-phase-unequal", ("1.34 ohm", "1.60 ohm", "1.34 ohm")),
            ("three-phase-delta-open", ("2.40 ohm", "2.40 ohm", "4.80 ohm")),
            ("three-phase-shorted", ("0.05 ohm", "1.60 ohm", "1.60 ohm")),
        )
    ),
]


def without(rule: str, statement: str) -> Rule:
    complete = RULES[rule]
    return replace(
        complete,
        evidence_for=tuple(item for item in complete.evidence_for if item[0].statement != statement),
        evidence_against=tuple(item for item in complete.evidence_against if item[0].statement != statement),
    )


def scores(rule: Rule, readings: Case) -> dict[str, int]:
    return {cause.title: cause.score for cause in diagnose(readings, (rule,)).causes}


@pytest.mark.parametrize(("rule", "statement", "readings"), WEIGHTED)
def test_a_weighted_fact_raises_or_lowers_the_score(rule, statement, readings):
    with_fact, without_fact = scores(RULES[rule], readings), scores(without(rule, statement), readings)
    is_for = any(fact.statement == statement for fact, _ in RULES[rule].evidence_for)
    changes = [with_fact[title] - without_fact[title] for title in without_fact]
    assert any(change > 0 if is_for else change < 0 for change in changes)


def test_every_weighted_fact_has_readings_that_show_its_weight():
    weighted = {(rule, statement) for rule, statement, _ in WEIGHTED}
    for key, rule in RULES.items():
        for fact, _ in (*rule.evidence_for, *rule.evidence_against):
            cases = [readings for other_key, readings, _ in CONFIDENCES if other_key == key]
            matters = any(scores(rule, entry) != scores(without(key, fact.statement), entry) for entry in cases)
            assert matters or (key, fact.statement) in weighted, f"{key}: {fact.statement}"


def test_every_need_and_every_exclusion_has_a_near_miss_that_depends_on_it():
    for key, (_, near) in CASES.items():
        rule = RULES[key]
        for fact in (*rule.needs, *rule.unless):
            looser = replace(
                rule,
                needs=tuple(other for other in rule.needs if other is not fact),
                unless=tuple(other for other in rule.unless if other is not fact),
            )
            assert any(diagnose(readings, (looser,)).causes for readings in near), f"{key}: {fact.statement}"


@pytest.mark.parametrize(
    ("rule", "readings"),
    [
        # A plan may leave the limits open; its circuit is named as one of 24 V. An overload on volts is above it, too.
        ("line-voltage-at-control-coil", case(bare_coil_volts="238.0 V AC")),
        ("line-voltage-at-control-coil", case(coil_volts="OL V")),
        ("line-voltage-in-control-circuit", case(bare_secondary="118.0 V AC")),
        ("live-frame", case(frame="OL V")),
    ],
)
def test_line_voltage_where_none_belongs_stops_the_work(rule, readings):
    (cause,) = only(rule, readings)
    assert cause.kind == "stop"
    assert diagnose(readings, tuple(RULES.values())).summary.startswith("Stop:")


def test_low_insulation_says_not_to_run_the_motor():
    for rule, ohms in (("winding-grounded", "0.02 Mohm"), ("winding-damp", "0.20 Mohm")):
        (cause,) = only(rule, case(ground=ohms))
        assert cause.next_measurement.startswith("Do not run the compressor motor")


def test_low_battery_makes_a_part_less_likely():
    (low_battery,) = only("coil-shorted-turns", case(coil=("6.1 ohm", {"low_battery": True})))
    (good_battery,) = only("coil-shorted-turns", case(coil="6.1 ohm"))
    assert low_battery.score == good_battery.score - 1
    assert any("battery" in sentence for sentence in low_battery.evidence_against)


def test_voltage_on_the_terminals_makes_a_part_less_likely():
    (with_voltage,) = only("coil-shorted-turns", case(coil=["31.0 V AC", "6.1 ohm"]))
    (isolated,) = only("coil-shorted-turns", case(coil="6.1 ohm"))
    assert with_voltage.score == isolated.score - 2


def test_next_measurement_depends_on_unknown_facts():
    (early,) = only("control-path-open", case(coil_volts="0.2 V AC", secondary="26.1 V AC"))
    waited = [after(0, "0.2 V AC"), after(7, "0.2 V AC")]
    (late,) = only("control-path-open", case(coil_volts=waited, secondary="26.1 V AC"))
    assert "after six" in early.next_measurement
    assert "thermostat's contacts" in late.next_measurement


def test_volts_lost_on_the_way_to_a_coil_are_not_looked_for_at_the_secondary_again() -> None:
    # 26.8 V leave the transformer and 18.2 V arrive: the 8.6 V stand across what lies between (Kirchhoff).
    readings = case(secondary="26.8 V AC", coil_volts="18.2 V AC")
    (lost,) = only("control-voltage-lost-on-the-way", readings)
    assert lost.next_measurement.endswith("that proves the repair.")
    assert only("control-voltage-sags", readings) == []
    (unread,) = only("control-voltage-sags", case(coil_volts="18.2 V AC"))
    assert unread.next_measurement.startswith("Read volts at")


@pytest.mark.parametrize(
    ("rule", "readings"),
    [
        ("contacts-worn", case(drop="0.62 V AC", line="240.0 V AC")),
        ("contacts-not-closed", case(drop="239 V AC", line="240 V AC", coil_volts="25.0 V AC")),
    ],
)
def test_advice_on_contacts_ends_in_a_replacement_and_its_proof(rule: str, readings: Case) -> None:
    # Worn or open contacts are replaced with the contactor: common practice, no source.
    (cause,) = only(rule, readings)
    assert "verify absence of voltage, and replace the contactor" in cause.next_measurement
    assert cause.next_measurement.endswith("proves the repair.")


def test_ground_minimum_is_a_setting():
    readings = case(ground_bare="1.50 Mohm")
    assert only("winding-damp", readings) == []
    stricter = replace(readings, ground_minimum=Amount(Decimal(2), "MΩ"))
    assert len(only("winding-damp", stricter)) == 1


def test_the_limit_of_a_test_point_replaces_the_ground_minimum():
    readings = replace(case(ground="1.50 Mohm"), ground_minimum=Amount(Decimal(2), "MΩ"))
    assert only("winding-grounded", readings) == only("winding-damp", readings) == []


@pytest.mark.parametrize(
    ("rule", "readings", "replace_it"),
    [
        # Clearly outside and read twice: nothing is left to measure on the old part. Common practice, no source.
        ("section-weak", case(herm=["41.0 uF", "40.9 uF"]), False),  # outside, but within this meter's error
        ("section-weak", case(herm=["40.0 uF", "39.9 uF"]), True),
        ("section-weak", case(herm="39.9 uF"), False),
        ("section-weak", case(herm=[by("one", "40.0 uF"), by("two", "39.6 uF")]), True),  # two meters agree
        ("section-failed", case(herm=["30.1 uF", "30.0 uF"]), True),
        ("section-failed", case(herm="30.0 uF"), False),
        ("section-failed", case(herm=["20.0 uF", "30.0 uF"]), False),  # readings that differ decide nothing
        # 45 and 5 µF in series make 4.5 µF, however often it is read: move a lead to C first.
        ("section-weak", case(fan=["4.50 uF", "4.50 uF"], herm="44.8 uF"), False),
        # A meter with a low battery condemns nothing.
        ("section-weak", case(herm=["40.0 uF", ("39.9 uF", {"low_battery": True})]), False),
        # The other section proves the meter and C; without it a probe may have missed its terminal twice.
        ("section-open", case(herm=["0.03 uF", "0.03 uF"], fan="5.01 uF"), True),
        ("section-open", case(herm=["0.03 uF", "0.03 uF"]), False),
        # A new part that reads outside is not replaced again before rating, wiring and meter are checked.
        ("section-weak", replaced(case(herm=["40.0 uF", "39.9 uF"])), False),
    ],
)
def test_advice_on_a_section_ends_in_replace_once_nothing_is_left_to_measure(
    rule: str, readings: Case, replace_it: bool
) -> None:
    (cause, *_) = only(rule, readings)
    assert cause.next_measurement.startswith("Replace the part") is cause.is_decided is replace_it
    if replace_it:
        assert "proves the repair" in cause.next_measurement
        assert "Discharge" in cause.next_measurement


def test_a_second_meter_makes_a_reading_clearly_outside() -> None:
    # 41.0 µF is 1.3 µF below the limit. One meter may be off by 1.6 µF; a second one that reads about the same, and is
    # good to 0.5 % and 2 digits, leaves 0.4 µF. Common practice, no source: who doubts a meter takes another one.
    fine = {"accuracy": AccuracyLine(Decimal("0.5"), Decimal(2))}
    alone = only("section-weak", case(herm="41.0 uF"))[0]
    both = only("section-weak", case(herm=[("41.1 uF", {"meter": "two"} | fine), "41.0 uF"]))[0]
    again = only("section-weak", case(herm=["41.1 uF", "41.0 uF"]))[0]
    assert not any("outside by more than the error" in text for text in (*alone.evidence_for, *again.evidence_for))
    assert any("outside by more than the error of up to 0.3" in text for text in both.evidence_for)


def test_a_short_is_condemned_only_with_every_wire_off() -> None:
    """A winding in parallel reads a few ohms, and a meter shows overload on its capacitance (textbook)."""
    (cause,) = only("section-shorted", case(herm="OL uF", herm_ohms="0.3 ohm"))
    assert cause.is_decided
    assert cause.next_measurement.startswith("If every wire was off for both readings, replace the part")


def test_two_meters_are_named_where_they_agree() -> None:
    (cause,) = only("section-weak", case(herm=[by("one", "40.0 uF"), by("two", "39.6 uF")]))
    assert "An earlier reading there with another meter (one), 40.0 µF, agrees." in cause.evidence_for


# Start circuits and heaters


def test_the_coil_of_a_start_relay_is_a_coil():
    """Open, it never takes the start capacitor out; its voltage comes from the motor, not from a control supply."""
    for readings in (case(relay_coil="OL ohm"), case(relay_coil_bare="OL ohm")):
        (cause,) = only("coil-open", readings)
        assert "relay coil is open" in cause.title
    assert only("no-voltage-at-coil", case(relay_coil="3.00 kohm", relay_coil_volts="0.2 V AC")) == []
    assert only("start-up-delay", case(relay_coil_volts="0.2 V AC")) == []


def test_the_contacts_of_a_start_relay_are_open_at_work():
    """With the motor running they carry the voltage of the start winding: no fault."""
    causes = diagnose(case(line="240.0 V AC", relay_drop="210.0 V AC"), shipped_rules()).causes
    assert causes == ()


def test_a_potential_relay_is_condemned_once_nothing_is_left_to_measure():
    (cause,) = only("start-contacts-open", case(relay_contacts=["OL ohm", "OL ohm"], relay_coil="3.00 kohm"))
    assert cause.is_decided
    assert cause.next_measurement.startswith("If it is a potential relay, replace it")
    assert "proves the repair" in cause.next_measurement
    (once,) = only("start-contacts-open", case(relay_contacts="OL ohm", relay_coil="3.00 kohm"))
    assert "those of a current relay are open" in once.next_measurement


def test_a_start_capacitor_that_stays_in_is_switched_off_first():
    for readings in (
        case(start_amps="14.2 A AC"),
        case(start_amps="14.2 A AC", relay_coil="3.00 kohm"),
        case(start_amps="14.2 A AC", relay_coil="3.00 kohm", rla="17.0 A AC"),
    ):
        (cause,) = only("start-capacitor-stays-in", readings)
        assert cause.next_measurement.startswith("Switch off at once")
    assert "Replace the relay" in cause.next_measurement


def test_the_bleed_resistor_of_a_start_capacitor_is_no_leak():
    """15 kΩ across it is there by design: common practice, no source. 220 Ω is not."""
    start = replace(POINTS["start"], specification=span("88", "108", "µF"))
    for ohms, leaks in (("15.0 kohm", False), ("220 ohm", True)):
        readings = tuple(
            PointReadings(test_point, (observation(test_point, text, number),))
            for number, (test_point, text) in enumerate(((start, "140 uF"), (POINTS["start_ohms"], ohms)))
        )
        (cause,) = diagnose(Case(readings), (RULES["section-reads-high"],)).causes
        assert any("resistance across" in sentence for sentence in cause.evidence_for) is leaks


def test_a_start_capacitor_is_judged_by_its_marked_range():
    start = replace(POINTS["start"], specification=span("88", "108", "µF"))
    for text, rule in (
        ("88.0 uF", None),
        ("87.0 uF", "section-weak"),
        ("60.0 uF", "section-weak"),
        ("0.03 uF", "section-open"),
    ):
        readings = Case((PointReadings(start, (observation(start, text, 1),)),))
        assert [cause.rule for cause in diagnose(readings, shipped_rules()).causes] == ([rule] if rule else [])


def test_no_current_in_a_start_capacitor_is_right_once_the_motor_runs():
    diagnosis = diagnose(case(start_amps="0.0 A AC", rla="14.0 A AC"), shipped_rules())
    assert (diagnosis.causes, diagnosis.notes) == ((), ())


def test_a_heater_to_the_frame_is_insulation():
    heater = point("defrost", "defrost heater", "H1-GND", R, OFF, PointKind.INSULATION, span("1", None, "MΩ"))
    readings = Case((PointReadings(heater, (observation(heater, "0.20 Mohm", 1),)),))
    (cause,) = diagnose(readings, shipped_rules()).causes
    assert cause.next_measurement.startswith("Do not run the defrost heater before it is dried or proven.")


def test_a_measurement_of_live_parts_has_its_caution():
    """The next measurement may be of live parts although the decision needs an isolated circuit."""
    (too_little,) = only("heater-takes-too-little", case(heater_amps="20.8 A AC"))
    assert "while it heats" in too_little.next_measurement
    assert "its terminals are live" in too_little.caution
    (stays_in,) = only("start-capacitor-stays-in", case(start_amps="14.2 A AC", relay_coil="3.00 kohm"))
    assert "next start" in stays_in.next_measurement
    assert "live parts" in stays_in.caution
