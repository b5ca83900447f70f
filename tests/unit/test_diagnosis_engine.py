"""How findings are put together, ranked and summed up, and what the rules file may say."""

import re
from dataclasses import replace
from decimal import Decimal
from importlib import resources

import pytest

import meterlink
from meterlink.core.equipment import CircuitState, PointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError
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
from meterlink.diagnosis.rules import parse_rules, shipped_rules
from meterlink.diagnosis.rules_page import render_rules_page
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine

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


def take(point: TestPoint, text: str, number: int) -> Observation:
    if text == "OL":
        return observe(point, MeasuredValue(point.quantity, None, "MΩ", Decimal(0)), number)
    amount = parse_amount(text)
    return observe(point, MeasuredValue.from_amount(quantity_of(amount.unit), amount), number)


def case(*points: tuple[TestPoint, str]) -> Case:
    return Case(tuple(PointReadings(point, (take(point, text, n),)) for n, (point, text) in enumerate(points)))


def test_nothing_read():
    found = diagnose(Case((PointReadings(HERM, ()),)))
    assert found.causes == ()
    assert found.summary == "No reading is held: there is nothing to go by."


def test_everything_within():
    found = diagnose(case((HERM, "44.8 uF"), (FAN, "5.02 uF"), (COIL, "14.2 ohm"), (GROUND, "OL")))
    assert (found.causes, found.notes) == ((), ())
    assert found.summary == "Every reading held is within its limits. These readings do not point to a part."


def test_outside_and_no_rule_for_it():
    found = diagnose(case((AMPS, "19.2 A")))
    assert found.causes == ()
    assert found.summary == "These readings do not point to a part."
    assert found.notes == (
        "compressor motor at T1–C: 19.2 A is above the high limit of 14 A. No rule here explains it.",
    )


def test_rating_not_entered():
    found = diagnose(case((replace(HERM, specification=None), "30.0 uF")))
    assert found.causes == ()
    assert "nobody has entered its rating" in found.notes[0]


def test_close_call_within_is_noted():
    found = diagnose(case((HERM, "42.4 uF")))
    assert found.causes == ()
    assert "close call" in found.notes[0]


def test_contradicting_findings_stand_side_by_side():
    found = diagnose(case((HERM, "4.52 uF"), (FAN, "5.01 uF")))
    crossed, failed = found.causes
    assert (crossed.rule, failed.rule) == ("leads-across-both-sections", "section-failed")
    assert (crossed.confidence, failed.confidence) == (Confidence.VERY_LIKELY, Confidence.UNLIKELY)
    assert crossed.related == (failed.title,)
    assert failed.related == (crossed.title,)
    assert failed.evidence_against == crossed.evidence_for[:1]
    assert "move a lead to C" in crossed.next_measurement
    assert found.summary == f"The best explanation: {crossed.title} (very likely)."


def test_stop_comes_first_however_sure_the_rest():
    stray = PointReadings(COIL, (take(COIL, "31.0 V", 7),))
    found = diagnose(Case((*case((HERM, "4.52 uF"), (FAN, "5.01 uF")).point_readings, stray)))
    assert found.causes[0].kind is CauseKind.STOP
    assert found.causes[0].score < found.causes[1].score
    assert found.summary.startswith("Stop:")


def test_alike_sure_explanations_are_called_so():
    low_fan = case((HERM, "44.8 uF"), (FAN, "4.50 uF"))
    found = diagnose(low_fan)
    assert {each.rule for each in found.causes} == {"leads-across-both-sections", "section-weak"}
    assert len({each.score for each in found.causes}) == 1
    assert found.causes[0].kind is CauseKind.MEASUREMENT  # the cheaper one to check
    assert found.summary == "More than one explanation fits as well as any: the next measurement decides."


def test_only_unlikely_findings_point_nowhere():
    found = diagnose(case((HERM, "42.2 uF")))
    assert [each.confidence for each in found.causes] == [Confidence.UNLIKELY]
    assert found.summary == "These readings do not point to a part."


def test_several_faults_are_all_found():
    found = diagnose(case((HERM, "30.0 uF"), (FAN, "0.02 uF"), (COIL, "6.1 ohm"), (GROUND, "0.05 Mohm")))
    assert {each.rule for each in found.causes} == {
        "section-failed", "section-open", "coil-shorted-turns", "winding-grounded",
    }  # fmt: skip


def test_facts_of_one_reading_count_once():
    # Both strong facts rest on nothing but this reading.
    text = """
[[rule]]
key = "x"
of = "capacitor section"
title = "{part}"
blames = "part"
alone = "possible"
needs = ["it reads below its low limit"]
speaks_for.strong = ["it is clear of its limits", "it is beyond the end-of-life mark"]
next = "Read it again."
next_state = "isolated and discharged"
next_quantity = "capacitance"
"""
    (finding,) = diagnose(case((HERM, "30.0 uF")), parse_rules(text)).causes
    assert finding.score == 2
    assert len(finding.evidence_for) == 3


def test_takes_held_before_the_rating_was_known_are_judged_by_it():
    early, late = take(replace(HERM, specification=None), "30.0 uF", 1), take(HERM, "29.9 uF", 2)
    takes = judge_with_known_limits(HERM, (early, late))
    assert [each.verdict for each in takes.readings] == [Verdict.OUTSIDE, Verdict.OUTSIDE]
    assert judge_with_known_limits(HERM, (early,)).readings == (early,)


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ("±(2 % + 5 digits)", AccuracyLine(Decimal(2), Decimal(5))),
        ("±(1.2 % + 1 digit), widened for 35 °C, assumed", AccuracyLine(Decimal("1.2"), Decimal(1), assumed=True)),
        ("somebody's words", AccuracyLine(Decimal(3), Decimal(5), assumed=True)),
    ],
)
def test_accuracy_of_a_record(words, line):
    assert parse_recorded_accuracy(words, C) == line


# The rules file


def test_page_in_the_docs_is_what_the_rules_say():
    kept = resources.files(meterlink).joinpath("docs/diagnosis.md").read_text(encoding="utf-8")
    assert kept == render_rules_page(), "run: meterlink diagnose --rules > meterlink/docs/diagnosis.md"


def test_page_has_every_rule_and_every_fact():
    shown = render_rules_page()
    for rule in shipped_rules():
        assert f"`{rule.key}`" in shown
        assert rule.source in shown
    for fact in FACTS.values():
        assert f"*{fact.statement}*" in shown


def test_every_fact_is_used_and_says_how_it_is_told():
    used = {
        (rule.subject, fact.statement)
        for rule in shipped_rules()
        for fact in (
            *rule.needs, *rule.unless, *(f for f, _ in rule.measure_first),
            *(f for f, _ in (*rule.evidence_for, *rule.evidence_against)),
        )
    }  # fmt: skip
    assert used == set(FACTS)
    assert all(fact.description for fact in FACTS.values())


def test_no_rule_calls_anything_safe_or_dead():
    for rule in shipped_rules():
        words = f"{rule.title} {rule.next_measurement} {' '.join(text for _, text in rule.measure_first)}"
        assert not re.search(r"\b(safe|dead|harmless)\b", words, re.IGNORECASE), rule.key


def test_every_rule_names_its_source():
    assert all(rule.source for rule in shipped_rules())


RULE = """
[[rule]]
key = "x"
of = "coil"
title = "the {part}"
blames = "part"
alone = "possible"
needs = ["its resistance overloads"]
next = "Read {here}."
next_state = "isolated and discharged"
next_quantity = "resistance"
"""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("its resistance overloads", "the moon is full", "'the moon is full' is no fact about a coil"),
        ("its resistance overloads", "it reads within its limits", "is no fact about a coil"),
        ("{part}", "{motor}", "{motor} means nothing for a coil"),
        ('alone = "possible"', 'alone = "certain"', "certain"),
        ('blames = "part"', 'blames = "somebody"', "somebody"),
        ('of = "coil"', 'of = "weather"', "weather"),
        ("next =", "nxt =", "'nxt' is no field"),
        ('key = "x"', 'key = "', "not valid TOML"),
        ('next = "Read {here}."', "", "next"),
    ],
)
def test_a_rule_that_cannot_be_used_is_named(old, new, said):
    assert parse_rules(RULE)
    with pytest.raises(InputError, match=re.escape(said)):
        parse_rules(RULE.replace(old, new))


def test_two_rules_of_one_key():
    with pytest.raises(InputError, match="twice"):
        parse_rules(RULE + RULE)
