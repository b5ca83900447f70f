"""``meterlink trend`` over the visits of several years, as a shell sees it."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import CircuitState, Meter, PointKind, Site, Span, TestPoint
from meterlink.core.text import clean_text
from meterlink.core.units import Quantity, parse_amount
from support.commands import CommandResult, run_command, run_for_json
from support.examples import examples
from support.recorded_parts import COIL, capacitor
from support.recorded_visits import RecordedVisit, store_visits

SITE = Site("Mill Lane bakery", "Condenser 1")
OTHER_SITE = Site("Harbour cold store", "Condenser 1")
# Spring and autumn of three years.
DAYS = ["2023-05-04", "2023-10-02", "2024-05-06", "2024-09-30", "2025-05-05", "2025-10-06"]
DRIFTING = ["45.1 uF", "44.8 uF", "44.3 uF", "44.1 uF", "43.6 uF", "43.2 uF"]


def season(values: list[str], point: TestPoint | None = None, site: Site = SITE, **more: Any) -> list[RecordedVisit]:
    return [
        RecordedVisit(day, site, [(point or capacitor(), value)], **more)
        for day, value in zip(DAYS, values, strict=False)
    ]  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


def run(folder: Path, *args: str) -> CommandResult:
    return run_command("trend", "--data", str(folder), *args)


def printed_json(folder: Path, *args: str) -> list[dict[str, Any]]:
    return list(run_for_json("trend", "--data", str(folder), *args))


def printed_words(folder: Path, *args: str) -> str:
    code, out, err = run(folder, *args)
    assert (code, err) == (0, "")
    return " ".join(out.split())


def store(folder: Path, *visits: RecordedVisit) -> None:
    store_visits(folder / "meterlink.db", visits)


def test_a_drifting_capacitor(folder: Path) -> None:
    store(folder, *season(DRIFTING))
    (fields,) = printed_json(folder)
    assert (fields["site"], fields["unit"], fields["circuit"]) == ("Mill Lane bakery", "Condenser 1", "compressor")
    assert (fields["component"], fields["section"], fields["terminals"]) == ("run capacitor", "HERM", ["C", "HERM"])
    assert (fields["rating"], fields["low"], fields["high"], fields["limits_unit"]) == ("45 µF ±6 %", 42.3, 47.7, "µF")
    trend = fields["trend"]
    assert (trend["answer"], trend["visit_count"], trend["s"]) == ("DRIFTING DOWN, 0.776 µF a year", 6, -15)
    # The same visits, typed in on the command line.
    points = [
        part for day, value in zip(DAYS, DRIFTING, strict=True) for part in ("--point", f"{day}T12:00:00={value}")
    ]
    assert run_for_json("judge", "trend", *points, "--low=42.3uF", "--high=47.7uF") == trend
    words = printed_words(folder)
    assert "Mill Lane bakery / Condenser 1: compressor, run capacitor HERM, C–HERM, capacitance" in words
    assert "with 95 % confidence -0.886 to -0.702." in words
    assert "crosses the low limit of 42.3 µF between 2026-07-06 and 2027-06-25, about 2026-12-30." in words
    assert "Newest limits 42.3 to 47.7 µF (45 µF ±6 %)." in words
    assert "One value per visit: the last accepted reading." in words


def test_a_constant_part_shows_no_trend(folder: Path) -> None:
    store(folder, *season(["14.2 ohm"] * 6, COIL))
    (fields,) = printed_json(folder)
    trend = fields["trend"]
    assert (trend["answer"], trend["slope_per_year"], trend["crossings"]) == ("NO TREND SHOWN", 0, [])
    assert trend["p_value"] == 1


@pytest.mark.parametrize("visits", [1, 2, 4])
def test_too_few_visits(folder: Path, visits: int) -> None:
    store(folder, *season(DRIFTING[:visits]))
    (fields,) = printed_json(folder)
    assert (fields["trend"]["has_enough_visits"], fields["trend"]["crossings"]) == (False, [])
    assert f"NOT ENOUGH VISITS (have {visits}, need 5)" in printed_words(folder)


def test_a_part_of_another_rating_starts_anew(folder: Path) -> None:
    old, new = season(DRIFTING[:3]), season(["50.1 uF"] * 6, capacitor("50 uF"))[3:]
    store(folder, *old, *new)
    (fields,) = printed_json(folder)
    assert (fields["rating"], fields["low"], fields["trend"]["visit_count"]) == ("50 µF ±6 %", 47, 3)
    assert fields["replacement"] == {
        "on": "2024-09-30T12:00:00.000Z",
        "old_rating": "45 µF ±6 %",
        "visits_before": 3,
    }
    words = printed_words(folder)
    assert "changed from 45 µF ±6 % to 50 µF ±6 % on 2024-09-30" in words
    assert "3 earlier visits are not counted" in words


def test_a_missing_rating_is_not_a_new_rating(folder: Path) -> None:
    visits = season(DRIFTING)
    for number in (0, 2, 5):
        visits[number] = RecordedVisit(DAYS[number], SITE, [(capacitor(""), DRIFTING[number])])
    store(folder, *visits)
    (fields,) = printed_json(folder)
    assert fields["replacement"] is None
    assert (fields["trend"]["visit_count"], fields["limits_basis"]) == (6, "45 µF ±6 %")  # the newest known


def test_without_any_limits_there_is_a_slope_and_no_date(folder: Path) -> None:
    store(folder, *season(DRIFTING, capacitor("")))
    (fields,) = printed_json(folder)
    assert (fields["limits_basis"], fields["low"], fields["high"]) == (None, None, None)
    assert (fields["trend"]["is_significant"], fields["trend"]["crossings"]) == (True, [])
    assert "Newest limits" not in printed_words(folder)


def test_the_last_accepted_of_a_visit_counts(folder: Path) -> None:
    visits = season(DRIFTING)
    visits[2] = RecordedVisit(DAYS[2], SITE, [(capacitor(), "9.9 uF"), (capacitor(), DRIFTING[2])])
    store(folder, *visits)
    (fields,) = printed_json(folder)
    assert fields["trend"]["visit_count"] == 6
    assert fields["trend"]["answer"] == "DRIFTING DOWN, 0.776 µF a year"


def test_units_are_converted(folder: Path) -> None:
    store(folder, *season(["45100 nF", *DRIFTING[1:]]))
    assert printed_json(folder)[0]["trend"]["answer"] == "DRIFTING DOWN, 0.776 µF a year"


def test_readings_without_drift_are_left_out_and_listed(folder: Path) -> None:
    visits = season([*DRIFTING[:4], "0.02 uF", "OL uF"])
    visits[1] = RecordedVisit(DAYS[1], SITE, [(capacitor(), "20.0 uF")], clock_set=False)
    store(folder, *visits)
    (fields,) = printed_json(folder)
    assert fields["trend"]["visit_count"] == 3
    assert fields["excluded"] == [
        {"at": None, "reading": "20.0 µF", "reason": "the clock was not set"},
        {"at": "2025-05-05T12:00:00.000Z", "reading": "0.02 µF", "reason": "open"},
        {"at": "2025-10-06T12:00:00.000Z", "reading": "OL µF", "reason": "over range"},
    ]
    words = printed_words(folder)
    assert "Left out: 2025-05-05, 0.02 µF, open." in words
    assert "Left out: day unknown, 20.0 µF, the clock was not set." in words


def test_a_point_without_a_single_value(folder: Path) -> None:
    ground = TestPoint(
        "ground", "compressor", "compressor", ("C", "GND"), Quantity.RESISTANCE, CircuitState.ISOLATED,
        PointKind.INSULATION, Span(parse_amount("1 Mohm").digits, None, "MΩ"),
    )  # fmt: skip
    store(folder, *season(["OL ohm"] * 3, ground))
    (fields,) = printed_json(folder)
    assert (fields["trend"], len(fields["excluded"]), fields["excluded"][0]["reason"]) == (None, 3, "no value")
    assert "NO VALUES" in printed_words(folder)


def test_two_meters_are_mentioned(folder: Path) -> None:
    visits = season(DRIFTING)
    visits[3] = RecordedVisit(DAYS[3], SITE, visits[3].accepted, meter=Meter("00:00:5E:00:53:0B", "bench meter"))
    store(folder, *visits)
    assert "Read with 2 meters" in printed_words(folder)


def test_the_offset_of_a_single_meter_does_not_matter(folder: Path) -> None:
    store(folder, *season(DRIFTING))
    assert "less than a meter may be off" not in printed_words(folder)


def test_the_meters_uncertainty_reaches_the_trend(folder: Path) -> None:
    # 0.3 µF over the visits, with two meters good to about 1.5 µF each.
    slight = [f"45.{tenth} uF" for tenth in (4, 4, 3, 3, 2, 1)]
    visits = season(slight)
    visits[5] = RecordedVisit(DAYS[5], SITE, visits[5].accepted, meter=Meter("00:00:5E:00:53:0B", "bench meter"))
    store(folder, *visits)
    assert "is less than a meter may be off" in printed_words(folder)


def test_each_point_by_itself_and_filters(folder: Path) -> None:
    both = [
        RecordedVisit(day, site, [(capacitor(), value), (capacitor("5 uF", "FAN"), "5.01 uF"), (COIL, "14.2 ohm")])
        for site in (SITE, OTHER_SITE)
        for day, value in zip(DAYS, DRIFTING, strict=True)
    ]
    store(folder, *both)
    assert len(printed_json(folder)) == 6
    assert {fields["trend"]["visit_count"] for fields in printed_json(folder)} == {6}
    assert [fields["site"] for fields in printed_json(folder, "--site", OTHER_SITE.name.upper())] == [
        OTHER_SITE.name
    ] * 3
    assert [fields["section"] for fields in printed_json(folder, "--component", "run capacitor")] == [
        "HERM", "FAN", "HERM", "FAN",
    ]  # fmt: skip
    assert len(printed_json(folder, "--unit", "condenser 1", "--site", SITE.name, "--component", COIL.component)) == 1
    assert printed_json(folder, "--unit", "Condenser 2") == []
    _, out, _ = run(folder, "--unit", "Condenser 2")
    assert out == "No accepted readings match; give names in full.\n"


def test_an_empty_database_and_none(folder: Path) -> None:
    code, out, err = run(folder)
    assert (code, out, err.count("\n")) == (1, "", 1)
    assert "There is no database" in err
    store(folder)
    assert run(folder) == (0, "No accepted readings yet.\n", "")
    assert printed_json(folder) == []


@pytest.mark.parametrize("width", [100, 80, 40, 12])
def test_no_line_is_wider_than_the_terminal(folder: Path, monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    store(folder, *season(DRIFTING))
    monkeypatch.setenv("COLUMNS", str(width))
    _, out, _ = run(folder)
    assert max(map(len, out.splitlines())) <= max(width, 20)


def test_the_documented_keys_are_the_ones_printed(folder: Path) -> None:
    store(folder, *season(DRIFTING))
    (fields,) = printed_json(folder)
    assert list(fields) == [
        "site", "unit", "circuit", "component", "section", "terminals", "quantity", "rating", "low", "high",
        "limits_unit", "limits_basis", "replacement", "excluded", "trend",
    ]  # fmt: skip
    words = run(folder, "--help")[1]
    assert all(key in words for key in fields)


@pytest.mark.parametrize("args", [("--sites",), ("--unit",), ("extra",), ("--json=yes",)])
def test_nonsense_is_one_line_and_status_2(folder: Path, args: tuple[str, ...]) -> None:
    code, out, err = run(folder, *args)
    assert (code, out, err.count("\n")) == (2, "", 1)


def test_names_are_only_ever_compared(tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("names")
    store(folder, *season(DRIFTING))

    @examples(50)
    @given(st.text(max_size=20), st.sampled_from(["--site", "--unit", "--component"]))
    def typed(name: str, option: str) -> None:
        code, out, err = run(folder, f"{option}={name}")
        if not clean_text(name) or "\0" in name:
            assert (code, out) == (2, "")
            return
        assert (code, err) == (0, "")
        known = {SITE.name.lower(), SITE.unit.lower(), "run capacitor"}
        assert name.lower() in known or out.startswith("No accepted readings match")

    typed()


# Recorded replacements


SWAP = """
[[replacement]]
component = "run capacitor"
on = "2024-08-01"
old_rating = "45+5 uF 440 V"
"""


def replacements(folder: Path, text: str = SWAP) -> tuple[str, str]:
    file = folder / "replacements.toml"
    file.write_text(text, encoding="utf-8")
    return "--replacements", str(file)


def test_a_trend_starts_anew_at_a_replacement_of_the_same_rating(folder: Path) -> None:
    store(folder, *season(DRIFTING), *season(["5.01 uF"] * 6, capacitor("5 uF", "FAN")))
    herm, fan = printed_json(folder, *replacements(folder))
    for series in (herm, fan):  # a dual capacitor is one part
        assert series["trend"]["visit_count"] == 3
        assert series["replacement"] == {
            "on": "2024-08-01T00:00:00.000Z", "old_rating": "45+5 uF 440 V", "visits_before": 3,
        }  # fmt: skip
    assert (
        "The run capacitor was replaced on 2024-08-01 (45+5 uF 440 V): the trend starts anew, and 3 earlier visits are"
        " not counted."
    ) in printed_words(folder, *replacements(folder))


def test_a_replacement_elsewhere_changes_nothing(folder: Path) -> None:
    store(folder, *season(DRIFTING))
    (fields,) = printed_json(folder, *replacements(folder, f'{SWAP}site = "Harbour cold store"'))
    assert fields["replacement"] is None


def test_a_new_part_that_is_not_measured_yet(folder: Path) -> None:
    store(folder, *season(DRIFTING))
    late = replacements(folder, SWAP.replace("2024-08-01", "2026-01-01"))
    assert printed_json(folder, *late)[0]["trend"] is None
    assert "NO VALUES" in printed_words(folder, *late)
    assert "The new part is not measured yet." in printed_words(folder, *late)


def test_a_newer_rating_is_a_newer_part(folder: Path) -> None:
    visits = [*season(DRIFTING[:4]), *(RecordedVisit(day, SITE, [(capacitor("50 uF"), "50.1 uF")]) for day in DAYS[4:])]
    store(folder, *visits)
    (fields,) = printed_json(folder, *replacements(folder))
    assert fields["replacement"]["visits_before"] == 4


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (SWAP.replace("2024-08-01", "in August"), "replacement 1, on: 'in August' is not a date"),
        (SWAP.replace("component", "part"), "component is missing"),
        ("", "replacement is missing"),
    ],
)
def test_an_unusable_file_of_replacements(folder: Path, text: str, message: str) -> None:
    store(folder, *season(DRIFTING))
    code, _, err = run(folder, *replacements(folder, text))
    assert code == 2
    assert message in err
