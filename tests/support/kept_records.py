"""A record of several years at one unit: a capacitor that drifts after a replacement, a void, a second verdict."""

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Plan, PointKind, Rating, Site, Span, TestPoint
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity, parse_amount
from meterlink.judge.judging import judge, limits_for
from meterlink.judge.measured_value import MeasuredValue
from meterlink.store.rows import AcceptedRow, Batch, NewConnection, ReadingRow, VerdictRow, VoidRow
from meterlink.store.writer import Writer
from support.recorded_visits import CLAMP_METER, OUTER_TIMEOUT, ManualClock, RecordedVisit, store_visits

PLACE = Site("Corner bakery", "condenser, north roof")
SECOND = 1_000_000_000
LAST_VISIT = 1_784_041_200 * SECOND  # ns since 1970: 2026-07-14T15:00:00Z
VOID_REASON = "probe on the wrong terminal"
_DRIFT = (
    ("2022-05-05", "39.9 uF"), ("2022-10-04", "39.6 uF"), ("2023-05-04", "45.1 uF"), ("2023-10-02", "44.8 uF"),
    ("2024-05-06", "44.3 uF"), ("2024-09-30", "44.1 uF"), ("2025-05-05", "43.6 uF"), ("2025-10-06", "43.2 uF"),
)  # fmt: skip


def capacitor(rated: str = "45 uF", section: str = "HERM") -> TestPoint:
    """Return the test point of a section of the run capacitor."""
    return TestPoint(
        section.lower(), "compressor", "run capacitor", ("C", section), Quantity.CAPACITANCE, CircuitState.ISOLATED,
        PointKind.CAPACITOR, Rating(parse_amount(rated), "±6 %"), section,
    )  # fmt: skip


COIL = TestPoint(
    "coil", "control", "contactor coil", ("A1", "A2"), Quantity.RESISTANCE, CircuitState.ISOLATED, PointKind.COIL,
    Span(Decimal(10), Decimal(18), "Ω"),
)  # fmt: skip


def keep_record(database: Path) -> None:
    """Write the visits of five years; the last one with raw readings, a void and a second verdict."""
    store_visits(
        database,
        [
            RecordedVisit(
                day, PLACE,
                [
                    (capacitor("40 uF" if day < "2023" else "45 uF"), herm),
                    (capacitor("5 uF", "FAN"), "4.9 uF"),
                    (COIL, "14.2 ohm"),
                ],
            )
            for day, herm in _DRIFT
        ],
    )  # fmt: skip
    clock = ManualClock()
    clock.utc_ns = LAST_VISIT
    writer = Writer(database, station="van-3", clock=clock, boot_id="boot-b", on_alarm=lambda _: None)
    writer.start()
    try:
        meter = writer.register_meter(CLAMP_METER).result(OUTER_TIMEOUT)
        connection = writer.open_connection(NewConnection(meter, clock.now()))
        points = {point.key: point for point in (capacitor(), capacitor("5 uF", "FAN"), COIL)}
        ids = writer.open_visit(PLACE, Plan("split", tuple(points.values())), clock.now()).result(OUTER_TIMEOUT)

        def accept(key: str, reading: Reading, settled_in: float) -> str:
            point = points[key]
            row = ReadingRow(reading, connection, ids.visit_id, ids.point_ids[key], clock_set=True)
            judgement = judge(point.kind, limits_for(point), MeasuredValue.from_reading(reading))
            uid = f"uid-{key}-{reading.timestamp.utc_ns}"
            writer.submit(Batch(accepted=(AcceptedRow(row, judgement, settled_in, uid),))).result(OUTER_TIMEOUT)
            return uid

        raw = tuple(
            ReadingRow(reading, connection, ids.visit_id, ids.point_ids["herm"], clock_set=True)
            for reading in settling_capacitor(LAST_VISIT)
        )
        writer.submit(Batch(raw)).result(OUTER_TIMEOUT)
        at = LAST_VISIT + 18 * SECOND
        accept("herm", _reading(Quantity.CAPACITANCE, "42.9", "µF", at), 6.4)
        after = tuple(
            row._replace(reading=_reading(Quantity.CAPACITANCE, "42.9", "µF", at + number * SECOND // 5))
            for number, row in enumerate(raw[-10:], 1)
        )
        writer.submit(Batch(after)).result(OUTER_TIMEOUT)
        wrong = accept("fan", _reading(Quantity.CAPACITANCE, "43.0", "µF", at + 60 * SECOND), 2.0)
        clock.utc_ns = at + 70 * SECOND
        writer.submit(Batch(voids=(VoidRow(wrong, VOID_REASON),))).result(OUTER_TIMEOUT)
        accept("fan", _reading(Quantity.CAPACITANCE, "4.66", "µF", at + 80 * SECOND), 1.8)
        coil = accept("coil", _reading(Quantity.RESISTANCE, "19.2", "Ω", at + 120 * SECOND), 1.1)
        wider = Span(Decimal(10), Decimal(20), "Ω")
        clock.utc_ns = at + 200 * SECOND
        judgement = judge(
            COIL.kind,
            limits_for(
                TestPoint(
                    "coil", "control", "contactor coil", ("A1", "A2"), COIL.quantity, COIL.state, COIL.kind, wider
                )
            ),
            MeasuredValue.from_reading(_reading(Quantity.RESISTANCE, "19.2", "Ω", at)),
        )
        writer.submit(Batch(verdicts=(VerdictRow(coil, judgement),))).result(OUTER_TIMEOUT)
    finally:
        writer.close()


def settling_capacitor(begin_utc_ns: int) -> Iterator[Reading]:
    """Yield the readings before acceptance, five a second: nothing, an overload, no value, then a rise that settles."""
    for number in range(90):
        at = begin_utc_ns + number * SECOND // 5
        if number < 40:
            yield _reading(Quantity.CAPACITANCE, "0.0", "µF", at)
        elif number < 58:
            yield Reading(Quantity.CAPACITANCE, None, "µF", Timestamp(at, at), Status.OVERLOAD)
        elif number < 62:
            yield Reading(Quantity.CAPACITANCE, None, "µF", Timestamp(at, at), Status.INVALID)
        else:
            value = Decimal("42.9") - Decimal(max(74 - number, 0)) * Decimal("0.8")
            yield _reading(Quantity.CAPACITANCE, str(value), "µF", at)


def _reading(quantity: Quantity, digits: str, unit: str, utc_ns: int) -> Reading:
    step = Decimal(1).scaleb(int(Decimal(digits).as_tuple().exponent))
    return Reading(quantity, Decimal(digits), unit, Timestamp(utc_ns, utc_ns), resolution=step)
