"""Write visits to a database as a station writes them, with the dates of the visits."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Meter, Plan, Site, TestPoint
from meterlink.core.readings import Reading, Status
from meterlink.core.units import parse_amount, parse_unit
from meterlink.judge.judging import judge, limits_for
from meterlink.judge.measured_value import MeasuredValue
from meterlink.store.rows import AcceptedRow, Batch, NewConnection, ReadingRow
from meterlink.store.writer import Writer

OUTER_TIMEOUT = 60  # s; a limit, not a wait
CLAMP_METER = Meter("00:00:5E:00:53:0A", "clamp meter")


class ManualClock:
    """A clock that shows ``utc_ns``."""

    def __init__(self) -> None:
        self.utc_ns = 0

    def now(self) -> Timestamp:
        return Timestamp(self.utc_ns, self.utc_ns)


@dataclass(frozen=True, slots=True)
class RecordedVisit:
    """A visit to ``site`` on ``day`` (2026-05-04); ``accepted`` has (test point, display text), in order.

    A display text is ``44.1 uF`` or ``OL Mohm``. ``clock_set`` and ``meter`` apply to every reading. ``label`` is the
    rating that somebody reads off the part at each test point, at the end; empty for none.
    """

    day: str
    site: Site
    accepted: Sequence[tuple[TestPoint, str]]
    clock_set: bool | None = True
    meter: Meter = CLAMP_METER
    label: str = ""


def store_visits(database: Path, visits: Iterable[RecordedVisit]) -> None:
    """Write ``visits`` in their order; judge each reading as the station does."""
    clock = ManualClock()
    writer = Writer(database, station="van-3", clock=clock, boot_id="boot-a", on_alarm=_raise_alarm)
    writer.start()
    try:
        for visit in visits:
            noon = datetime.fromisoformat(f"{visit.day}T12:00:00+00:00") - datetime(1970, 1, 1, tzinfo=UTC)
            clock.utc_ns = (noon.days * 86_400 + noon.seconds) * 1_000_000_000
            _store_visit(writer, clock, visit)
    finally:
        writer.close()


def _store_visit(writer: Writer, clock: ManualClock, visit: RecordedVisit) -> None:
    meter = writer.register_meter(visit.meter).result(OUTER_TIMEOUT)
    connection = writer.open_connection(NewConnection(meter, clock.now()))
    # A component measured before and after its repair is a single test point of the plan.
    plan = Plan("recorded_visits", tuple({point.key: point for point, _ in visit.accepted}.values()))
    ids = writer.open_visit(visit.site, plan, clock.now()).result(OUTER_TIMEOUT)
    for point, text in visit.accepted:
        reading = display_reading(point, text, clock.now())
        judgement = judge(point.kind, limits_for(point), MeasuredValue.from_reading(reading))
        row = ReadingRow(reading, connection, ids.visit_id, ids.point_ids[point.key], visit.clock_set)
        writer.submit(Batch(accepted=(AcceptedRow(row, judgement, 1.5),))).result(OUTER_TIMEOUT)
        clock.utc_ns += 60_000_000_000
    for point_id in ids.point_ids.values() if visit.label else ():
        writer.set_rating(point_id, visit.label).result(OUTER_TIMEOUT)
    writer.close_visit(ids.visit_id, clock.now()).result(OUTER_TIMEOUT)


def display_reading(point: TestPoint, text: str, timestamp: Timestamp) -> Reading:
    """Return a display text, ``44.1 uF`` or ``OL Mohm``, as a reading."""
    number, _, unit = text.partition(" ")
    if number == "OL":
        return Reading(point.quantity, None, parse_unit(unit), timestamp, Status.OVERLOAD)
    amount = parse_amount(text, point.quantity)
    step = Decimal(1).scaleb(int(amount.digits.as_tuple().exponent))
    return Reading(point.quantity, amount.digits, amount.unit, timestamp, resolution=step)


def _raise_alarm(text: str) -> None:
    if text:
        raise AssertionError(text)
