"""The fault matrix: faults put into the bench, and the cause that is said first; with the floors of its figures."""

from collections import Counter
from pathlib import Path

import pytest
from click.testing import CliRunner

from meterlink.core.equipment import CircuitState
from meterlink.diagnosis.causes import Cause, CauseKind, Confidence
from meterlink.station import rules as station_rules
from meterlink_simulators.ranges import MeterFunction
from studies.faults import technician
from studies.faults.answers import PHRASES, Answer, Matter
from studies.faults.cases import FAULTS, SOUND, Case
from studies.faults.faulty_bench import FaultyBench
from studies.faults.study import Figures, main, markdown_table, run_case, run_matrix
from studies.faults.technician import METERS, Technician
from studies.faults.units import ISOLATED, units
from studies.markdown import read_table

DOCUMENT = Path(__file__).parents[2] / "meterlink" / "docs" / "fault-matrix.md"
LEAST_RIGHT = 0.97  # share of the walks whose first cause is the fault put in


def make_cause(title: str, kind: CauseKind = CauseKind.PART) -> Cause:
    return Cause("some-rule", title, kind, Confidence.LIKELY, 2, (), (), "", "", frozenset({1}))


def by_name(name: str) -> Case:
    return next(case for case in (*SOUND, *FAULTS) if case.name == name)


# The floors


@pytest.mark.study(everyday=0, sample=1, full=5)  # meters of each kind; at size 1 the two kinds take turns
def test_the_cause_that_is_said_first_is_the_fault_put_in(study_size: int) -> None:
    if study_size == 1:
        kinds = tuple(METERS)
        results = [
            result
            for number, case in enumerate((*SOUND, *FAULTS))
            for result in run_case(case, [1], [kinds[number % len(kinds)]])
        ]
    else:
        results = run_matrix(range(1, study_size + 1))
    figures = Figures.of(results)
    wrong = [(result.case.name, result.meter, result.seed) for result in results if not result.is_right]
    assert [entry for entry in wrong if entry[0].startswith("sound ")] == []
    assert figures.stops_called == figures.stops
    assert figures.false_stops == 0
    assert figures.right >= LEAST_RIGHT * figures.faults, wrong


def test_there_are_enough_faults_of_every_kind() -> None:
    assert len(FAULTS) >= 80
    assert sum(case.is_stop for case in FAULTS) >= 8
    assert sum(case.is_several for case in FAULTS) >= 3
    assert len({case.name for case in FAULTS if case.unit == "split condenser"}) >= 25
    assert {case.unit for case in FAULTS} == set(units())
    names = Counter((case.unit, case.name) for case in (*SOUND, *FAULTS))
    assert max(names.values()) == 1


# The bench


@pytest.mark.parametrize("case", FAULTS, ids=[f"{case.unit}, {case.name}" for case in FAULTS])
def test_every_fault_changes_a_reading(case: Case) -> None:
    # A fault that no reading shows would be one that nobody could find.
    if case.battery < 10 or case.second_meter or case.in_the_air or case.leads_ohms or case.dials:
        return  # the meter changes the reading, not the bench
    unit = units()[case.unit]
    faulty, sound = FaultyBench(unit, case), FaultyBench(unit, Case("sound", case.unit))
    for stage, point in unit.points({}):
        place, function = unit.place(point), technician.function_of(point)
        values = faulty.value(stage, case.places.get(point.key, place), function), sound.value(stage, place, function)
        if stage == ISOLATED and faulty.volts_to_ground(place, MeterFunction.AC_VOLTS) >= 3:
            return
        if stage == ISOLATED and abs(faulty.volts_to_ground(place, MeterFunction.DC_VOLTS)) >= 3:
            return
        if None in values or values[0] != pytest.approx(values[1], rel=0.01, abs=1e-9):
            return
    pytest.fail("no reading shows this fault")


@pytest.mark.parametrize("unit", units().values(), ids=units())
def test_the_bench_has_the_parts_of_the_plan(unit) -> None:
    keys = {point.key for point in unit.plan.points}
    assert {*unit.places, *unit.stages, *unit.ratings} <= keys
    read = [point for _, point in unit.points({})]
    asked = [point for point in unit.plan.points if unit.is_due(point)]
    assert sum(unit.is_due(point) for point in read) >= 0.75 * len(asked)
    assert unit.fitted <= {point.key for point in read if point.optional}
    assert all(point.specification for point in read if point.key in unit.ratings)


# The technician


def test_the_technician_stops_at_a_voltage_and_reads_it_twice() -> None:
    case = by_name("power left on")
    visit = Technician(FaultyBench(units()[case.unit], case), case, "fine", 1).walk()
    assert visit.first is not None
    assert visit.first.kind is CauseKind.STOP
    isolated = [entry for entry in visit.readings if entry.point.state is CircuitState.ISOLATED and entry.readings]
    assert len(isolated) == 1  # the first one that is touched
    assert len(isolated[0].stray_voltages) == 2


def test_the_technician_does_not_energize_a_grounded_winding() -> None:
    case = by_name("compressor grounded at R, 20 kΩ")
    visit = Technician(FaultyBench(units()[case.unit], case), case, "fine", 1).walk()
    read = {entry.point.key for entry in visit.readings if entry.readings}
    assert "compressor-ground" in read
    assert "compressor-amps" not in read


def test_no_reading_is_repeated_more_than_twice() -> None:
    for name in ("FAN section open", "compressor protector open", "thermostat does not call"):
        case = by_name(name)
        visit = Technician(FaultyBench(units()[case.unit], case), case, "coarse", 2).walk()
        counts = [len(entry.readings) for entry in visit.readings]
        assert max(counts) in {2, 3}


def test_the_technician_reads_an_optional_point_where_something_points_to_it() -> None:
    fan_ohms = {"condenser-fan-run-winding", "condenser-fan-start-winding", "condenser-fan-both-windings"}
    for name, is_read in (("sound split condenser", False), ("condenser fan main winding open", True)):
        case = by_name(name)
        visit = Technician(FaultyBench(units()[case.unit], case), case, "fine", 1).walk()
        read = {entry.point.key for entry in visit.readings if entry.readings}
        assert fan_ohms <= read if is_read else not fan_ohms & read


# The comparison


def test_an_answer_needs_the_part_and_the_matter() -> None:
    answer = Answer(Matter.WEAK, "run capacitor fan")
    assert answer.is_given_by(make_cause("The run capacitor FAN is weak: below its marked tolerance"))
    assert not answer.is_given_by(make_cause("The run capacitor HERM is weak: below its marked tolerance"))
    assert not answer.is_given_by(make_cause("The run capacitor FAN is open inside"))
    either = Answer(Matter.NOTHING_FLOWS, "compressor | contactor contacts")
    assert either.is_given_by(make_cause("The load behind the contactor contacts is open"))
    between = Answer(Matter.OPEN, "start winding…compressor")
    assert between.is_given_by(make_cause("The start winding of the compressor motor is open"))
    assert not between.is_given_by(make_cause("The compressor motor: its start winding is open"))


def test_a_stop_must_be_called_as_one() -> None:
    answer = Answer(Matter.LIVE, "contactor coil")
    title = "Voltage at the contactor coil, which should be isolated"
    assert answer.is_given_by(make_cause(title, CauseKind.STOP))
    assert not answer.is_given_by(make_cause(title))
    weak = Answer(Matter.WEAK, "run capacitor fan")
    assert not weak.is_given_by(make_cause("The run capacitor FAN is weak", CauseKind.STOP))


def test_every_matter_has_its_phrases() -> None:
    assert set(PHRASES) == set(Matter)
    used = {answer.matter for case in FAULTS for answer in case.answers}
    assert used == set(Matter)


def test_the_matrix_notices_a_diagnosis_that_says_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(technician, "shipped_rules", tuple)
    cases = [by_name(name) for name in ("HERM section 38 of 45 µF", "the disconnect was never opened")]
    results = [result for case in cases for result in run_case(case, [1], ["fine"])]
    figures = Figures.of(results)
    assert (figures.right, figures.stops, figures.stops_called) == (0, 1, 0)


def test_the_matrix_notices_a_rule_that_blames_the_wrong_part(monkeypatch: pytest.MonkeyPatch) -> None:
    rules = [rule for rule in station_rules.shipped_rules() if not rule.key.startswith("section-")]
    monkeypatch.setattr(technician, "shipped_rules", lambda: rules)
    (result,) = run_case(by_name("FAN section 4.2 of 5 µF"), [1], ["fine"])
    assert not result.is_right


# The table


def test_the_same_seed_gives_the_same_row() -> None:
    case = by_name("HERM section leaks, 1 kΩ")
    assert markdown_table(run_case(case, [3])) == markdown_table(run_case(case, [3]))


def test_the_document_has_a_row_for_every_fault() -> None:
    rows = [line.split(" | ") for line in read_table(DOCUMENT, "fault matrix") if line.startswith("| ")]
    documented = {(row[0].removeprefix("| "), row[1]) for row in rows[1:]}
    assert {(case.unit, case.name) for case in FAULTS} <= documented


def test_the_command_lists_the_wrong_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("studies.faults.study.FAULTS", [by_name("FAN section open")])
    monkeypatch.setattr("studies.faults.study.SOUND", [])
    monkeypatch.setattr(technician, "shipped_rules", tuple)
    printed = CliRunner().invoke(main, ["--seeds", "1", "--wrong"])
    assert printed.exit_code == 0
    assert "split condenser: FAN section open (coarse, 1)" in printed.output
    assert "read: run capacitor FAN C–FAN" in printed.output
    assert "right cause first: 0 of 2" in printed.output
