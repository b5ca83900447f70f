"""Write visits in which parts are fitted to a database, as a station writes them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from meterlink.core.equipment import CircuitState, Plan, PointKind, Rating, Site, Span, TestPoint
from meterlink.core.replacements import Replacement
from meterlink.core.stock import CAPACITOR, Movement, MovementKind, StockItem
from meterlink.core.units import Quantity, parse_amount
from meterlink.judge.judging import judge, limits_for
from meterlink.judge.measured_value import MeasuredValue
from meterlink.store.rows import AcceptedRow, Batch, NewConnection, NewReplacement, ReadingRow, VisitDetails, VoidRow
from meterlink.store.writer import Writer
from support.recorded_visits import CLAMP_METER, OUTER_TIMEOUT, ManualClock, display_reading

PLACE = Site("Mill Lane bakery", "Condenser 1")
DUAL = "45+5 µF ±6 % 440 V"
MINUTE = 60_000_000_000


def _section(circuit: str, section: str, value: str) -> TestPoint:
    return TestPoint(
        f"run-capacitor-{section.lower()}", circuit, "run capacitor", ("C", section), Quantity.CAPACITANCE,
        CircuitState.ISOLATED, PointKind.CAPACITOR, Rating(parse_amount(value), "±6 %"), section,
    )  # fmt: skip


HERM, FAN = _section("compressor", "HERM", "45 uF"), _section("condenser fan", "FAN", "5 uF")
COIL = TestPoint(
    "contactor-coil", "control", "contactor coil", ("A1", "A2"), Quantity.RESISTANCE, CircuitState.ISOLATED,
    PointKind.COIL, Span(parse_amount("10 ohm").digits, parse_amount("18 ohm").digits, "Ω"),
)  # fmt: skip
POINTS = (HERM, FAN, COIL)


@dataclass(frozen=True, slots=True)
class Read:
    """An accepted reading: ``45.1 uF``; ``void`` is the reason for which it is voided."""

    point: TestPoint
    text: str
    void: str = ""


@dataclass(frozen=True, slots=True)
class Fitted:
    """A part that is fitted at the test points of ``ratings``, off the truck unless ``item`` is None.

    ``old_rating`` is that of the part before it, empty if unknown; ``objection`` is that of the rules.
    """

    component: str
    ratings: dict[str, str]
    new_rating: str
    item: StockItem | None = None
    sections: tuple[str, ...] = ()
    old_rating: str = ""
    objection: str = ""


@dataclass(frozen=True, slots=True)
class Labelled:
    """A rating that is read off the part at these test points."""

    ratings: dict[str, str]


Event = Read | Fitted | Labelled
NEW_DUAL = Fitted("run capacitor", {HERM.key: DUAL, FAN.key: DUAL}, DUAL, StockItem(CAPACITOR, DUAL))


def store_visit(database: Path, day: str, events: Sequence[Event], place: Site = PLACE) -> None:
    """Write a closed visit on ``day``, from noon UTC on, with a minute between its events.

    The technician's name and the job are such as no sticker may show.
    """
    clock = ManualClock()
    noon = datetime.fromisoformat(f"{day}T12:00:00+00:00") - datetime(1970, 1, 1, tzinfo=UTC)
    clock.utc_ns = (noon.days * 86_400 + noon.seconds) * 1_000_000_000
    writer = Writer(database, station="van-3", clock=clock, boot_id=f"boot-{day}", on_alarm=_raise_alarm)
    writer.start()
    try:
        meter = writer.register_meter(CLAMP_METER).result(OUTER_TIMEOUT)
        connection = writer.open_connection(NewConnection(meter, clock.now()))
        details = VisitDetails(technician="Robin", job="J-4711")
        ids = writer.open_visit(place, Plan("fitted", POINTS), clock.now(), details).result(OUTER_TIMEOUT)
        for event in events:
            clock.utc_ns += MINUTE
            match event:
                case Read(at, text, void):
                    uid = f"{day}-{clock.utc_ns}"
                    reading = display_reading(at, text, clock.now())
                    judgement = judge(at.kind, limits_for(at), MeasuredValue.from_reading(reading))
                    row = ReadingRow(reading, connection, ids.visit_id, ids.point_ids[at.key], clock_set=True)
                    voids = (VoidRow(uid, void),) if void else ()
                    batch = Batch(accepted=(AcceptedRow(row, judgement, 1.5, uid),), voids=voids)
                    writer.submit(batch).result(OUTER_TIMEOUT)
                case Fitted():
                    writer.replace_part(ids.visit_id, _new(event, clock.utc_ns)).result(OUTER_TIMEOUT)
                case Labelled(ratings):
                    for key, text in ratings.items():
                        writer.set_rating(ids.point_ids[key], text).result(OUTER_TIMEOUT)
        writer.close_visit(ids.visit_id, clock.now(), "repaired").result(OUTER_TIMEOUT)
    finally:
        writer.close()


def store_movements(database: Path, movements: Sequence[Movement]) -> None:
    """Write movements of the stock to a database."""
    writer = Writer(database, station="van-3", clock=ManualClock(), boot_id="boot-s", on_alarm=_raise_alarm)
    writer.start()
    try:
        for movement in movements:
            writer.add_movements([movement]).result(OUTER_TIMEOUT)
    finally:
        writer.close()


def _new(event: Fitted, utc_ns: int) -> NewReplacement:
    replacement = Replacement(
        event.component,
        sections=event.sections,
        old_rating=event.old_rating,
        new_rating=event.new_rating,
        utc_ns=utc_ns,
    )
    movement = None if event.item is None else Movement(MovementKind.USED, event.item, 1, utc_ns)
    return NewReplacement(replacement, event.ratings, movement, event.objection)


def _raise_alarm(text: str) -> None:
    if text:
        raise AssertionError(text)
