"""Markings with known readings, compared with the table in the documentation."""

from pathlib import Path

import pytest
from click.testing import CliRunner

import meterlink
from studies.labels.markings import Marking, load_markings
from studies.labels.study import HAND_WRITTEN, TABLE, Outcome, count_outcomes, draw_markings, main
from studies.markdown import read_table

DOCUMENT = Path(meterlink.__file__).parent / "docs" / "judge.md"
FIRST = "first_hundred.txt"
COUNT = 5000


@pytest.mark.parametrize("markings", [load_markings(FIRST), draw_markings(COUNT, seed=2)], ids=["by hand", "generated"])
def test_four_fifths_are_read_and_the_right_reading_is_offered_for_the_rest(markings: list[Marking]) -> None:
    clear, others = count_outcomes(markings)
    assert clear[Outcome.READ] >= 0.8 * clear.total()
    assert others[Outcome.ASKED] + others[Outcome.REFUSED] >= 0.95 * others.total()


@pytest.mark.parametrize("name", HAND_WRITTEN.values())
def test_no_marking_written_by_hand_is_read_wrongly(name: str) -> None:
    clear, others = count_outcomes(load_markings(name))
    assert clear[Outcome.WRONG] == others[Outcome.WRONG] == 0


def test_no_generated_marking_is_read_wrongly() -> None:
    clear, others = count_outcomes(draw_markings(COUNT, seed=3))
    assert clear[Outcome.WRONG] == others[Outcome.WRONG] == 0


@pytest.mark.timeout(120)  # some seconds here; a small board takes longer
def test_the_table_in_the_documentation_is_the_one_of_the_study() -> None:
    printed = CliRunner().invoke(main, ["--count", str(COUNT), "--seed", "1"])
    assert printed.exit_code == 0, printed.output
    assert [line for line in read_table(DOCUMENT, TABLE) if line] == printed.output.splitlines()
