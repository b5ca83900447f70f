"""Questions of a plan: the parts that exist, their ratings, and mistakes in the file."""

from decimal import Decimal

import pytest

from meterlink.core.cautions import caution_at
from meterlink.core.equipment import Hazard, Plan
from meterlink.core.errors import InputError
from meterlink.judge.judging import limits_for
from meterlink.plans import check_plan, load_plan
from meterlink.plans.parser import plan_schema
from support.point_texts import HERM_POINT

# A machine whose motor may have an inverter; a compressor behind a contactor has one pole or two.
QUESTIONS = """
[[question]]
key = "service"
text = "Which service feeds the unit?"
usual = "208-230"
[[question.choice]]
key = "208"
words = "208 V"
rated = "208 V"
[[question.choice]]
key = "208-230"
words = "not known"
rated = "208/230 V"
[[question]]
key = "drive"
text = "What drives the compressor?"
[[question.choice]]
key = "capacitor"
words = "a run capacitor"
[[question.choice]]
key = "inverter"
words = "an inverter"
hazard = "DC bus"
[[question]]
key = "poles"
text = "How many poles has the contactor?"
usual = "2"
when = { drive = "capacitor" }
[[question.choice]]
key = "1"
words = "one"
[[question.choice]]
key = "2"
words = "two"
"""
LINE_POINT = """
[[point]]
key = "line"
circuit = "supply"
component = "line"
terminals = ["L1", "L2"]
quantity = "voltage"
coupling = "AC"
state = "energized"
kind = "range"
band = "supply"
rated_by = "service"
why = "Nothing runs without it."
"""
POLE_POINT = """
[[point]]
key = "pole-2"
circuit = "compressor"
component = "contactor contacts"
terminals = ["L2", "T2"]
quantity = "voltage"
coupling = "AC"
state = "energized"
kind = "range"
high = "0.2 V"
when = { drive = "capacitor", poles = "2" }
why = "Each pole wears by itself."
"""
AT_WORK = """
[[point]]
key = "volts"
circuit = "compressor"
component = "run capacitor"
section = "HERM"
terminals = ["C", "HERM"]
quantity = "voltage"
state = "energized"
kind = "range"
why = "Across it."
[[point]]
key = "amps"
circuit = "compressor"
component = "run capacitor"
section = "HERM"
terminals = ["HERM", "S"]
quantity = "current"
state = "energized"
kind = "range"
why = "In its lead."
[[derived]]
key = "at-work"
kind = "under-load"
inputs = { amps = "amps", volts = "volts", capacitor = "herm" }
frequency = "60 Hz"
why = "Without switching off."
"""
HERM = f'{HERM_POINT}when = {{ drive = "capacitor" }}\nwhy = "Weak: it hums."\n'
TEXT = f'name = "unit"\n{QUESTIONS}{LINE_POINT}{HERM}{POLE_POINT}{AT_WORK}'


@pytest.fixture
def plan() -> Plan:
    checked = check_plan(TEXT)
    assert checked.problems == ()
    assert checked.value is not None
    return checked.value


def keys(plan: Plan) -> list[str]:
    return [point.key for point in plan.points]


def open_keys(plan: Plan, **answers: str) -> list[str]:
    return [asked.key for asked in plan.questions(answers)]


def test_a_point_that_is_not_known_to_exist_is_not_offered(plan: Plan) -> None:
    assert [point.key for point in plan.points_for({})] == ["line", "volts", "amps"]
    assert keys(plan.for_answers({"drive": "capacitor"})) == ["line", "herm", "volts", "amps"]
    assert keys(plan.for_answers({"drive": "capacitor", "poles": "2"})) == ["line", "herm", "pole-2", "volts", "amps"]
    assert keys(plan.for_answers({"drive": "inverter"})) == ["line", "volts", "amps"]


def test_derived_points_follow_their_inputs(plan: Plan) -> None:
    assert plan.for_answers({"drive": "inverter"}).derived == ()
    assert [point.key for point in plan.for_answers({"drive": "capacitor"}).derived] == ["at-work"]


def test_a_question_is_open_until_it_is_answered_or_void(plan: Plan) -> None:
    assert open_keys(plan) == ["service", "drive"]
    assert open_keys(plan, service="208") == ["drive"]
    assert open_keys(plan, service="208", drive="capacitor") == ["poles"]
    assert open_keys(plan, service="208", drive="inverter") == []
    # Corrected to an inverter, the earlier answer on the contactor counts no more.
    assert plan.checked_answers({"poles": "2", "drive": "inverter"}) == {"drive": "inverter"}
    assert keys(plan.for_answers({"poles": "2", "drive": "inverter"})) == ["line", "volts", "amps"]


def test_a_choice_is_answered_by_key_or_number(plan: Plan) -> None:
    assert plan.checked_answers({"drive": "2"}) == {"drive": "inverter"}
    assert plan.checked_answers({"service": "2"}) == {"service": "208-230"}


def test_a_plan_hides_nothing_by_questions_that_it_does_not_ask(plan: Plan) -> None:
    part = Plan("part", plan.points[1:2])
    assert keys(part.with_usual_answers({})) == ["herm"]


def test_wrong_answers_have_a_remedy(plan: Plan) -> None:
    with pytest.raises(InputError, match="no question 'motor'") as caught:
        plan.questions({"motor": "2"})
    assert "service, drive, poles" in caught.value.remedy
    with pytest.raises(InputError, match="'gas' answers no choice"):
        plan.points_for({"drive": "gas"})
    with pytest.raises(InputError, match="no question 'service'") as caught:
        plan.for_answers({}).questions({"service": "208"})
    assert caught.value.remedy == "Leave the answer out."


def test_the_answer_rates_the_points_that_ask_for_it(plan: Plan) -> None:
    # On a 208 V service, 235 V is too much, though a nameplate of 208/230 V allows it: common practice, no source.
    (line, *_) = plan.points_for({"service": "208"})
    limits = limits_for(line)
    assert limits is not None
    assert (limits.low, limits.high) == (Decimal("187.2"), Decimal("228.8"))
    (unrated, *_) = plan.points_for({})
    assert limits_for(unrated) is None


def test_an_answer_brings_its_hazard_where_it_applies() -> None:
    # The bus is charged once the power is off; energized, every part is live anyway.
    other = HERM.replace('when = { drive = "capacitor" }', "").replace('key = "herm"', 'key = "fan"')
    text = TEXT.replace(POLE_POINT, other)
    plan = check_plan(text).value
    assert plan is not None
    hazards = {point.key: point.hazards for point in plan.points_for({"drive": "inverter"})}
    assert hazards == {"line": (), "fan": (Hazard.DC_BUS,), "volts": (), "amps": ()}
    assert all(point.hazards == () for point in plan.points_for({"drive": "capacitor"}))
    for circuit, expected in (("compressor", (Hazard.DC_BUS,)), ("comp", (Hazard.DC_BUS,)), ("fan", ())):
        part = check_plan(text.replace('hazard = "DC bus"', f'hazard = "DC bus"\ncircuit = "{circuit}"')).value
        assert part is not None
        (fan,) = (point for point in part.points_for({"drive": "inverter"}) if point.key == "fan")
        assert fan.hazards == expected
        assert ("DC bus" in caution_at(fan)) is bool(expected)


def test_usual_answers_are_said_to_be_assumed(plan: Plan) -> None:
    usual = plan.with_usual_answers({})
    assert keys(usual) == ["line", "volts", "amps"]
    assert usual.assumptions == (
        "Assumed without an answer: service 208-230.",
        "Not answered, so not asked for: drive.",
    )
    told = plan.with_usual_answers({"drive": "1", "service": "208"})
    assert keys(told) == ["line", "herm", "pole-2", "volts", "amps"]
    assert told.assumptions == ("Assumed without an answer: poles 2.",)
    assert plan.with_usual_answers({"service": "208", "drive": "inverter"}).assumptions == ()


def test_a_plan_without_questions_is_as_before() -> None:
    checked = check_plan(f'name = "unit"{HERM_POINT}why = "Weak: it hums."')
    assert checked.value is not None
    assert checked.value.with_usual_answers({}) == checked.value.for_answers({}) == checked.value
    assert checked.value.questions({}) == ()


# (old text, new text, location, message)
WRONG = [
    ('usual = "208-230"', 'usual = "240"', "question 1 (service), usual", "there is no choice '240'"),
    ('text = "Which service feeds the unit?"', "", "question 1 (service)", "text is missing"),
    ('key = "poles"', 'key = "drive"', "question 3 (drive), key", "another question has the key"),
    ('key = "inverter"', 'key = "capacitor"', "choice 2", "another question.choice has the key"),
    ('hazard = "DC bus"', 'hazard = "dc bus"', "hazard", "'dc bus' is not known"),
    ('hazard = "DC bus"', 'circuit = "compressor"', "choice 2 (inverter), circuit", "it says where a hazard is"),
    ('rated = "208 V"', 'rated = "208 ohm"', "point 1 (line), rated_by", "the answer 208 rates it '208 ohm'"),
    ('rated_by = "service"', 'rated_by = "poles"', "point 1 (line), rated_by", "no answer to poles gives a rating"),
    ('rated_by = "service"', 'rated_by = "volts"', "point 1 (line), rated_by", "there is no question 'volts'"),
    ('rated_by = "service"', "", "point 1 (line), band", "a band needs a voltage"),
    ('rated_by = "service"', 'rated_by = "service"\nlow = "200 V"', "low", "the answer to service gives the rating"),
    ('band = "supply"', 'band = "line"', "point 1 (line), band", "'line' is not known"),
    ('quantity = "voltage"\ncoupling = "AC"', 'quantity = "frequency"', "band", "frequency has no band"),
    ('when = { drive = "capacitor" }\n[[question.choice]]', 'when = { heat = "gas" }\n[[question.choice]]',
     "question 3 (poles), when.heat", "there is no earlier question 'heat'"),
    ('when = { drive = "capacitor" }\n[[question.choice]]', 'when = { poles = "2" }\n[[question.choice]]',
     "question 3 (poles), when.poles", "there is no earlier question 'poles'"),
    ('when = { drive = "capacitor", poles = "2" }', 'when = { drive = "gas" }', "when.drive", "choice 'gas' of drive"),
    ('when = { drive = "capacitor", poles = "2" }', 'when = { pole = "2" }', "when.pole", "no earlier question 'pole'"),
    ('when = { drive = "capacitor", poles = "2" }', "when = 2", "when", "2 is not a table"),
    ('when = { drive = "capacitor", poles = "2" }', "optional = 1", "optional", "1 is not true or false"),
    ('when = { drive = "capacitor", poles = "2" }', "in_series = true", "in_series", "voltage across two terminals"),
    ('when = { drive = "capacitor", poles = "2" }', 'hazards = ["gas", "gas"]', "hazards 2", "listed twice"),
    ('when = { drive = "capacitor", poles = "2" }', 'band = "coil"', "band", "a band needs a voltage"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "place", "message"), WRONG)
def test_a_mistake_has_its_place_and_a_remedy(old: str, new: str, place: str, message: str) -> None:
    assert old in TEXT
    checked = check_plan(TEXT.replace(old, new, 1))
    assert checked.value is None
    (first, *_) = checked.errors
    assert place in str(first)
    assert message in str(first)
    assert first.remedy


def test_a_plan_is_never_empty() -> None:
    text = f'name = "unit"\n{QUESTIONS}{HERM}'
    (problem,) = check_plan(text).errors
    assert "every test point depends on an answer" in problem.message


def test_two_points_for_two_machines_are_no_repetition() -> None:
    # Only one of the two exists on any machine.
    other = POLE_POINT.replace("pole-2", "pole-2-again").replace('poles = "2"', 'poles = "1"')
    assert check_plan(TEXT.replace(POLE_POINT, POLE_POINT + other)).problems == ()


def test_the_schema_knows_questions() -> None:
    properties = plan_schema()["properties"]
    assert properties["question"]["items"]["properties"]["choice"]["minItems"] == 2


def test_the_longest_words_fit() -> None:
    text = TEXT.replace('words = "two"', f'words = "{"x" * 120}"').replace("What drives the compressor?", "x" * 120)
    assert check_plan(text).value is not None
    assert "longer than 120" in str(check_plan(TEXT.replace('words = "two"', f'words = "{"x" * 121}"')).errors[0])
    most = "".join(f'[[question.choice]]\nkey = "c{number}"\nwords = "{number}"\n' for number in range(8))
    assert "10 tables, not 2 to 9" in str(check_plan(TEXT.replace(LINE_POINT, f"{most}{LINE_POINT}", 1)).errors[0])


def test_a_shipped_plan_assumes_nothing_in_silence() -> None:
    plan = load_plan("split-condenser").with_usual_answers({})
    assumed = "service 208-230, compressor-drive capacitor, fan-motor capacitor, contactor-poles 2"
    assert plan.assumptions == (f"Assumed without an answer: {assumed}.",)
