"""A report in JSON is checked against the seal that it carries, on any machine."""

import copy
import json
import random

import pytest

from meterlink.core.errors import InputError
from meterlink.record.json import json_report
from meterlink.record.report import make_report
from meterlink.record.sealed_record import sealed_record
from meterlink.record.verified_report import _covered, verify_report
from meterlink.seal.canonical import text_hash
from meterlink.seal.edition import Edition, seal_edition
from meterlink.seal.station_key import new_key
from meterlink.seal.verification import SealState
from meterlink.store.rows import ClockStep
from support.commands import run_command
from support.fixture_databases import kept_report
from support.recorded_visits import OUTER_TIMEOUT
from support.sealed_visits import SECOND, SealedVisit, whole_visit

# Values of an entry that are not covered: the names of meters, the place where a part came from, the diagnosis.
OUTSIDE_ENTRY = {"meter", "fitted", "outcome", "conclusion"}
FACTS = {"Site", "Unit", "Begun", "Closed", "Outcome", "Job", "Technician", "Plan", "Visit"}


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("data")
    visit = whole_visit(folder / "meterlink.db")
    visit.close()
    result = run_command("report", "--last", "--format", "json", "--data", str(folder))
    assert result.status == 0
    return json.loads(result.out)


def check(report):
    return verify_report(json.dumps(report), "report.json")


def named(checked):
    verification = checked.verification
    return [*map(str, verification.changes), *(p for edition in verification.editions for p in edition.problems)]


def test_a_report_is_intact_on_any_machine(report):
    checked = check(report)
    assert named(checked) == []
    assert checked.verification.state is SealState.INTACT
    # Personal texts that the report does not show are not disclosed by it: here, all are in the technician's record.
    assert checked.withheld == ()


def test_a_report_that_was_written_earlier_is_intact():
    """Reports are checked years later: other words in a report need another format, else all of them are 'changed'."""
    checked = verify_report(kept_report(), "report.json")
    assert named(checked) == []
    assert checked.verification.state is SealState.INTACT


def test_a_report_of_another_format_is_refused(report):
    with pytest.raises(InputError, match="another version"):
        check({**report, "format": "meterlink-report-2"})


@pytest.mark.parametrize(
    "outcome",
    ["NaN", "1e999", f"{2**60}", '"\\ud800"', "[" * 400 + "]" * 400],
    ids=["nan", "infinite", "large", "half a character", "deep"],
)
def test_signed_texts_that_no_station_writes_are_no_visit(report, outcome):
    """Anybody can sign anything with a key of their own; a second edition is compared with the first."""
    key, changed = new_key(), copy.deepcopy(report)
    text = json.loads(changed["sealed"]["editions"][-1]["text"]) | {"station_key": key.public_key, "previous": []}
    text["visit"]["outcome"] = "OUTCOME"
    first = json.dumps(text).replace('"OUTCOME"', outcome)
    second = json.dumps(text | {"edition": 2, "previous": [text_hash(first)]}).replace("OUTCOME", "another")
    changed["sealed"]["editions"] = [
        {"text": sealed, "public_key": key.public_key, "signature": key.sign(sealed)} for sealed in (first, second)
    ]
    problems = [problem for edition in check(changed).verification.editions for problem in edition.problems]
    assert "Its text is not that of a sealed visit." in problems


@pytest.mark.parametrize("left", ['"\\ud800"', "[" * 400 + "]" * 400, "NaN", f"{2**60}"])
def test_a_report_with_a_value_that_no_report_has_is_refused(report, left):
    text = json.dumps({**report, "left": "LEFT"}).replace('"LEFT"', left)
    with pytest.raises(InputError, match="a number or a sign that no report has"):
        verify_report(text, "report.json")


def test_a_report_without_a_seal_is_not_sealed(report):
    assert check({**report, "sealed": None}).verification.state is SealState.NOT_SEALED


def test_a_withheld_text_leaves_the_rest_to_be_checked(report):
    changed = copy.deepcopy(report)
    changed["sealed"]["disclosed"] = [
        entry for entry in changed["sealed"]["disclosed"] if not entry["subject"].startswith("meter of")
    ]
    checked = check(changed)
    assert checked.verification.state is SealState.INTACT
    assert len(checked.withheld) == 4


def another(value, rng):
    if value is None:
        return 0
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value + 0.25
    if isinstance(value, list):
        return [*value, "another"]
    place = rng.randrange(len(value) + 1)
    return value[:place] + rng.choice("xyz0") + value[place:]


def change_value(entry, rng, name, left_out=frozenset()):
    """Change a value of an entry, other than a list of entries."""
    key = rng.choice([key for key in entry if key not in {*OUTSIDE_ENTRY, *left_out}])
    entry[key] = another(entry[key], rng)
    return f"{name} {key}"


def change_reading(report, rng):
    return change_value(rng.choice(report["readings"]), rng, "reading", {"earlier"})


def change_pair(report, rng):
    points = report["replaced"][0]["points"]
    entries = [point[side] for point in points for side in ("before", "after") if point[side] is not None]
    return change_value(rng.choice([*entries, *points]), rng, "pair", {"earlier", "before", "after"})


def remove_side(report, rng):
    points = report["replaced"][0]["points"]
    sides = [(point, side) for point in points for side in ("before", "after") if point[side] is not None]
    point, side = rng.choice(sides)
    point[side] = None
    return f"removed {side}"


def change_fact(report, rng):
    fact = rng.choice([fact for fact in report["facts"] if fact["name"] in FACTS])
    fact["text"] = another(fact["text"], rng)
    return f"fact {fact['name']}"


def change_replaced(report, rng):
    return change_value(report["replaced"][0], rng, "replaced", {"points"})


def change_notes(report, rng):
    (note,) = report["notes"]
    time, _, text = note.partition(": ")
    denied = f"{time}: It is a lie that: {text}"
    report["notes"] = rng.choice([[], [another(note, rng)], [note, "one more"], [denied]])
    return "notes"


def change_place_or_day(report, rng):
    key = rng.choice(["place", "day"])
    report[key] = another(report[key], rng)
    return key


def change_left(report, rng):
    report["left"] = rng.choice([[], [another(report["left"][0], rng), *report["left"][1:]], report["left"][::-1]])
    return "left"


def change_edition(report, rng):
    return change_value(rng.choice(report["sealed"]["editions"]), rng, "edition")


def change_disclosed(report, rng):
    return change_value(rng.choice(report["sealed"]["disclosed"]), rng, "disclosed")


def change_rows(report, rng):
    rows = rng.choice([report["readings"], report["replaced"]])
    rng.choice([lambda: rows.pop(rng.randrange(len(rows))), lambda: rows.append(copy.deepcopy(rows[0]))])()
    return "rows"


def change_order(report, rng):
    readings = report["readings"]
    one, other = rng.sample(range(len(readings)), 2)
    readings[one], readings[other] = readings[other], readings[one]
    return "order"


def change_earlier(report, rng):
    earlier = rng.choice([entry["earlier"] for entry in report["readings"] if entry["earlier"]])
    rng.choice([earlier.clear, lambda: earlier.append(dict(earlier[0]))])()
    return "earlier"


# Most of the values are those of readings.
KINDS = (
    *[change_reading] * 4, *[change_pair] * 4, *[change_fact] * 2, change_replaced, remove_side, change_notes,
    change_left, change_place_or_day, change_edition, change_disclosed, change_rows, change_order, change_earlier,
)  # fmt: skip


@pytest.mark.study(everyday=200, sample=500, full=10_000)
def test_every_change_of_a_covered_value_row_or_order_is_found_and_named(report, study_size):
    rng = random.Random(12)
    found: dict[str, int] = {}
    while sum(found.values()) < study_size:
        changed = copy.deepcopy(report)
        described = rng.choice(KINDS)(changed, rng)
        found[described] = found.get(described, 0) + 1
        checked = check(changed)
        assert checked.verification.state is SealState.CHANGED, described
        assert named(checked), described
    assert len(found) > (75 if study_size >= 1_000 else 50)


OUTSIDE = (
    "found", "done", "summary", "measured", "made", "cautions", "limitations", "customer_caution", "untested_lines",
    "diagnosis_notes",
)  # fmt: skip


@pytest.mark.parametrize("key", OUTSIDE)
def test_a_change_outside_is_no_change_of_what_is_sealed(report, key):
    """The command says beside its result that these are not covered."""
    changed = {**report, key: ["another text"] if isinstance(report[key], list) else "another text"}
    assert check(changed).verification.state is SealState.INTACT


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "7",
        "null",
        '{"format": "meterlink-report-1", "sealed": {"editions": [{}], "disclosed": []}}',
        "[" * 10**5,
    ],
)
def test_a_text_that_is_no_report_is_refused(text):
    with pytest.raises(InputError, match="format json"):
        verify_report(text, "report.json")


@pytest.mark.parametrize("visit", [{}, {"uid": 7}, {"uid": "v", "readings": 7, "notes": [], "site": "", "unit": ""}])
def test_a_strangers_text_that_is_no_visit_is_refused(report, visit):
    forged = seal_edition(visit, 1, (), "now", new_key())
    edition = {"text": forged.text, "public_key": forged.public_key, "signature": forged.signature}
    with pytest.raises(InputError, match="not that of a visit"):
        check({**report, "sealed": {"editions": [edition], "disclosed": []}})


@pytest.mark.parametrize("key", ["readings", "facts", "replaced", "notes"])
@pytest.mark.parametrize("value", [None, 7, "x", [1], [None], [{}], {}])
def test_parts_of_another_type_are_changes_and_no_crash(report, key, value):
    assert check({**report, key: value}).verification.state is SealState.CHANGED


@pytest.mark.parametrize("side", ["before", "after"])
def test_a_replaced_part_without_a_side_is_changed(report, side):
    """Null says that nobody measured before the repair. A person who takes the line out hides that."""
    changed = json.loads(json.dumps(report))
    del changed["replaced"][0]["points"][0][side]
    assert check(changed).verification.state is SealState.CHANGED


# Steps of the clock

BACK = (
    "The station's clock was set back by 1 h before run capacitor FAN C–FAN (4.71 µF) was read: times before and after"
    " do not agree."
)


def write_stepped_visit(folder, *, before_close=True):
    """Write a visit during which the clock was set; as it is sealed, or found after the sealing."""
    visit = SealedVisit(folder / "meterlink.db")
    visit.accept("run-capacitor-herm", "44.2 uF")
    at = visit.now()
    if before_close:
        visit.set_clock(-3600)
    visit.accept("run-capacitor-fan", "4.71 uF")
    visit.accept("run-capacitor-herm", "44.3 uF")
    visit.finish()
    if not before_close:
        visit.writer.add_clock_step(ClockStep(at, at, -3600 * SECOND)).result(OUTER_TIMEOUT)
    visit.close()


def last_report(folder, *more):
    result = run_command("report", "--last", *more, "--data", str(folder))
    assert result.status == 0
    return result.out


@pytest.fixture(scope="module")
def stepped_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stepped")
    write_stepped_visit(folder)
    return folder


@pytest.fixture(scope="module")
def stepped(stepped_folder):
    return json.loads(last_report(stepped_folder, "--format", "json"))


def test_a_step_of_the_clock_during_the_visit_is_printed_and_sealed(stepped):
    """A customer who compares times sees why the second reading seems to come before the first."""
    assert stepped["clock"] == [BACK]
    text = json.loads(stepped["sealed"]["editions"][0]["text"])
    assert text["clock_steps"] == [
        {"reading": entry["uid"], "milliseconds": -3_600_000} for entry in stepped["readings"][1:]
    ]
    checked = check(stepped)
    assert named(checked) == []
    assert checked.verification.state is SealState.INTACT


@pytest.mark.parametrize("clock", [[], [BACK.replace("1 h", "2 h")], [BACK, BACK], None, "another"])
def test_another_step_than_the_sealed_one_is_a_change(stepped, clock):
    checked = check({**stepped, "clock": clock})
    assert checked.verification.state is SealState.CHANGED
    assert any("clock" in line for line in named(checked))


def test_a_report_without_the_sealed_step_is_changed(stepped):
    assert check({key: stepped[key] for key in stepped if key != "clock"}).verification.state is SealState.CHANGED


def test_a_visit_without_a_step_is_sealed_in_the_text_of_before(report):
    """So a reader that knows no steps reads each such text, and a text of its time says nothing about the clock."""
    text = json.loads(report["sealed"]["editions"][0]["text"])
    assert set(text) == {"format", "edition", "previous", "sealed", "station_key", "visit"}
    assert report["clock"] == []
    assert check({**report, "clock": [BACK]}).verification.state is SealState.CHANGED


def test_a_reader_that_knows_no_steps_finds_the_rest_as_it_was_sealed(stepped):
    """It takes the keys that it knows: a step is in none of them, neither of the text nor of the report."""
    text = json.loads(stepped["sealed"]["editions"][0]["text"])
    texts = {entry["subject"]: entry["text"] for entry in stepped["sealed"]["disclosed"]}
    made = json.loads(json_report(make_report(sealed_record(text["visit"], texts))))
    assert made["clock"] == []
    assert _covered({**stepped, "clock": []}) == _covered(made)


def test_a_step_that_the_seal_does_not_cover_is_not_printed(tmp_path):
    """It came into the database after the sealing, or before seals knew steps: no check could confirm it."""
    write_stepped_visit(tmp_path, before_close=False)
    report = json.loads(last_report(tmp_path, "--format", "json"))
    assert report["clock"] == []
    assert check(report).verification.state is SealState.INTACT
    assert run_command("verify", "--last", "--data", str(tmp_path)).status == 0


def test_the_database_with_a_sealed_step_is_intact(stepped_folder):
    assert run_command("verify", "--last", "--data", str(stepped_folder)).status == 0


@pytest.mark.parametrize("form", ["html", "md"])
@pytest.mark.parametrize("voice", ["customer", "technical"])
def test_each_form_prints_the_step(stepped_folder, form, voice):
    assert "set back by 1 h" in last_report(stepped_folder, "--format", form, "--voice", voice)


@pytest.mark.parametrize(
    "steps",
    [7, [7], [{}], [{"reading": "a"}], [{"reading": 1, "milliseconds": 1}], [{"reading": "a", "milliseconds": True}],
     [{"reading": "a", "milliseconds": 2**53}], [{"reading": "a", "milliseconds": "1"}]],
)  # fmt: skip
def test_steps_of_another_form_are_no_text_of_an_edition(stepped, steps):
    text = json.loads(stepped["sealed"]["editions"][0]["text"]) | {"clock_steps": steps}
    assert Edition(json.dumps(text), "", "").parsed() is None
