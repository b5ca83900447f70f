"""The long set: its results survive an interruption, belong to a commit, and go into the documents."""

import sys
from pathlib import Path

import pytest

from meterlink.core.errors import InputError
from studies.long_set import (
    Result,
    Step,
    benchmark_table,
    printed_figures,
    run_step,
    steps,
    store_result,
    stored_result,
    study_table,
    write_result,
)
from studies.markdown import read_table, write_table
from studies.mutation.outcomes import Outcome, mutation_table

STEP = Step("settling-study", (sys.executable, "-c", "print('| a |')"), "5 measurements", "page.md")


def test_a_finished_step_is_kept_for_its_commit_and_command(tmp_path: Path) -> None:
    assert stored_result(tmp_path, STEP, "abc1234") is None
    result = run_step(STEP, "abc1234", tmp_path)
    assert result.output == "| a |\n"
    store_result(tmp_path, STEP, result)
    assert stored_result(tmp_path, STEP, "abc1234") == result
    assert stored_result(tmp_path, STEP, "def5678") is None
    larger = Step(STEP.name, (*STEP.command, "more"), STEP.size)
    assert stored_result(tmp_path, larger, "abc1234") is None


def test_a_failed_step_leaves_its_output_and_no_result(tmp_path: Path) -> None:
    step = Step("study: some", (sys.executable, "-c", "import sys; print('seen'); sys.exit(1)"), "full")
    with pytest.raises(InputError, match="failed"):
        run_step(step, "abc1234", tmp_path)
    assert "seen" in (tmp_path / "study-some.log").read_text(encoding="utf-8")
    assert stored_result(tmp_path, step, "abc1234") is None


def test_a_table_goes_between_its_markers_with_its_commit(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text(
        "before\n<!-- settling study: begin -->\nold\n<!-- settling study: end -->\nafter\n", encoding="utf-8"
    )
    result = Result(STEP.name, "abc1234", [], STEP.size, "2026-05-04", 60.0, "| a |\n|---|\n")
    write_result(tmp_path, STEP, result, tmp_path)
    assert read_table(page, "settling study") == [
        "", "", "5 measurements. Measured by `.ci/long` at commit abc1234, 2026-05-04.", "", "| a |", "|---|", "",
    ]  # fmt: skip
    text = page.read_text(encoding="utf-8")
    assert text.startswith("before\n")
    assert text.endswith("\nafter\n")
    with pytest.raises(InputError, match="no markers"):
        write_table(page, "another", [])


def test_the_tables() -> None:
    result = Result(
        "study: test_x.py", "abc1234", [], "the full size", "2026-05-04", 90.0, "...\n=== 3 passed in 9.1s ===\n"
    )
    assert study_table([result])[-1] == ("| study: test_x.py | the full size | 3 passed | 1.5 | abc1234, 2026-05-04 |")
    figure = {"name": "test_x", "stats": {"median": 0.0012345}, "extra_info": {"rows_per_s": 12345.6}}
    assert benchmark_table([figure])[-1] == "| test_x | 1.23 | rows per s: 1.235e+04 |"
    assert printed_figures("..\n.feed: 2 µs, ratio 3\n8 passed\n") == ["- feed: 2 µs, ratio 3"]


def test_the_table_of_changes() -> None:
    def outcome(module: str, number: int, text: str) -> Outcome:
        return Outcome(f"meterlink/{module}.py", number, 9, 1, "a < b", "a <= b", text)

    outcomes = [
        outcome("judge/limits", 0, "killed"),
        outcome("judge/limits", 5, "survived"),
        outcome("judge/drift/trend", 1, "timeout"),
        outcome("store/rows", 1, "no test"),
    ]
    assert mutation_table(outcomes)[2:] == [
        "| judge/limits.py | 9 | 2 | 1 | 0 | 1 | 0 | 50% |",
        "| judge/drift/trend.py | 9 | 1 | 0 | 1 | 0 | 0 | 100% |",
        "| store/rows.py | 9 | 1 | 0 | 0 | 0 | 1 | 0% |",
        "| **judge** | 18 | 3 | 1 | 1 | 1 | 0 | 67% |",
        "| **store** | 9 | 1 | 0 | 0 | 0 | 1 | 0% |",
    ]


def test_every_study_is_a_step(tmp_path: Path) -> None:
    names = [step.name for step in steps(tmp_path, quick=False)]
    assert len(set(names)) == len(names)
    expected = {
        "settling-study",
        "teaching-study",
        "people-study",
        "teaching-sweep",
        "soak",
        "study: test_profile_fuzz.py",
        "hypothesis: test_units.py",
        "guest: a real BlueZ",
    }
    assert expected | {"benchmarks", "mutation"} <= set(names)
