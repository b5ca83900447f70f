"""Causes from rules: their ranking and summary, and the checks of the rules file."""

import re
from dataclasses import replace
from decimal import Decimal
from importlib import resources

import pytest

import meterlink
from meterlink.core.equipment import CircuitState, PointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, parse_amount, quantity_of
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.causes import CauseKind, Confidence
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.evidence import FACTS
from meterlink.diagnosis.observations import (
    Case,
    Observation,
    PointReadings,
    judge_with_known_limits,
    observe,
    parse_recorded_accuracy,
)
from meterlink.diagnosis.proven_flow import with_proven_flow
from meterlink.diagnosis.rules import parse_rules
from meterlink.diagnosis.rules_page import render_rules_page
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine
from meterlink.station.rules import shipped_rules

C, R, V = Quantity.CAPACITANCE, Quantity.RESISTANCE, Quantity.VOLTAGE
HERM = TestPoint(
    "herm", "compressor", "run capacitor", ("C", "HERM"), C, CircuitState.ISOLATED, PointKind.CAPACITOR,
    Rating(Amount(Decimal(45), "µF"), "6 %"), "HERM",
)  # fmt: skip
FAN = replace(
    HERM, key="fan", terminals=("C", "FAN"), section="FAN", specification=Rating(Amount(Decimal(5), "µF"), "6 %")
)
COIL = TestPoint(
    "coil", "control 24 V", "contactor coil", ("A1", "A2"), R, CircuitState.ISOLATED, PointKind.COIL,
    Span(Decimal(10), Decimal(18), "Ω"),
)  # fmt: skip
AMPS = TestPoint(
    "amps", "compressor", "compressor motor", ("T1", "C"), Quantity.CURRENT, CircuitState.ENERGIZED, PointKind.RANGE,
    Span(None, Decimal(14), "A"),
)  # fmt: skip
GROUND = TestPoint(
    "ground", "compressor", "compressor motor", ("C", "GND"), R, CircuitState.ISOLATED, PointKind.INSULATION,
    Span(Decimal(1), None, "MΩ"),
)  # fmt: skip


def observation(point: TestPoint, text: str, number: int) -> Observation:
    if text == "OL":
        return observe(point, MeasuredValue(point.quantity, None, "MΩ", Decimal(0)), number)
    amount = parse_amount(text)
    return observe(point, MeasuredValue.from_amount(quantity_of(amount.unit), amount), number)


def case(*points: tuple[TestPoint, str]) -> Case:
    return Case(
        tuple(PointReadings(point, (observation(point, text, number),)) for number, (point, text) in enumerate(points))
    )


def test_nothing_read():
    diagnosis = diagnose(Case((PointReadings(HERM, ()),)), shipped_rules())
    assert diagnosis.causes == ()
    assert diagnosis.summary == "No reading is accepted: nothing to diagnose."


def test_everything_within():
    diagnosis = diagnose(case((HERM, "44.8 uF"), (FAN, "5.02 uF"), (COIL, "14.2 ohm"), (GROUND, "OL")), shipped_rules())
    assert (diagnosis.causes, diagnosis.notes) == ((), ())
    assert diagnosis.summary == "Every accepted reading is within its limits. These readings do not point to a part."


def test_outside_and_no_rule_for_it():
    frequency = replace(AMPS, circuit="supply", component="line", quantity=Quantity.FREQUENCY)
    frequency = replace(frequency, specification=Span(Decimal(59), Decimal(61), "Hz"))
    diagnosis = diagnose(case((frequency, "64.2 Hz")), shipped_rules())
    assert diagnosis.causes == ()
    assert diagnosis.summary == "These readings do not point to a part."
    assert diagnosis.notes == ("line at T1–C: 64.2 Hz is above the high limit of 61 Hz. No rule explains it.",)


@pytest.mark.parametrize(
    ("amps", "verdict", "note"),
    [
        # Without current, no volts across contacts prove nothing; with it they are good ones (Ohm).
        ("0.0 A", Verdict.NOTHING_FLOWS, "proves a good contact only while current flows"),
        ("9.8 A", Verdict.WITHIN, None),
    ],
)
@pytest.mark.parametrize("amps_first", [False, True])
def test_no_volts_across_contacts_count_once_current_is_proven(amps, verdict, note, amps_first):
    drop = replace(AMPS, key="drop", component="contactor contacts", terminals=("L1", "T1"), quantity=V)
    drop = replace(drop, specification=Span(None, Decimal("0.2"), "V"))
    readings = [(AMPS, amps), (drop, "0.00 V")]
    entered = case(*(readings if amps_first else reversed(readings)))
    (judged,) = (entry for entry in with_proven_flow(entered).point_readings if entry.point.key == "drop")
    assert judged.latest.verdict is verdict
    diagnosis = diagnose(entered, shipped_rules())
    assert diagnosis.causes == ()
    assert any(note in sentence for sentence in diagnosis.notes) if note else diagnosis.notes == ()


def test_rating_not_entered():
    diagnosis = diagnose(case((replace(HERM, specification=None), "30.0 uF")), shipped_rules())
    assert diagnosis.causes == ()
    assert "its rating is not entered" in diagnosis.notes[0]


def test_close_call_within_is_noted():
    diagnosis = diagnose(case((HERM, "42.4 uF")), shipped_rules())
    assert diagnosis.causes == ()
    assert "close call" in diagnosis.notes[0]


def test_contradicting_causes_are_both_listed():
    diagnosis = diagnose(case((HERM, "4.52 uF"), (FAN, "5.01 uF")), shipped_rules())
    leads_across, failed = diagnosis.causes
    assert (leads_across.rule, failed.rule) == ("leads-across-both-sections", "section-failed")
    assert (leads_across.confidence, failed.confidence) == (Confidence.VERY_LIKELY, Confidence.UNDECIDED)
    assert leads_across.related == (failed.title,)
    assert failed.related == (leads_across.title,)
    assert failed.evidence_against == leads_across.evidence_for[:1]
    assert "move a lead to C" in leads_across.next_measurement
    assert diagnosis.summary == f"The best explanation: {leads_across.title} (very likely)."


def test_stop_is_first_even_if_less_sure():
    stray = PointReadings(COIL, (observation(COIL, "31.0 V", 7),))
    diagnosis = diagnose(Case((*case((HERM, "4.52 uF"), (FAN, "5.01 uF")).point_readings, stray)), shipped_rules())
    assert diagnosis.causes[0].kind is CauseKind.STOP
    assert diagnosis.causes[0].score < diagnosis.causes[1].score
    assert diagnosis.summary.startswith("Stop:")


def test_equally_sure_causes_have_their_own_summary():
    low_fan = case((HERM, "44.8 uF"), (FAN, "4.50 uF"))
    diagnosis = diagnose(low_fan, shipped_rules())
    assert {cause.rule for cause in diagnosis.causes} == {"leads-across-both-sections", "section-weak"}
    assert len({cause.score for cause in diagnosis.causes}) == 1
    assert diagnosis.causes[0].kind is CauseKind.MEASUREMENT  # the cheaper one to check
    assert diagnosis.summary == "Several causes fit equally well: the next measurement decides."


def test_a_close_call_outside_is_neither_unlikely_nor_passed_over():
    diagnosis = diagnose(case((HERM, "42.2 uF")), shipped_rules())
    assert [cause.confidence for cause in diagnosis.causes] == [Confidence.UNDECIDED]
    assert diagnosis.summary == ("Measure again to decide: the run capacitor HERM is weak: below its marked tolerance.")


def test_several_faults_are_all_found():
    diagnosis = diagnose(
        case((HERM, "30.0 uF"), (FAN, "0.02 uF"), (COIL, "6.1 ohm"), (GROUND, "0.05 Mohm")), shipped_rules()
    )
    assert {cause.rule for cause in diagnosis.causes} == {
        "section-failed", "section-open", "coil-shorted-turns", "winding-grounded",
    }  # fmt: skip


def test_facts_of_one_reading_count_once():
    # Both strong facts have the same single reading behind them.
    text = """
[[rule]]
key = "x"
subject = "capacitor section"
title = "{part}"
kind = "part"
base_confidence = "possible"
needs = ["it reads below its low limit"]
evidence_for.strong = ["it is clearly outside its limits", "it is beyond the end-of-life mark"]
next_measurement = "Read it again."
next_state = "isolated and discharged"
next_quantity = "capacitance"
"""
    (cause,) = diagnose(case((HERM, "30.0 uF")), parse_rules(text)).causes
    assert cause.score == 2
    assert len(cause.evidence_for) == 3


def test_readings_accepted_before_the_rating_was_entered_are_judged_by_it():
    early, late = observation(replace(HERM, specification=None), "30.0 uF", 1), observation(HERM, "29.9 uF", 2)
    point_readings = judge_with_known_limits(HERM, (early, late))
    assert [reading.verdict for reading in point_readings.readings] == [Verdict.OUTSIDE, Verdict.OUTSIDE]
    assert judge_with_known_limits(HERM, (early,)).readings == (early,)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("±(2 % + 5 digits)", AccuracyLine(Decimal(2), Decimal(5))),
        ("±(1.2 % + 1 digit), widened for 35 °C, assumed", AccuracyLine(Decimal("1.2"), Decimal(1), assumed=True)),
        ("not an accuracy line", AccuracyLine(Decimal(3), Decimal(5), assumed=True)),
    ],
)
def test_accuracy_of_a_record(text, line):
    assert parse_recorded_accuracy(text, C) == line


# The rules file


def test_page_in_the_docs_is_up_to_date():
    page = resources.files(meterlink).joinpath("docs/diagnosis.md").read_text(encoding="utf-8")
    assert page == render_rules_page(shipped_rules()), "run: meterlink diagnose --rules > meterlink/docs/diagnosis.md"


def test_page_has_every_rule_and_every_fact():
    page = render_rules_page(shipped_rules())
    for rule in shipped_rules():
        assert f"`{rule.key}`" in page
        assert rule.source in page
    for fact in FACTS.values():
        assert f"*{fact.statement}*" in page


def test_every_fact_is_used_and_has_a_description():
    used = {
        (rule.subject, fact.statement)
        for rule in shipped_rules()
        for fact in (
            *rule.needs, *rule.unless, *(fact for fact, _ in rule.measure_first),
            *(fact for fact, _ in (*rule.evidence_for, *rule.evidence_against)),
        )
    }  # fmt: skip
    assert used == set(FACTS)
    assert all(fact.description for fact in FACTS.values())


def test_no_rule_calls_anything_safe_or_dead():
    for rule in shipped_rules():
        texts = f"{rule.title} {rule.next_measurement} {' '.join(text for _, text in rule.measure_first)}"
        texts += rule.decision.text if rule.decision else ""
        assert not re.search(r"\b(safe|dead|harmless)\b", texts, re.IGNORECASE), rule.key


def test_every_rule_names_its_source():
    assert all(rule.source for rule in shipped_rules())


RULE = """
[[rule]]
key = "x"
subject = "coil"
title = "the {part}"
kind = "part"
base_confidence = "possible"
needs = ["its resistance reads overload"]
next_measurement = "Read {terminals}."
next_state = "isolated and discharged"
next_quantity = "resistance"
"""


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("its resistance reads overload", "the moon is full", "'the moon is full' is not a fact about a coil"),
        ("its resistance reads overload", "it reads within its limits", "is not a fact about a coil"),
        ("{part}", "{motor}", "{motor} is not a placeholder for a coil"),
        ('base_confidence = "possible"', 'base_confidence = "certain"', "certain"),
        ('kind = "part"', 'kind = "somebody"', "somebody"),
        ('subject = "coil"', 'subject = "weather"', "weather"),
        ("next_measurement =", "nxt =", "'nxt' is not a field"),
        ('key = "x"', 'key = "', "not valid TOML"),
        ('next_measurement = "Read {terminals}."', "", "next_measurement"),
    ],
)
def test_an_invalid_rule_is_reported(old, new, message):
    assert parse_rules(RULE)
    with pytest.raises(InputError, match=re.escape(message)):
        parse_rules(RULE.replace(old, new))


def test_two_rules_with_one_key():
    with pytest.raises(InputError, match=r"rules.toml:14:1: rule 2 \(x\), key: another rule has the key 'x'"):
        parse_rules(RULE + RULE)


def test_every_error_of_the_rules_is_listed():
    text = f"""{RULE}
unless = ["it is bright", "its resistance reads overload"]
evidence_for.strong = ["it rains"]
evidence_for.huge = []
evidence_against.moderate = ["its resistance is clearly inside its limits"]
measure_first = {{ "it snows" = "Read the {{thermometer}}." }}
source = 3
""".replace("{terminals}", "{places}")
    with pytest.raises(InputError) as caught:
        parse_rules(text)
    lines = str(caught.value).splitlines()
    assert [line.removeprefix("rules.toml:").partition(": ")[0] for line in lines] == [
        "9:1", "13:11", "14:24", "15:1", "16:30", "17:19", "17:19", "18:1",
    ]  # fmt: skip
    assert "rule 1 (x), next_measurement: {places} is not a placeholder for a coil. Use one of: part, " in lines[0]
    assert "unless 1: 'it is bright' is not a fact about a coil. The facts are those of" in lines[1]
    assert "evidence_for.huge: 'huge' is not a key here. Write evidence_for = { strong = " in lines[3]
    assert "Did you mean 'its resistance is clearly outside its limits'?" in lines[4]
    assert "rule 1 (x), source: 3 is not text." in lines[7]


def test_a_brace_without_a_partner():
    with pytest.raises(InputError, match=r"rules.toml:5:1: rule 1 \(x\), title: a brace has no partner"):
        parse_rules(RULE.replace("{part}", "{part"))


def test_two_sections_that_are_swapped_are_one_cause():
    """One mistake of the leads: two causes with the terminals in either order would be no choice."""
    diagnosis = diagnose(case((HERM, "5.02 uF"), (FAN, "44.9 uF")), shipped_rules())
    titles = [cause.title for cause in diagnosis.causes if cause.rule == "sections-swapped"]
    assert titles == ["HERM and FAN are swapped: each reads the value of the other"]
    assert diagnosis.summary.startswith("The best explanation: HERM and FAN are swapped")
    swapped = next(cause for cause in diagnosis.causes if cause.rule == "sections-swapped")
    assert swapped.reading_numbers == {0, 1}
    assert any("C–FAN" in text for text in swapped.evidence_for)


def volts_between(first: str, second: str, **changes: object) -> TestPoint:
    pair = TestPoint(
        f"{first}-{second}", "supply", "line", (first, second), V, CircuitState.ENERGIZED, PointKind.RANGE,
        Span(Decimal(207), Decimal(253), "V"),
    )  # fmt: skip
    return replace(pair, **changes)  # type: ignore[arg-type]


def test_two_poles_before_one_open_load_are_one_cause():
    """The current of a load flows through both poles: one open load, not two. Kirchhoff's current law."""
    poles = [
        TestPoint(
            f"pole-{number}", "compressor", "contactor contacts", (f"L{number}", f"T{number}"), V,
            CircuitState.ENERGIZED, PointKind.RANGE, Span(None, Decimal("0.2"), "V"), f"pole {number}",
        )
        for number in (1, 2)
    ]  # fmt: skip
    readings = case((volts_between("L1", "L2"), "241 V"), (poles[0], "0.05 V"), (poles[1], "0.04 V"), (AMPS, "0.0 A"))
    diagnosis = diagnose(readings, shipped_rules())
    assert [cause.rule for cause in diagnosis.causes] == ["load-open"]
    assert diagnosis.summary.startswith(
        "The best explanation: The load behind the contactor contacts of the compressor"
    )


def test_the_lowest_line_voltage_is_the_one_that_counts():
    """181 V under load is far below 207 V, and the 200 V without load are doubtful: a motor may not start on 181 V."""
    loaded = volts_between("L1", "L2", key="loaded", section="loaded")
    diagnosis = diagnose(case((volts_between("L1", "L2"), "200 V"), (loaded, "181 V")), shipped_rules())
    low = next(cause for cause in diagnosis.causes if cause.rule == "supply-low")
    assert low.confidence is Confidence.LIKELY
    assert not low.evidence_against
    assert "No rule explains it" not in " ".join(diagnosis.notes)


def test_three_pairs_without_voltage_have_one_cause():
    """An open disconnect leaves all three pairs without voltage: no pair is left unexplained."""
    pairs = [volts_between(*pair) for pair in (("L1", "L2"), ("L2", "L3"), ("L1", "L3"))]
    diagnosis = diagnose(case(*((pair, "0.0 V") for pair in pairs)), shipped_rules())
    assert [cause.rule for cause in diagnosis.causes] == ["supply-missing"]
    assert diagnosis.notes == ()
    assert diagnosis.causes[0].next_measurement.startswith("Prove the tester")


def test_what_cannot_be_told_has_the_measurement_that_decides():
    """5 on a display without decimals may be 4.5 or 5.5, and the limits of 5 µF are 0.6 µF apart."""
    (note,) = diagnose(case((FAN, "5 uF")), shipped_rules()).notes
    assert "No rule explains it" not in note
    assert "a range that shows 0.1 µF would settle it" in note


def test_a_capacitor_that_explains_the_amps_is_one_fault_with_them():
    """With less current in the auxiliary winding the main winding carries more of the load: textbook. So a weak section
    and high amps are one story, and the next measurement does not decide between them.
    """
    line = volts_between("L1", "L2")
    diagnosis = diagnose(case((line, "241 V"), (AMPS, "17.2 A"), (HERM, "31.2 uF")), shipped_rules())
    assert diagnosis.causes[0].rule == "amps-high-weak-capacitor"
    assert diagnosis.summary.startswith("The best explanation: The compressor motor draws too much because a capacitor")


def test_a_fuse_that_takes_the_voltage_explains_the_missing_supply():
    """The supply's 239 V are across the fuse, so they are not at the unit: Kirchhoff's voltage law."""
    fuse = volts_between("1", "2", component="fuse", specification=Span(None, Decimal("0.2"), "V"))
    diagnosis = diagnose(case((volts_between("L1", "L2"), "0.4 V"), (fuse, "239 V")), shipped_rules())
    assert diagnosis.causes[0].rule == "closed-path-open"
    assert diagnosis.summary.startswith("The best explanation: The fuse is open")


def test_evidence_is_explained():
    """A low secondary is evidence for shorted turns of the coil it feeds: a note that no rule explains it is wrong."""
    control = Span(Decimal("20.4"), Decimal(30), "V")
    secondary = volts_between(
        "R", "C", circuit="control 24 V", component="control transformer secondary", specification=control
    )
    diagnosis = diagnose(case((secondary, "19.5 V"), (COIL, "5.2 ohm")), shipped_rules())
    assert diagnosis.causes[0].rule == "coil-shorted-turns"
    assert diagnosis.notes == ()


@pytest.mark.parametrize(("coupling", "is_wrong"), [(Coupling.DC, True), (Coupling.AC, False), (None, False)])
def test_dc_at_a_live_point_of_ac_is_the_wrong_function(coupling: Coupling | None, is_wrong: bool) -> None:
    """A meter on DC shows next to nothing of 240 V AC, and its display proves nothing of the supply: textbook."""
    line = volts_between("L1", "L2", coupling=Coupling.AC)
    read = replace(observation(line, "240 V", 0), coupling=coupling)
    diagnosis = diagnose(Case((PointReadings(line, (read,)),)), shipped_rules())
    assert [cause.rule for cause in diagnosis.causes] == (["wrong-function"] if is_wrong else [])
    if is_wrong:
        assert diagnosis.causes[0].title == "The meter was not set to AC voltage at the line"
