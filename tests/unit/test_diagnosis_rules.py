"""Every rule by itself: readings that give its cause, and similar readings that must not."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from meterlink.core.equipment import CircuitState, PointKind, Span, TestPoint
from meterlink.core.readings import Coupling
from meterlink.core.units import BASE_UNIT, Amount, Quantity, parse_amount, quantity_of
from meterlink.diagnosis.causes import Cause, Confidence
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, Observation, PointReadings, observe
from meterlink.diagnosis.rules import Rule
from meterlink.judge.judging import MeasuredValue
from meterlink.station.rules import shipped_rules
from support.points import point, rated, span

C, R, V, T = Quantity.CAPACITANCE, Quantity.RESISTANCE, Quantity.VOLTAGE, Quantity.TEMPERATURE
OFF, ON = CircuitState.ISOLATED, CircuitState.ENERGIZED
RULES = {rule.key: rule for rule in shipped_rules()}


CONTROL_VOLTS = span("20.4", "26.4", "V")
LINE_VOLTS = Span(Decimal("187.2"), Decimal(253), "V")
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
    "coil_warmth": point("control 24 V", "contactor coil", "skin-bead", T, OFF, PointKind.RANGE),
    "secondary": point(
        "control 24 V", "control transformer", "R-C", V, ON, PointKind.RANGE, CONTROL_VOLTS, "secondary"
    ),
    "primary": point("control 24 V", "control transformer", "P1-P2", V, ON, PointKind.RANGE, LINE_VOLTS, "primary"),
    "line": point("supply", "line", "L1-L2", V, ON, PointKind.RANGE, LINE_VOLTS),
    "line_loaded": point("supply", "line", "L1-L2", V, ON, PointKind.RANGE, LINE_VOLTS),
    "motor_amps": point("compressor", "compressor motor", "C-motor", Quantity.CURRENT, ON, PointKind.RANGE, None),
    "drop": point("compressor", "contactor contacts", "L1-T1", V, ON, PointKind.RANGE, span(None, "0.2", "V")),
    "cs": point("compressor", "compressor motor", "C-S", R, OFF, PointKind.RANGE),
    "cr": point("compressor", "compressor motor", "C-R", R, OFF, PointKind.RANGE),
    "rs": point("compressor", "compressor motor", "R-S", R, OFF, PointKind.RANGE),
    "cs_sheet": point("compressor", "compressor motor", "C-S", R, OFF, PointKind.RANGE, span("3.6", "4.4", "Ω")),
    "ground": point("compressor", "compressor motor", "C-GND", R, OFF, PointKind.INSULATION, span("1", None, "MΩ")),
    "ground_s": point("compressor", "compressor motor", "S-GND", R, OFF, PointKind.INSULATION, span("1", None, "MΩ")),
    "ground_bare": point("compressor", "compressor motor", "C-GND", R, OFF, PointKind.RANGE),
    "absence": point("compressor", "compressor motor", "T1-T2", V, OFF, PointKind.RANGE),
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


# {rule: (readings that give its cause, [similar readings that do not])}
CASES: dict[str, tuple[Case, list[Case]]] = {
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
        ],
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
        [case(coil_volts="20.4 V AC"), case(coil_volts="2.0 V AC")],
    ),
    "supply-low": (case(line="170.0 V AC"), [case(line="187.2 V AC"), case(line="3.0 V AC"), case(coil_volts="17 V")]),
    "supply-sags": (
        case(line="236.0 V AC", line_loaded="171.0 V AC"),
        [case(line="236.0 V AC", line_loaded="229.0 V AC"), case(line="170.0 V AC", line_loaded="171.0 V AC")],
    ),
    "supply-missing": (case(line="1.1 V AC"), [case(line="60.0 V AC"), case(line="240.0 V AC")]),
    "contacts-worn": (
        case(drop="0.62 V AC", line="240.0 V AC"),
        [case(drop="0.12 V AC"), case(drop="239.0 V AC", line="240.0 V AC")],
    ),
    "contacts-not-closed": (
        case(drop="239.0 V AC", line="240.0 V AC"),
        [case(drop="0.62 V AC", line="240.0 V AC"), case(drop="239.0 V AC")],
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
            case(drop="0.05 V AC", motor_amps="0.0 A AC"),
        ],
    ),
    "line-voltage-at-control-coil": (
        case(coil_volts="238.0 V AC"),
        [case(coil_volts="31.0 V AC"), case(coil_volts="25.2 V AC"), case(line="238.0 V AC")],
    ),
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
        [case(cs="4.00 ohm", cr="1.00 ohm", rs="5.10 ohm"), case(cs="4.60 ohm", cr="1.60 ohm", rs="5.00 ohm")],
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
        [case(cs="4.00 ohm", cr="1.00 ohm"), case(cs="2.00 ohm", cr="2.05 ohm"), case(cs="1.00 ohm")],
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


# Confidence, and the readings that change it. Each pair differs by one reading.


def confidence(rule: str, readings: Case) -> Confidence:
    (cause, *_) = only(rule, readings)
    return cause.confidence


CONFIDENCES = [
    # No drift explains 4.5 µF in place of 45. A drift explains 4.5 µF in place of 5 equally well.
    ("leads-across-both-sections", case(herm="4.52 uF", fan="5.01 uF"), "very likely"),
    ("leads-across-both-sections", case(fan="4.50 uF", herm="44.8 uF"), "possible"),
    ("leads-across-both-sections", case(fan="4.50 uF", herm="4.52 uF"), "very likely"),
    ("section-failed", case(herm="30.0 uF"), "likely"),
    ("section-failed", case(herm="4.52 uF", fan="5.01 uF"), "unlikely"),
    ("section-weak", case(herm="40.0 uF"), "likely"),
    ("section-weak", case(herm="42.2 uF"), "unlikely"),  # a close call
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
    ("section-open", case(herm="45.2 nF"), "unlikely"),
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
    ("coil-open", case(coil=["14.0 ohm", "OL ohm"]), "unlikely"),
    ("coil-shorted-turns", case(coil="6.1 ohm"), "likely"),
    ("coil-shorted-turns", case(coil="6.1 ohm", secondary="18.0 V AC"), "likely"),
    ("coil-shorted-turns", case(coil="9.9 ohm"), "unlikely"),
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
    ("contact-not-part", case(herm=["44.8 uF", "38.0 uF"]), "likely"),
    ("contact-not-part", case(herm=["38.0 uF", "44.8 uF"]), "possible"),  # as after a replacement
    ("contact-not-part", case(coil=["9.0 ohm", "8.5 ohm", "8.0 ohm"]), "unlikely"),
    ("voltage-where-isolated", case(absence="239.0 V AC", line="240.0 V AC"), "very likely"),
    ("voltage-where-isolated", case(absence=["60.0 V AC", "0.1 V AC"]), "possible"),
    ("contacts-not-closed", case(drop="239 V AC", line="240 V AC", coil_volts="25.0 V AC"), "likely"),
    ("contacts-not-closed", case(drop="239 V AC", line="240 V AC", coil_volts="0.1 V AC"), "unlikely"),
    ("supply-low", case(line="170.0 V AC", secondary="18.6 V AC"), "very likely"),
    ("supply-low", case(line="170.0 V AC", secondary="24.0 V AC"), "likely"),
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
    ("supply-sags", "the line supply is a close call", case(line="236.0 V AC", line_loaded="187.0 V AC")),
    ("supply-missing", "the control supply has voltage", case(line="1.1 V AC", secondary="26.0 V AC")),
    ("contacts-worn", "their voltage drop is a close call", case(drop="0.21 V AC")),
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


def test_ground_minimum_is_a_setting():
    readings = case(ground_bare="1.50 Mohm")
    assert only("winding-damp", readings) == []
    stricter = replace(readings, ground_minimum=Amount(Decimal(2), "MΩ"))
    assert len(only("winding-damp", stricter)) == 1


def test_the_limit_of_a_test_point_replaces_the_ground_minimum():
    readings = replace(case(ground="1.50 Mohm"), ground_minimum=Amount(Decimal(2), "MΩ"))
    assert only("winding-grounded", readings) == only("winding-damp", readings) == []


@pytest.mark.parametrize(
    ("rule", "herm", "replaced"),
    [
        # Clearly outside and read twice: nothing is left to measure on the old part. Common practice, no source.
        ("section-weak", ["41.0 uF", "40.9 uF"], False),  # outside, but not by more than this meter's error
        ("section-weak", ["40.0 uF", "39.9 uF"], True),
        ("section-weak", ["39.9 uF"], False),
        ("section-failed", ["30.1 uF", "30.0 uF"], True),
        ("section-failed", ["30.0 uF"], False),
        ("section-failed", ["20.0 uF", "30.0 uF"], False),  # readings that differ decide nothing
    ],
)
def test_advice_on_a_section_ends_in_replace_once_two_readings_agree(
    rule: str, herm: list[str], replaced: bool
) -> None:
    (cause,) = only(rule, case(herm=herm))
    assert cause.next_measurement.startswith("Replace the part") is replaced
    if replaced:
        assert "proves the repair" in cause.next_measurement
        assert "Discharge" in cause.next_measurement
