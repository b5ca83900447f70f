"""Seeded measurements on simulated meters; at the size of the documented table, compared with it."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from studies.markdown import read_table
from studies.settling.cases import MeasurementKind, draw_case
from studies.settling.published_detectors import PublishedDetector, RStatistic
from studies.settling.sequences import SequenceKind
from studies.settling.study import (
    METERLINK,
    METHODS,
    main,
    markdown_table,
    run_case,
    run_sequences,
    run_study,
    sequences_beside,
)

RUNS, SEED = 10_000, 1
DOCUMENT = Path(__file__).parents[2] / "meterlink" / "docs" / "settling.md"


def rows(lines: list[str]) -> dict[str, dict[str, str]]:
    """Return the rows of a Markdown table: ``{name: {column: cell}}``."""
    head, _, *body = ([cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("|"))
    return {cells[0]: dict(zip(head[1:], cells[1:], strict=True)) for cells in body}


def numbers(cell: str) -> list[float]:
    return [float(number) for number in re.findall(r"[0-9.]+", cell)]


@pytest.mark.study(everyday=500, sample=1_500, full=RUNS)  # measurements
def test_no_measurement_accepts_a_value_more_than_a_digit_off(study_size: int) -> None:
    results = run_study(study_size, SEED, (METERLINK,))
    assert len(results) > study_size  # measurements with a second contact have two results
    wrong = [(result.number, result.case.kind) for result in results if result.false_settling]
    assert wrong == []
    assert all(result.counts_off is None or result.counts_off <= 1 for result in results)
    assert [result.number for result in results if result.missed] == []
    assert {result.case.kind for result in results} == set(MeasurementKind)
    assert not any(result.settled for result in results if result.case.kind is MeasurementKind.RAMP)
    if study_size == RUNS:
        results += run_sequences(sequences_beside(RUNS), SEED, (METERLINK,))
        compare_with_document(markdown_table(results))


def compare_with_document(lines: list[str]) -> None:
    """Compare with the documented figures. Other machines may round the last digit of an exponential differently."""
    text = read_table(DOCUMENT, "settling study")
    documented = rows(text)
    assert any(line.startswith(f"{RUNS} measurements, seed {SEED}") for line in text)
    table = rows(lines)
    assert documented.keys() == table.keys()
    for name, cells in table.items():
        for column, cell in cells.items():
            assert numbers(documented[name][column]) == pytest.approx(numbers(cell), rel=0.02, abs=0.11), (name, column)


@pytest.mark.study(everyday=160, sample=400, full=2_500)  # sequences
def test_no_sequence_is_accepted_on_its_way_or_missed(study_size: int) -> None:
    results = run_sequences(study_size, SEED, (METERLINK,))
    assert [(result.number, result.case.kind) for result in results if result.false_settling or result.missed] == []
    assert {result.case.kind for result in results} == set(SequenceKind)
    assert not any(result.settled for result in results if result.case.kind is SequenceKind.PICK_UP)


@pytest.mark.study(everyday=None, sample=(1, 500), full=(10, RUNS))  # seeds, measurements of each
def test_other_seeds_show_no_false_reading_either(study_size: tuple[int, int]) -> None:
    seeds, measurements = study_size
    for seed in range(101, 101 + seeds):  # the document says so of seeds 101 to 110
        results = run_study(measurements, seed, (METERLINK,))
        results += run_sequences(sequences_beside(measurements), seed, (METERLINK,))
        assert [(result.number, result.case.kind) for result in results if result.false_settling] == []


@pytest.mark.study(everyday=0, sample=600, full=2_000)  # measurements
def test_ahead_of_the_published_tests_on_quantised_displays(study_size: int) -> None:
    results = run_study(study_size, 2)
    totals = rows(markdown_table(results))["**all**"]
    assert totals[f"{METERLINK}: false"] == totals[f"{METERLINK}: missed"] == "0"
    delay = numbers(totals[f"{METERLINK}: delay"])
    for peer in METHODS:
        if peer != METERLINK:
            assert int(totals[f"{peer}: false"]) + int(totals[f"{peer}: missed"]) > 0
            assert numbers(totals[f"{peer}: delay"])[0] > 1.5 * delay[0]


def test_the_study_detects_a_hasty_method(monkeypatch: pytest.MonkeyPatch) -> None:
    # The hasty method accepts at the earliest time, the idle method never.
    monkeypatch.setitem(METHODS, "hasty", lambda: PublishedDetector(lambda: RStatistic(limit=1e9)).feed)
    monkeypatch.setitem(METHODS, "idle", lambda: lambda _: None)
    results = [
        result
        for number in range(120)
        for result in run_case(draw_case(3, number), number, ("hasty", "idle", METERLINK))
    ]
    false = {result.case.kind for result in results if result.method == "hasty" and result.false_settling}
    assert {MeasurementKind.RUN_CAPACITOR, MeasurementKind.START_CAPACITOR, MeasurementKind.RAMP} <= false
    steady = [result for result in results if result.method == "idle" and not result.case.changing]
    assert sum(result.missed for result in steady) == len({result.number for result in steady})
    assert not any(result.false_settling or result.missed for result in results if result.method == METERLINK)


def test_the_sequences_detect_a_hasty_method(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(METHODS, "hasty", lambda: PublishedDetector(lambda: RStatistic(limit=1e9)).feed)
    results = run_sequences(80, 3, ("hasty",))
    false = {result.case.kind for result in results if result.false_settling}
    assert {SequenceKind.PICK_UP, SequenceKind.TEMPERATURE, SequenceKind.MOTOR_START} <= false


def test_the_same_seed_gives_the_same_table() -> None:
    assert markdown_table(run_study(25, 4, (METERLINK,))) == markdown_table(run_study(25, 4, (METERLINK,)))
    assert markdown_table(run_study(25, 4, (METERLINK,))) != markdown_table(run_study(25, 5, (METERLINK,)))


def test_the_command_prints_the_table() -> None:
    printed = CliRunner().invoke(main, ["--runs", "12", "--seed", "6"])
    assert printed.exit_code == 0
    assert rows(printed.output.splitlines())["**all**"]["contacts"].isdigit()
