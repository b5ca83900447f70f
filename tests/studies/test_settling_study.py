"""Ten thousand seeded measurements on simulated meters, and what the documentation says of them."""

import re
from importlib import resources

import pytest
from click.testing import CliRunner

from meterlink.core.errors import InputError
from studies.settling.cases import MeasurementKind, draw_case
from studies.settling.published_detectors import PublishedDetector, RStatistic
from studies.settling.study import (
    BEGIN,
    END,
    METERLINK,
    METHODS,
    main,
    markdown_table,
    replace_between_markers,
    run_case,
    run_study,
)

RUNS, SEED = 10_000, 1
DOCUMENT = resources.files("meterlink") / "docs" / "settling.md"


def rows(lines: list[str]) -> dict[str, dict[str, str]]:
    """Return the rows of a Markdown table: name -> column -> cell."""
    head, _, *body = ([cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("|"))
    return {cells[0]: dict(zip(head[1:], cells[1:], strict=True)) for cells in body}


def numbers(cell: str) -> list[float]:
    return [float(number) for number in re.findall(r"[0-9.]+", cell)]


@pytest.mark.timeout(900)  # half a minute here; a small board takes longer
def test_ten_thousand_measurements_hold_nothing_more_than_a_digit_off() -> None:
    outcomes = run_study(RUNS, SEED, (METERLINK,))
    assert len(outcomes) > RUNS  # those that were lifted and clipped again have two
    wrong = [(outcome.number, outcome.case.kind) for outcome in outcomes if outcome.false_settling]
    assert wrong == []
    assert all(outcome.counts_off is None or outcome.counts_off <= 1 for outcome in outcomes)
    assert [outcome.number for outcome in outcomes if outcome.missed] == []
    assert {outcome.case.kind for outcome in outcomes} == set(MeasurementKind)
    assert not any(outcome.settled for outcome in outcomes if outcome.case.kind is MeasurementKind.RAMP)

    # The documentation says the same. Other machines may round a last place of an exponential another way.
    _, _, rest = DOCUMENT.read_text(encoding="utf-8").partition(BEGIN)
    documented = rows(rest.partition(END)[0].splitlines())
    assert f"{RUNS} measurements, seed {SEED}:" in rest
    found = rows(markdown_table(outcomes))
    assert documented.keys() == found.keys()
    for name, cells in found.items():
        for column, cell in cells.items():
            assert numbers(documented[name][column]) == pytest.approx(numbers(cell), rel=0.02, abs=0.11), (name, column)


def test_ahead_of_the_published_tests_on_quantised_displays() -> None:
    outcomes = run_study(600, 2)
    found = rows(markdown_table(outcomes))["**all**"]
    assert found[f"{METERLINK}: false"] == found[f"{METERLINK}: missed"] == "0"
    wait = numbers(found[f"{METERLINK}: wait"])
    for peer in METHODS:
        if peer != METERLINK:
            assert int(found[f"{peer}: false"]) + int(found[f"{peer}: missed"]) > 0
            assert numbers(found[f"{peer}: wait"])[0] > 1.5 * wait[0]


def test_the_study_finds_a_hasty_method_out(monkeypatch: pytest.MonkeyPatch) -> None:
    # One without a limit holds as soon as it may; another never does.
    monkeypatch.setitem(METHODS, "hasty", lambda: PublishedDetector(lambda: RStatistic(limit=1e9)).feed)
    monkeypatch.setitem(METHODS, "idle", lambda: lambda _: None)
    outcomes = [
        outcome
        for number in range(120)
        for outcome in run_case(draw_case(3, number), number, ("hasty", "idle", METERLINK))
    ]
    false = {outcome.case.kind for outcome in outcomes if outcome.method == "hasty" and outcome.false_settling}
    assert {MeasurementKind.RUN_CAPACITOR, MeasurementKind.START_CAPACITOR, MeasurementKind.RAMP} <= false
    owed = [outcome for outcome in outcomes if outcome.method == "idle" and not outcome.case.changing]
    assert sum(outcome.missed for outcome in owed) == len({outcome.number for outcome in owed})
    assert not any(outcome.false_settling or outcome.missed for outcome in outcomes if outcome.method == METERLINK)


def test_the_same_seed_gives_the_same_table() -> None:
    assert markdown_table(run_study(25, 4, (METERLINK,))) == markdown_table(run_study(25, 4, (METERLINK,)))
    assert markdown_table(run_study(25, 4, (METERLINK,))) != markdown_table(run_study(25, 5, (METERLINK,)))


def test_the_command_prints_the_table_and_puts_it_into_a_file(tmp_path) -> None:
    printed = CliRunner().invoke(main, ["--runs", "12", "--seed", "6"])
    assert printed.exit_code == 0
    assert rows(printed.output.splitlines())["**all**"]["touches"].isdigit()
    file = tmp_path / "page.md"
    file.write_text(f"before\n\n{BEGIN}\nold\n{END}\n\nafter\n", encoding="utf-8")
    assert CliRunner().invoke(main, ["--runs", "12", "--seed", "6", "--markdown", str(file)]).exit_code == 0
    text = file.read_text(encoding="utf-8")
    assert text.startswith("before\n")
    assert text.endswith("after\n")
    assert "old" not in text
    assert "12 measurements, seed 6:" in text
    assert printed.output.strip() in text


def test_a_file_without_the_markers_is_left_alone() -> None:
    with pytest.raises(InputError, match="no place for the table"):
        replace_between_markers("nothing here", ["| a |"])
