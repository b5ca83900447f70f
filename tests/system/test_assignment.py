"""Readings that came outside any visit are given to one afterwards, as if they had come then."""

from collections.abc import Iterable
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Meter
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.settings import DATABASE_FILE
from meterlink.station.station import Station
from meterlink.store.reader import Reader
from meterlink.store.rows import Batch, NewConnection, ReadingRow
from meterlink_simulators.virtual_time import VIRTUAL_START
from support.commands import run_command, run_for_json
from support.virtual_stations import run_at_station
from support.writers import OUTER, running_writer

BAKERY = {"site": "Mill Lane bakery", "unit": "Condenser 1"}
ANSWERS = {"service": "240", "compressor-drive": "capacitor", "fan-motor": "capacitor", "contactor-poles": "2"}
HERM, COIL = "run-capacitor-herm", "contactor-coil"
START = int(VIRTUAL_START.timestamp()) * 1_000_000_000
SECOND = 1_000_000_000
METER = Meter("00:00:5E:00:53:0A", "bench meter")


def display(at_s: float, quantity: Quantity, digits: str | None, unit: str) -> Reading:
    at = START + round(at_s * SECOND)
    number = None if digits is None else Decimal(digits)
    status = Status.OVERLOAD if number is None else Status.OK
    return Reading(quantity, number, unit, Timestamp(at, at), status, resolution=Decimal("0.1"))


def measurement(at_s: float, quantity: Quantity, digits: str, unit: str) -> list[Reading]:
    """Return the display of a meter at 5 Hz: nothing on the probes for 2 s, a steady part for 8 s, nothing again."""
    at_rest = "0.0" if quantity is Quantity.CAPACITANCE else None
    return [display(at_s + step / 5, quantity, digits if 10 <= step < 50 else at_rest, unit) for step in range(60)]


def record(folder: Path, readings: Iterable[Reading]) -> None:
    """Store raw readings that belong to no visit, as a station without an open one does."""
    folder.mkdir(exist_ok=True)
    with running_writer(folder / DATABASE_FILE) as writer:
        meter = writer.register_meter(METER).result(OUTER)
        connection = writer.open_connection(NewConnection(meter, Timestamp(START, START)))
        rows = tuple(ReadingRow(reading, connection, clock_set=True) for reading in readings)
        writer.submit(Batch(readings=rows)).result(OUTER)


async def send(station: Station, command: str, **fields: Any) -> Any:
    return await station.result_of({"id": 1, "command": command, **fields})  # type: ignore[typeddict-item]


async def begin(station: Station) -> None:
    assert (await send(station, "begin_visit", **BAKERY)).error == ""
    for question, answer in ANSWERS.items():
        assert (await send(station, "answer", question=question, answer=answer)).error == ""
    assert (await send(station, "set_rating", point=HERM, text="45/5 MFD 440V")).error == ""


def span(begin_s: float, end_s: float) -> dict[str, int]:
    return {"since_utc_ns": START + round(begin_s * SECOND), "until_utc_ns": START + round(end_s * SECOND)}


def point_view(views: dict[str, Any], key: str) -> dict[str, Any]:
    found: dict[str, Any] = next(p for p in views["visit"]["points"] if p["key"] == key)
    return found


def test_a_reading_taken_before_the_visit_began_is_accepted_with_its_own_time(tmp_path: Path) -> None:
    """The technician measured first and named the place later."""
    record(
        tmp_path,
        [*measurement(0, Quantity.CAPACITANCE, "44.6", "µF"), *measurement(60, Quantity.RESISTANCE, "14.2", "Ω")],
    )

    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station)
        result = await send(station, "assign", point=HERM, **span(0, 100))
        assert (result.error, len(result.data["readings"])) == ("", 1)
        assert point_view(views, HERM)["accepted"]["text"] == "44.6 µF"
        assert point_view(views, HERM)["accepted"]["verdict"] == "within"
        assert point_view(views, COIL)["accepted"] is None
        again = await send(station, "assign", point=HERM, **span(0, 100))
        assert "no capacitance settled outside a visit that is not assigned yet" in again.error
        assert (await send(station, "assign", point=COIL, meter="bench meter", **span(60, 80))).error == ""
        other = await send(station, "assign", point=COIL, meter="clamp meter", **span(60, 80))
        assert "no resistance settled" in other.error

    run_at_station(tmp_path, body, later=timedelta(hours=1))
    reader = Reader(tmp_path / DATABASE_FILE)
    herm, coil = reader.history()
    assert herm.assigned_utc_ns is not None
    assert START < herm.reading.timestamp.utc_ns < START + 12 * SECOND
    assert (coil.reading.text, coil.settled_in > 0) == ("14.2 Ω", True)
    raw = reader.readings_between(START, START + 100 * SECOND)
    assert len(raw) == 120  # nothing is stored twice
    assert {stored.visit_uid for stored in raw} == {None}
    shown = run_for_json("visit", "show", "--data", str(tmp_path))
    (reading,) = next(p for p in shown["points"] if p["key"] == HERM)["readings"]
    assert reading["assigned_later"] is True


def test_probes_in_the_air_are_not_assigned_as_an_open_coil(tmp_path: Path) -> None:
    record(tmp_path, [display(step / 5, Quantity.RESISTANCE, None, "Ω") for step in range(100)])

    async def body(station: Station, views: dict[str, Any]) -> None:
        del views
        await begin(station)
        assert "no resistance settled" in (await send(station, "assign", point=COIL, **span(0, 30))).error

    run_at_station(tmp_path, body, later=timedelta(hours=1))
    assert Reader(tmp_path / DATABASE_FILE).history() == []


def test_a_reading_of_the_old_part_is_not_given_to_the_new_one(tmp_path: Path) -> None:
    record(tmp_path, measurement(0, Quantity.CAPACITANCE, "31.0", "µF"))

    async def body(station: Station, views: dict[str, Any]) -> None:
        await begin(station)
        assert (await send(station, "replace", point=HERM, text="45/5 MFD 440V")).error == ""
        refused = await send(station, "assign", point=HERM, **span(0, 100))
        assert "The run capacitor was replaced after that time." in refused.error
        assert point_view(views, HERM)["accepted"] is None

    run_at_station(tmp_path, body, later=timedelta(hours=1))


def test_a_turn_of_the_dial_ends_a_measurement_as_it_does_during_a_visit(tmp_path: Path) -> None:
    """The part was measured, the coil after it, and the part again: the µF display shows no lift between the two."""

    def on_the_part(begin_s: float) -> list[Reading]:
        return [display(begin_s + step / 5, Quantity.CAPACITANCE, "44.6", "µF") for step in range(40)]

    coil = [display(10 + step / 5, Quantity.RESISTANCE, "14.2", "Ω") for step in range(5)]
    record(tmp_path, [display(0, Quantity.CAPACITANCE, "0.0", "µF"), *on_the_part(1), *coil, *on_the_part(12)])

    async def body(station: Station, views: dict[str, Any]) -> None:
        del views
        await begin(station)
        result = await send(station, "assign", point=HERM, **span(0, 100))
        assert (result.error, len(result.data["readings"])) == ("", 2)

    run_at_station(tmp_path, body, later=timedelta(hours=1))
    first, second = sorted(row.reading.timestamp.utc_ns for row in Reader(tmp_path / DATABASE_FILE).history())
    assert first < START + 9 * SECOND < START + 12 * SECOND < second


def test_a_span_is_checked(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        del views
        assert "No visit is open." in (await send(station, "assign", point=HERM, **span(0, 1))).error
        await begin(station)
        for begin_s, end_s in ((10, 0), (0, 25 * 3600)):
            assert "cannot be used" in (await send(station, "assign", point=HERM, **span(begin_s, end_s))).error

    run_at_station(tmp_path, body, later=timedelta(hours=1))
    status, _, err = run_command(
        "visit", "assign", HERM, "--from", "yesterday", "--to", "2026-07-01", "--data", str(tmp_path)
    )
    assert (status, "'yesterday' is not a date" in err) == (2, True)
