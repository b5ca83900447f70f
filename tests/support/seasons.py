"""Visits of several seasons, written to a database as a station writes them, on a clock of their own."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

from meterlink.core.clock import Stamp
from meterlink.core.equipment import Meter, Place, Plan, TestPoint
from meterlink.core.readings import Reading, Status
from meterlink.core.units import parse_amount, parse_unit
from meterlink.judge.judging import judge, limits_of
from meterlink.judge.measured import Measured
from meterlink.store.rows import Batch, HeldRow, ReadingRow
from meterlink.store.writer import Writer

OUTER = 60  # s; a limit, not a wait
CLAMP_METER = Meter("00:00:5E:00:53:0A", "clamp meter")


class HandSetClock:
    """A clock that stands where it was put."""

    def __init__(self) -> None:
        self.utc_ns = 0

    def stamp(self) -> Stamp:
        return Stamp(self.utc_ns, self.utc_ns)


@dataclass(frozen=True, slots=True)
class Visit:
    """A call at ``place`` on ``day`` (2026-05-04): what was held there, point and display text (44.1 uF, OL), in order.

    ``clock_set`` and ``meter`` are those of every reading.
    """

    day: str
    place: Place
    held: Sequence[tuple[TestPoint, str]]
    clock_set: bool | None = True
    meter: Meter = CLAMP_METER


def keep_visits(database: Path, visits: Iterable[Visit]) -> None:
    """Write ``visits`` in the order given, each reading judged as the station would judge it."""
    clock = HandSetClock()
    writer = Writer(database, station="van-3", clock=clock, boot_id="boot-a", on_alarm=_fail)
    writer.start()
    try:
        for visit in visits:
            noon = datetime.fromisoformat(f"{visit.day}T12:00:00+00:00") - datetime(1970, 1, 1, tzinfo=UTC)
            clock.utc_ns = (noon.days * 86_400 + noon.seconds) * 1_000_000_000
            _keep(writer, clock, visit)
    finally:
        writer.close()


def _keep(writer: Writer, clock: HandSetClock, visit: Visit) -> None:
    meter = writer.remember_meter(visit.meter).result(OUTER)
    # A component measured twice, before and after its repair, is one test point of the plan.
    plan = Plan("seasons", tuple({point.key: point for point, _ in visit.held}.values()))
    ids = writer.open_visit(visit.place, plan, clock.stamp()).result(OUTER)
    for point, shown in visit.held:
        reading = _reading(point, shown, clock.stamp())
        judgement = judge(point.check, limits_of(point), Measured.from_reading(reading))
        row = ReadingRow(reading, meter, ids.visit_id, ids.point_ids[point.key], visit.clock_set)
        writer.submit(Batch(held=(HeldRow(row, judgement, 1.5),))).result(OUTER)
        clock.utc_ns += 60_000_000_000
    writer.close_visit(ids.visit_id, clock.stamp()).result(OUTER)


def _reading(point: TestPoint, shown: str, stamp: Stamp) -> Reading:
    number, _, unit = shown.partition(" ")
    if number == "OL":
        return Reading(point.quantity, None, parse_unit(unit), stamp, Status.OVERLOAD)
    amount = parse_amount(shown, point.quantity)
    step = Decimal(1).scaleb(int(amount.digits.as_tuple().exponent))
    return Reading(point.quantity, amount.digits, amount.unit, stamp, resolution=step)


def _fail(text: str) -> None:
    if text:
        raise AssertionError(text)
