"""Databases of many visits and of many raw readings, written by the store's own statements in few transactions."""

import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Site, TestPoint
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.store import continuity, meters, transactions
from meterlink.store.connections import connect_for_writing
from meterlink.store.migration import migrate
from meterlink.store.rows import AcceptedRow, Batch, NewConnection, ReadingRow
from meterlink.store.stretches import StretchWriter

FIRST_DAY = 1_672_650_000 * 10**9  # ns since 1970: 2023-01-02T09:00:00Z
METERS = ("Alder", "Birch", "Cedar", "")
STREETS = ("Mill Lane", "Harbour", "Pond", "North Gate", "Orchard", "Station Road", "Quarry", "Chapel")
TRADES = ("bakery", "cold store", "school", "library", "dairy", "pharmacy", "hotel")
UNITS = ("Condenser", "Walk-in", "Air handler", "RTU")
_SECOND = 1_000_000_000
_BATCH = 2_000  # visits, or thousands of raw readings, in one transaction

# Component, section, terminals, quantity, unit and limits of each part.
PARTS = (
    ("run capacitor", "HERM", ("C", "HERM"), Quantity.CAPACITANCE, "µF", "42.3", "47.7"),
    ("run capacitor", "FAN", ("C", "FAN"), Quantity.CAPACITANCE, "µF", "4.7", "5.3"),
    ("contactor coil", "", ("A1", "A2"), Quantity.RESISTANCE, "Ω", "10", "18"),
    ("winding", "C–S", ("C", "S"), Quantity.RESISTANCE, "Ω", "2.1", "4.2"),
    ("supply", "", ("L1", "L2"), Quantity.VOLTAGE, "V", "207", "253"),
)
PLAN = Plan(
    "split",
    tuple(
        TestPoint(
            f"point-{number}", "compressor", component, terminals, quantity, CircuitState.ISOLATED, PointKind.CAPACITOR,
            section=section,
        )
        for number, (component, section, terminals, quantity, *_) in enumerate(PARTS)
    ),
)  # fmt: skip


@contextmanager
def open_database(path: Path) -> Iterator[sqlite3.Connection]:
    """Create a database and yield its connection; the time of the disk is not measured."""
    with closing(connect_for_writing(path)) as connection:
        migrate(connection, path)
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("BEGIN")
        yield connection
        connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def write_accepted(path: Path, count: int, units: int = 400) -> None:
    """Write ``count`` accepted readings: five parts a visit, at ``units``, over three years."""
    rng = random.Random(20261127)
    with open_database(path) as connection:
        stretches = StretchWriter()
        boot = transactions.begin_boot(connection, "boot-a", "van-3", Timestamp(FIRST_DAY, 1))
        meter_ids = [
            meters.get_or_create_meter(connection, Meter(f"00:00:5E:00:53:{number:02}", name), FIRST_DAY).id
            for number, name in enumerate(METERS)
        ]
        visits = count // len(PARTS)
        for number in range(visits):
            at = FIRST_DAY + number * 3 * 365 * 86_400 * _SECOND // max(visits, 1)
            place = rng.randrange(units)
            site = Site(
                f"{STREETS[place % 8]} {TRADES[place // 8 % 7]}", f"{UNITS[place // 56 % 4]} {place // 100 + 1}"
            )
            visit = transactions.open_visit(connection, boot, site, PLAN, Timestamp(at, at))
            transactions.close_visit(connection, visit.visit_id, Timestamp(at + 3600 * _SECOND, 1))
            meter = NewConnection(meter_ids[rng.randrange(len(METERS))], Timestamp(at, at))
            continuity.insert_connection(connection, boot, number + 1, meter)
            accepted = tuple(
                _accepted(rng, part, number + 1, visit.visit_id, point_id, at + 60 * _SECOND * index)
                for index, (part, point_id) in enumerate(zip(PARTS, visit.point_ids.values(), strict=True))
            )
            transactions.insert_batch(connection, stretches, Batch(accepted=accepted), at)
            stretches.end_connection(connection, number + 1)
            if number % _BATCH == 0:
                connection.execute("COMMIT")
                connection.execute("BEGIN")


def _accepted(
    rng: random.Random, part: tuple[object, ...], connection_id: int, visit_id: int, point_id: int, at: int
) -> AcceptedRow:
    _, _, _, quantity, unit, low_text, high_text = part
    assert isinstance(quantity, Quantity)
    low, high = Decimal(str(low_text)), Decimal(str(high_text))
    digits = (low + (high - low) * Decimal(rng.randrange(-10, 111)) / 100).quantize(Decimal("0.01"))
    verdict = Verdict.WITHIN if low <= digits <= high else Verdict.OUTSIDE
    margin = Margin.CLOSE_CALL if rng.random() < 0.05 else Margin.CLEAR
    limits = Limits(low, high, str(unit), f"{low} to {high} {unit}")
    reading = Reading(quantity, digits, str(unit), Timestamp(at, at), resolution=Decimal("0.01"))
    judgement = Judgement(verdict, margin, limits, digits, None, None, "assumed", f"{digits} {unit}.")
    return AcceptedRow(ReadingRow(reading, connection_id, visit_id, point_id, clock_set=True), judgement, 1.5)


def write_raw(path: Path, count: int, meters_on_air: int = 8) -> None:
    """Write ``count`` raw readings: eight meters at 10 Hz, in stretches of ten minutes; numbers, ranges, overloads."""
    rng = random.Random(20261127)
    step = _SECOND // 10 // meters_on_air
    with open_database(path) as connection:
        stretches = StretchWriter()
        boot = transactions.begin_boot(connection, "boot-a", "van-3", Timestamp(FIRST_DAY, 1))
        for number in range(meters_on_air):
            meter = meters.get_or_create_meter(connection, Meter(f"00:00:5E:00:53:{number:02}", f"meter {number}"), 1)
            new = NewConnection(meter.id, Timestamp(FIRST_DAY, 1))
            continuity.insert_connection(connection, boot, number + 1, new)
        # A few readings, repeated with other times: to make each anew would take most of the time.
        drawn = [
            Reading(
                Quantity.CAPACITANCE, None if kind == 0 else Decimal(rng.randrange(10_000)).scaleb(-1 - kind // 6),
                "µF", Timestamp(0, 0), Status.OVERLOAD if kind == 0 else Status.OK, packet=bytes(10),
            )
            for kind in range(12)
        ]  # fmt: skip
        for first in range(0, count, _BATCH * 25):
            stretches.insert(
                connection,
                (
                    ReadingRow(
                        replace(drawn[index // 400 % 12], timestamp=Timestamp(FIRST_DAY + index * step, index * step)),
                        1 + index % meters_on_air,
                    )
                    for index in range(first, min(count, first + _BATCH * 25))
                ),
            )
