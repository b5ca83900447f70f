"""`meterlink diagnose` with a real database, as a technician or a program runs it."""

import json
import subprocess
import sys
from decimal import Decimal

import pytest
from click.testing import CliRunner

from meterlink.cli.diagnose import command
from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Rating, Site, Span, TestPoint
from meterlink.core.errors import InputError, SettingsError, StoreError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Amount, Quantity
from meterlink.diagnosis.rules_page import render_rules_page
from meterlink.judge.judging import MeasuredValue, judge, limits_for
from meterlink.station.rules import shipped_rules
from meterlink.store.reader import Reader
from meterlink.store.rows import AcceptedRow, Batch, NewConnection, ReadingRow
from meterlink.store.writer import Writer
from support.commands import run_command

OUTER = 60  # s
NOON = 1_783_944_000 * 1_000_000_000  # 2026-07-13T12:00:00Z
MINUTE = 60 * 1_000_000_000


class StoppedClock:
    def now(self):
        return Timestamp(NOON, 1)


def point(key, component, terminals, quantity, state, kind, specification, section=""):
    return TestPoint(key, "compressor", component, terminals, quantity, state, kind, specification, section)


PLAN = Plan(
    "call",
    (
        point(
            "herm", "run capacitor", ("C", "HERM"), Quantity.CAPACITANCE, CircuitState.ISOLATED, PointKind.CAPACITOR,
            Rating(Amount(Decimal(45), "µF"), "6 %"), "HERM",
        ),
        point(
            "fan", "run capacitor", ("C", "FAN"), Quantity.CAPACITANCE, CircuitState.ISOLATED, PointKind.CAPACITOR,
            Rating(Amount(Decimal(5), "µF"), "6 %"), "FAN",
        ),
        point(
            "coil-volts", "contactor coil", ("A1", "A2"), Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE,
            Span(Decimal("20.4"), Decimal("26.4"), "V"),
        ),
        point("cs", "compressor motor", ("C", "S"), Quantity.RESISTANCE, CircuitState.ISOLATED, PointKind.RANGE, None),
        point("cr", "compressor motor", ("C", "R"), Quantity.RESISTANCE, CircuitState.ISOLATED, PointKind.RANGE, None),
        point("rs", "compressor motor", ("R", "S"), Quantity.RESISTANCE, CircuitState.ISOLATED, PointKind.RANGE, None),
        point(
            "amps", "compressor motor", ("T1", "C"), Quantity.CURRENT, CircuitState.ENERGIZED, PointKind.RANGE,
            Span(None, Decimal("14.1"), "A", locked_rotor=Decimal(77)),
        ),
    ),
)  # fmt: skip

# For each visit: (key of the test point, digits or None for an overload, unit, minutes after noon).
VISITS: tuple[list[tuple[str, str | None, str, int]], ...] = (
    [("herm", "44.8", "µF", 0), ("fan", "5.02", "µF", 1)],
    [("herm", "4.52", "µF", 0), ("fan", "4.51", "µF", 1)],
    [("coil-volts", "0.2", "V", 0), ("coil-volts", "0.3", "V", 7)],
    [("cs", None, "Ω", 0), ("cr", None, "Ω", 1), ("rs", "5.2", "Ω", 2)],
    [("herm", "44.8", "µF", 0), ("amps", "52.0", "A", 1)],
    [],
)


@pytest.fixture
def data(tmp_path):
    folder = tmp_path / "data"
    writer = Writer(
        folder / "meterlink.db", station="van-3", clock=StoppedClock(), boot_id="boot-a", on_alarm=lambda _: None
    )
    writer.start()
    meter = writer.register_meter(Meter("00:00:5E:00:53:0A", "bench \x1b[31mmeter")).result(OUTER)
    connection = writer.open_connection(NewConnection(meter, Timestamp(NOON, 1)))
    points = {test_point.key: test_point for test_point in PLAN.points}
    for number, readings in enumerate(VISITS):
        ids = writer.open_visit(Site("Mill Lane bakery", f"Condenser {number}"), PLAN, Timestamp(NOON, 1)).result(OUTER)
        for key, digits, unit, minutes in readings:
            test_point = points[key]
            reading = Reading(
                test_point.quantity,
                None if digits is None else Decimal(digits),
                unit,
                Timestamp(NOON + minutes * MINUTE, 1 + minutes * MINUTE),
                Status.OVERLOAD if digits is None else Status.OK,
                resolution=Decimal("0.01") if test_point.quantity is Quantity.CAPACITANCE else Decimal("0.1"),
            )
            judgement = judge(test_point.kind, limits_for(test_point), MeasuredValue.from_reading(reading))
            row = ReadingRow(reading, connection, ids.visit_id, ids.point_ids[key], clock_set=True)
            writer.submit(Batch(accepted=(AcceptedRow(row, judgement, 1.0),))).result(OUTER)
    writer.close()
    return folder


def run(data, *args):
    return CliRunner().invoke(command, ["--data", str(data), *args], catch_exceptions=False)


def visit(data, number):
    return Reader(data / "meterlink.db").visits()[number].uid


def diagnose(data, number, *args):
    return json.loads(run(data, "--visit", visit(data, number), "--json", *args).output)


def test_nothing_wrong(data):
    answer = diagnose(data, 0)
    assert answer["causes"] == []
    assert answer["unit"] == "Condenser 0"
    assert answer["summary"] == "Every accepted reading is within its limits. These readings do not point to a part."


def test_leads_across_both_sections(data):
    answer = diagnose(data, 1)
    first = answer["causes"][0]
    assert (first["rule"], first["confidence"]) == ("leads-across-both-sections", "very likely")
    assert "move a lead to C" in first["next_measurement"]
    assert {cause["rule"] for cause in answer["causes"]} == {
        "leads-across-both-sections", "section-failed", "section-weak",
    }  # fmt: skip


def test_time_between_readings_counts(data):
    (cause,) = diagnose(data, 2)["causes"]  # seven minutes are longer than any start-up delay
    assert (cause["rule"], cause["confidence"]) == ("no-voltage-at-coil", "likely")
    assert any("7 minutes" in sentence for sentence in cause["evidence_for"])


def test_points_without_limits_can_have_a_cause(data):
    (cause,) = diagnose(data, 3)["causes"]
    assert cause["rule"] == "overload-open"
    assert "cool" in cause["next_measurement"]


def test_locked_rotor_amps_are_read_from_the_stored_rating(data):
    """52 A are 3.7 times 14.1 A: only the 77 A of the nameplate beside them show a rotor that stands still."""
    first = diagnose(data, 4)["causes"][0]
    assert (first["rule"], first["confidence"]) == ("locked-mechanically", "likely")
    assert "68% of its locked-rotor 77 A" in first["evidence_for"][0]


def test_the_latest_visit_is_the_default(data):
    assert "No reading is accepted" in run(data).output
    assert "leads were across" in run(data, "--visit", visit(data, 1)).output


def test_text_fits_the_terminal(data, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    output = run(data, "--visit", visit(data, 1)).output
    assert max(map(len, output.splitlines())) <= 60
    assert "\x1b" not in output
    for label in ("VERY LIKELY", "CANNOT TELL UNTIL", "for ", "against ", "next ", "caution ", "related "):
        assert label in output


def test_the_truck_is_searched_for_a_failed_capacitor(data):
    run_command("stock", "add", "45+5 uF 440 V", "--data", str(data))
    (sentence,) = diagnose(data, 1)["replacements"]
    assert sentence == "Enter the label of the run capacitor, with its volts: then the parts on the truck are named."
    assert sentence in " ".join(run(data, "--visit", visit(data, 1)).output.split())
    assert diagnose(data, 0)["replacements"] == []


def test_rules_are_printed_without_a_database(tmp_path):
    assert run(tmp_path, "--rules").output == render_rules_page(shipped_rules())


def test_no_folder_no_database_and_no_such_visit(data, tmp_path):
    with pytest.raises(SettingsError, match="There is no data folder"):
        run(tmp_path / "missing")
    (tmp_path / "empty").mkdir()
    with pytest.raises(StoreError):
        run(tmp_path / "empty")
    with pytest.raises(InputError, match="There is no visit 'x'"):
        run(data, "--visit", "x")


@pytest.mark.parametrize("args", [("--mains", "0Hz"), ("--mains", "5 V"), ("--ground-minimum", "0 ohm")])
def test_impossible_options(data, args):
    with pytest.raises(InputError):
        run(data, *args)


def test_from_a_shell(data):
    completed = subprocess.run(
        [sys.executable, "-m", "meterlink", "diagnose", "--data", str(data), "--visit", visit(data, 3), "--json"],
        capture_output=True,
        text=True,
        check=True,
        timeout=OUTER,
    )
    assert json.loads(completed.stdout)["causes"][0]["kind"] == "part"
