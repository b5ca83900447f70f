"""Readings before and after a replacement, and the headline of a diagnosis."""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.replacements import Replacement
from meterlink.core.units import BASE_UNIT, Quantity, parse_amount, quantity_of
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.causes import Confidence, Diagnosis, RepairOutcome
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, Observation, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.station.rules import shipped_rules
from support.examples import examples
from support.points import point, rated, span

C, R, V, A = Quantity.CAPACITANCE, Quantity.RESISTANCE, Quantity.VOLTAGE, Quantity.CURRENT
OFF, ON = CircuitState.ISOLATED, CircuitState.ENERGIZED
CAN = "run capacitor"
POINTS = {
    "herm": point("compressor", CAN, "C-HERM", C, OFF, PointKind.CAPACITOR, rated("45"), "HERM"),
    "herm_ohms": point("compressor", CAN, "C-HERM", R, OFF, PointKind.RANGE, None, "HERM"),
    "fan": point("condenser fan", CAN, "C-FAN", C, OFF, PointKind.CAPACITOR, rated("5"), "FAN"),
    "blower": point("blower", CAN, "1-2", C, OFF, PointKind.CAPACITOR, rated("10")),
    "coil": point("control 24 V", "contactor coil", "A1-A2", R, OFF, PointKind.COIL, span("10", "18", "Ω")),
    "ground": point("compressor", "compressor motor", "C-GND", R, OFF, PointKind.INSULATION, span("1", None, "MΩ")),
    "case": point("defrost", "defrost heater", "H1-case", R, OFF, PointKind.INSULATION, span("1", None, "MΩ")),
    "strip": point("heat", "heat strip", "1-2", R, OFF, PointKind.RANGE, span("4.9", "6.4", "Ω")),
    "relay": point("compressor", "start relay contacts", "1-2", R, OFF, PointKind.RANGE, span(None, "1", "Ω")),
    "winding": point("compressor", "compressor motor", "C-S", R, OFF, PointKind.RANGE, span("3.6", "4.4", "Ω")),
    "drop": point("compressor", "contactor contacts", "L1-T1", V, ON, PointKind.RANGE, span(None, "0.2", "V")),
    "amps": point("compressor", "compressor motor", "T1-C", A, ON, PointKind.RANGE, span(None, "14.1", "A")),
    "line": point("supply", "line", "L1-L2", V, ON, PointKind.RANGE, span("187.2", "253", "V")),
}


def reading(test_point: TestPoint, text: str, number: int, meter: str = "one") -> Observation:
    if text == "OL":
        measured = MeasuredValue(test_point.quantity, None, BASE_UNIT[test_point.quantity], Decimal(0))
    else:
        amount = parse_amount(text)
        measured = MeasuredValue.from_amount(quantity_of(amount.unit), amount)
    return replace(observe(test_point, measured, number), meter=meter)


def visit(*readings: tuple[str, str], replaced: dict[str, int] | None = None) -> Case:
    """Return a case of readings in the order of the visit; ``replaced`` is {component: readings before it}."""
    by_key: dict[str, list[Observation]] = {key: [] for key, _ in readings}
    for number, (key, text) in enumerate(readings, 1):
        by_key[key].append(reading(replace(POINTS[key], key=key), text, number))
    point_readings = tuple(PointReadings(replace(POINTS[key], key=key), tuple(found)) for key, found in by_key.items())
    replacements = tuple(Replacement(part, after_number=number) for part, number in (replaced or {}).items())
    return Case(point_readings, replacements=replacements)


def diagnosis_of(*readings: tuple[str, str], replaced: dict[str, int] | None = None) -> Diagnosis:
    return diagnose(visit(*readings, replaced=replaced), shipped_rules())


# Replacements


def test_a_dual_capacitor_is_one_part():
    """Its sections share C and serve two circuits; the blower's capacitor is another part of the same name."""
    points = [replace(test_point, key=key) for key, test_point in POINTS.items()]
    assert Replacement(CAN, "compressor", after_number=0).covered_keys(points) == {"herm", "herm_ohms", "fan"}
    assert Replacement(CAN, "Blower", after_number=0).covered_keys(points) == {"blower"}
    assert Replacement(CAN, after_number=0).covered_keys(points) == {"herm", "herm_ohms", "fan", "blower"}
    # Two singles in place of a dual: each is replaced by itself.
    assert Replacement(CAN, sections=("FAN",), after_number=0).covered_keys(points) == {"fan"}


def test_a_voltage_belongs_to_the_circuit():
    """A new coil is not proven by the volts that reach it, and their absence was no fault of the old one."""
    points = [
        replace(test_point, key=key)
        for key, test_point in {
            "ohms": POINTS["coil"],
            "volts": point("control 24 V", "contactor coil", "A1-A2", V, ON, PointKind.RANGE),
            "drop": POINTS["drop"],
            "primary": point("control 24 V", "control transformer", "H1-H2", V, ON, PointKind.RANGE, None, "primary"),
            "secondary": point("control 24 V", "control transformer", "R-C", V, ON, PointKind.RANGE, None, "secondary"),
        }.items()
    ]
    assert Replacement("contactor coil", after_number=0).covered_keys(points) == {"ohms"}
    assert Replacement("contactor contacts", after_number=0).covered_keys(points) == {"drop"}
    assert Replacement("control transformer", after_number=0).covered_keys(points) == {"secondary"}


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"component": " ", "after_number": 1}, "without a component"),
        ({"component": CAN}, "The time of the replacement of the run capacitor is missing"),
        ({"component": CAN, "after_number": -1}, "-1 is not the number of a reading"),
    ],
)
def test_an_unusable_replacement(fields, message):
    with pytest.raises(InputError, match=message):
        Replacement(**fields)


def test_a_replacement_between_visits_has_no_place_among_the_readings_of_one():
    with pytest.raises(InputError, match="no place among the readings of this visit"):
        Case((), replacements=(Replacement(CAN, utc_ns=1),))


def test_readings_belong_to_the_part_that_was_there():
    case = visit(("herm", "38.2 uF"), ("fan", "5.01 uF"), ("herm", "45.1 uF"), replaced={CAN: 2})
    herm, fan = case.point_readings
    assert [found.text for found in herm.before] == ["38.2 µF"]
    assert [found.text for found in herm.readings] == ["45.1 µF"]
    assert (fan.readings, len(fan.before)) == ((), 1)
    twice = replace(case, replacements=(*case.replacements, Replacement(CAN, after_number=3)))
    assert [found.text for found in twice.point_readings[0].before] == ["45.1 µF"]
    assert twice.point_readings[0].readings == ()


# Repairs


def test_a_new_part_within_proves_the_repair():
    diagnosis = diagnosis_of(("herm", "38.2 uF"), ("herm", "45.1 uF"), replaced={CAN: 1})
    assert diagnosis.summary == "Repair proven: C–HERM read 38.2 µF of 45 before and 45.1 after."
    assert diagnosis.causes == ()
    assert diagnosis.questions == ()
    (repair,) = diagnosis.repairs
    assert repair.outcome is RepairOutcome.PROVEN


def test_a_part_with_another_rating_is_judged_by_its_own():
    new = replace(POINTS["herm"], key="herm", specification=rated("50"))
    readings = (reading(replace(POINTS["herm"], key="herm"), "38.2 uF", 1), reading(new, "50.3 uF", 2))
    case = Case((PointReadings(new, readings),), replacements=(Replacement(CAN, after_number=1),))
    (repair,) = diagnose(case, shipped_rules()).repairs
    assert repair.text == "Repair proven: C–HERM read 38.2 µF of 45 before and 50.3 of 50 after."


def test_an_open_coil_replaced():
    diagnosis = diagnosis_of(("coil", "OL"), ("coil", "14.2 ohm"), replaced={"contactor coil": 1})
    assert diagnosis.summary == "Repair proven: A1–A2 read OL Ω (10 to 18 Ω) before and 14.2 after."


def test_every_section_of_a_new_dual_is_to_be_read():
    diagnosis = diagnosis_of(("herm", "38.2 uF"), ("fan", "5.01 uF"), ("herm", "45.1 uF"), replaced={CAN: 2})
    herm, fan = diagnosis.repairs
    assert (herm.outcome, fan.outcome) == (RepairOutcome.PROVEN, RepairOutcome.NOT_PROVEN)
    assert "Read C–FAN of the new part: that proves the repair." in diagnosis.summary


def test_a_section_that_was_good_before_is_no_repair():
    diagnosis = diagnosis_of(("fan", "5.01 uF"), ("fan", "5.02 uF"), replaced={CAN: 1})
    assert diagnosis.repairs[0].outcome is RepairOutcome.WITHIN
    assert "proven" not in diagnosis.summary


def test_a_new_part_outside_is_not_condemned_again():
    """Two bad parts in a row are rarer than a wrong rating, a wire left on, or a wrong meter. Common practice."""
    diagnosis = diagnosis_of(("herm", "38.2 uF"), ("herm", "38.1 uF"), ("herm", "38.1 uF"), replaced={CAN: 1})
    assert diagnosis.repairs[0].outcome is RepairOutcome.OUTSIDE
    assert "The new part is outside as well" in diagnosis.repairs[0].text
    assert diagnosis.causes[0].rule == "new-part-outside"
    assert "check its rating, the wiring and the meter" in diagnosis.summary
    assert not any("Replace the part" in cause.next_measurement for cause in diagnosis.causes)


@pytest.mark.parametrize(
    ("readings", "reason"),
    [
        ([("herm", "38.2 uF"), ("herm", "42.4 uF")], "close call"),
        ([("herm", "38.2 uF"), ("herm", "44.1 uF"), ("herm", "45.9 uF")], "do not repeat"),
        ([("herm", "38.2 uF"), ("herm", "31.0 V"), ("herm", "45.1 uF")], "Voltage was read there"),
    ],
)
def test_a_doubtful_reading_proves_no_repair(readings, reason):
    (repair,) = diagnosis_of(*readings, replaced={CAN: 1}).repairs
    assert repair.outcome is RepairOutcome.NOT_PROVEN
    assert reason in repair.text


def test_voltage_read_before_the_replacement_still_stops():
    """A source that was on while the old part was there may still be on."""
    diagnosis = diagnosis_of(("coil", "31.0 V"), ("coil", "14.2 ohm"), replaced={"contactor coil": 1})
    assert diagnosis.summary.startswith("Stop:")


# A jump without a recorded replacement


def test_a_jump_to_within_is_a_question():
    diagnosis = diagnosis_of(("herm", "38.2 uF"), ("herm", "38.1 uF"), ("herm", "45.1 uF"))
    assert diagnosis.causes == ()
    (asked,) = diagnosis.questions
    text = "Was the run capacitor HERM replaced in between? C–HERM read 38.1 µF of 45 before and 45.1 after."
    assert asked.question.text == diagnosis.summary == text
    assert asked.question.choose("yes").conclusion.startswith("Repair proven: C–HERM read 38.1 µF of 45 before")
    assert asked.question.choose("no").conclusion.startswith("A bad contact at C–HERM")
    assert asked.reading_numbers == {2, 3}


@pytest.mark.parametrize(
    "readings",
    [
        [("herm", "45.1 uF"), ("herm", "38.2 uF")],  # fell: no new part
        [("herm", "45.1 uF"), ("herm", "38.2 uF"), ("herm", "45.1 uF")],  # came and went: a contact
        [("herm", "42.2 uF"), ("herm", "45.1 uF")],  # the first was a close call
        [("herm", "38.2 uF"), ("herm", "42.4 uF")],  # the second is one
        [("ground", "0.20 Mohm"), ("ground", "5.0 Mohm")],  # it dried
        [("line", "170 V"), ("line", "240 V")],  # nobody replaces a supply
    ],
)
def test_no_question_about_other_readings(readings):
    assert diagnosis_of(*readings).questions == ()


def test_new_contacts_are_asked_about():
    (asked,) = diagnosis_of(("line", "240 V"), ("drop", "1.50 V"), ("drop", "0.120 V")).questions
    assert "contactor contacts" in asked.question.text


# Insulation


@pytest.mark.parametrize("key", ["ground", "case"])
@pytest.mark.parametrize("text", ["0.200 Mohm", "0.020 Mohm", "0.98 Mohm"])
def test_low_insulation_is_never_passed_over(key, text):
    """200 kΩ against 1 MΩ: damp, flooded or failing, and current may flow to the frame; below a tenth of the minimum it
    does not dry out. Common practice, no source.
    """
    diagnosis = diagnosis_of((key, text))
    assert "do not point to a part" not in diagnosis.summary
    assert any(cause.next_measurement.startswith("Do not run the") for cause in diagnosis.causes)
    latest = visit((key, text)).point_readings[0].latest
    assert latest is not None
    assert latest.judgement is not None
    assert latest.verdict is Verdict.OUTSIDE
    damp = text != "0.020 Mohm"
    assert latest.judgement.reason.endswith(
        "Do not run it before it is dried or proven."
        if damp
        else "It is grounded: do not run it before it is proven or replaced."
    )


# The headline


def test_two_independent_faults_are_both_named():
    """A weak section and an open coil have nothing in common: repairing one leaves the other."""
    diagnosis = diagnosis_of(("herm", "44.9 uF"), ("fan", "3.90 uF"), ("coil", "OL"))
    assert diagnosis.summary == (
        "The best explanations: The run capacitor FAN has failed: below its end-of-life limit, not only below its"
        " tolerance (likely); and the contactor coil is open (possible)."
    )


def test_of_three_faults_two_are_named_and_one_is_counted():
    diagnosis = diagnosis_of(("herm", "44.9 uF"), ("fan", "3.90 uF"), ("coil", "OL"), ("ground", "0.20 Mohm"))
    assert diagnosis.summary.endswith("; and 1 more.")


def test_causes_from_the_same_readings_are_one_fault():
    diagnosis = diagnosis_of(("fan", "4.50 uF"), ("herm", "44.8 uF"), ("coil", "OL"))
    assert diagnosis.summary.startswith("The best explanations: The leads were across FAN–HERM, not on C–FAN, or the")
    assert diagnosis.summary.endswith("; and the contactor coil is open (possible).")


def test_a_fault_upstream_is_not_named_beside_its_consequence():
    """Without a supply the contacts carry none of it either, and no coil has voltage."""
    diagnosis = diagnosis_of(("line", "0.3 V"), ("drop", "1.50 V"))
    assert diagnosis.summary.startswith("The best explanation: ")


# Outside and unlikely


READABLE = {
    "herm": ("uF", 0, 80), "fan": ("uF", 0, 60), "coil": ("ohm", 0, 60), "ground": ("Mohm", 0, 3),
    "drop": ("V", 0, 250), "line": ("V", 0, 270), "herm_ohms": ("ohm", 0, 100), "strip": ("ohm", 0, 20),
    "relay": ("ohm", 0, 3), "winding": ("ohm", 0, 9),
}  # fmt: skip


@st.composite
def displays(draw):
    key = draw(st.sampled_from(sorted(READABLE)))
    unit, low, high = READABLE[key]
    if key not in {"drop", "line"} and draw(st.integers(0, 7)) == 0:
        return key, "OL"
    number = draw(st.decimals(low, high, places=2, allow_nan=False))
    return key, f"{number} {unit}"


@examples(100)
@given(st.lists(displays(), min_size=1, max_size=8), st.integers(0, 4))
def test_no_cause_of_an_outside_reading_is_called_unlikely(readings, before):
    """The verdict outside and the word unlikely never stand side by side, with any other readings.

    In a live circuit causes compete: the volts of contacts that another cause explains are exempt.
    """
    case = visit(*readings, replaced={CAN: before} if before else None)
    diagnosis = diagnose(case, shipped_rules())
    outside = {found.number for found in case.observations if found.verdict in {Verdict.OUTSIDE, Verdict.OPEN}}
    live = [entry.numbers for entry in case.point_readings if entry.point.state is CircuitState.ENERGIZED]
    explained = [cause.reading_numbers for cause in diagnosis.causes if cause.score >= 0]
    outside -= frozenset().union(*live) & frozenset().union(*explained)
    for cause in diagnosis.causes:
        if cause.reading_numbers & outside:
            assert cause.confidence is not Confidence.UNLIKELY
    assert "unlikely" not in diagnosis.summary


def test_two_meters_that_differ_blame_a_meter_and_no_terminal():
    """The same part cannot have two values: with another meter in between, the meter is the first to doubt."""
    herm = replace(POINTS["herm"], key="herm")
    readings = (reading(herm, "39.1 uF", 1, "one"), reading(herm, "44.6 uF", 2, "two"))
    (asked,) = diagnose(Case((PointReadings(herm, readings),)), shipped_rules()).questions
    assert "read a part of known value with each" in asked.question.choices[1].conclusion


def test_amps_that_fall_after_a_new_capacitor_are_no_bad_contact():
    """17.2 A with a weak capacitor, 12.3 A with a new one: that is the repair, and a clamp has no contact to clean."""
    readings = (("amps", "17.2 A"), ("herm", "31.0 uF"), ("herm", "45.0 uF"), ("amps", "12.3 A"))
    diagnosis = diagnosis_of(*readings, replaced={CAN: 2})
    assert diagnosis.causes == ()
    assert diagnosis.summary.startswith("Repair proven")


def test_volts_that_change_after_a_replacement_are_no_bad_contact():
    """A new coil takes another current, so the volts of its circuit change with it: Ohm's law."""
    readings = (("line", "185.0 V"), ("herm", "31.0 uF"), ("herm", "45.0 uF"), ("line", "238.0 V"), ("line", "212.0 V"))
    diagnosis = diagnosis_of(*readings, replaced={CAN: 2})
    assert not [cause for cause in diagnosis.causes if cause.rule == "contact-not-part"]
