"""A database with every kind of record that an export has, and the numbers that are hard to keep."""

from decimal import Decimal
from pathlib import Path

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Site, TestPoint
from meterlink.core.questions import Choice, Question
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.replacements import Replacement
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.store.rows import (
    AcceptedRow,
    Batch,
    CorrectionRow,
    NewConnection,
    NewReplacement,
    ReadingRow,
    UnitLeft,
    VerdictRow,
    VisitDetails,
    VoidRow,
)
from meterlink.store.writer import Writer
from support.recorded_visits import OUTER_TIMEOUT, ManualClock

SITE = Site('=SUM(A1) Bakery, "Mill Lane"', "-walk-in\tcooler")
PERSON = "Robin Example"
JOB = "@job 17"
NOTE = "Ask for the caretaker, back door"
REASON = "+probe slipped"
METER = Meter("00:00:5E:00:53:0C", "Robin's own", "presented", "SN-4711")
SECOND = 1_000_000_000
BEGIN = 1_780_000_000 * SECOND + 123_456_789

POINTS = tuple(
    TestPoint(
        quantity.value, "compressor", component, ("C", "HERM"), quantity, CircuitState.ISOLATED, PointKind.CAPACITOR,
        section="HERM",
    )
    for quantity, component in (
        (Quantity.CAPACITANCE, "run capacitor"),
        (Quantity.TEMPERATURE, "suction line"),
        (Quantity.VOLTAGE, "supply"),
        (Quantity.RESISTANCE, "winding"),
        (Quantity.RATIO, "duty"),
    )
)  # fmt: skip
PLAN = Plan("own plan", POINTS)

# Digits and unit of each reading; None is an overload.
DISPLAYS: tuple[tuple[Quantity, str | None, str], ...] = (
    (Quantity.CAPACITANCE, "45.10", "µF"),
    (Quantity.CAPACITANCE, None, "µF"),
    (Quantity.TEMPERATURE, "-0.0", "°F"),
    (Quantity.TEMPERATURE, "75.2", "°F"),
    (Quantity.VOLTAGE, "0.12345678901234567890123", "V"),
    (Quantity.VOLTAGE, "-240.1", "V"),
    (Quantity.RESISTANCE, "4.700", "kΩ"),
    (Quantity.RATIO, "48.5", "%"),
)


def make_reading(
    quantity: Quantity, digits: str | None, unit: str, utc_ns: int, packet: bytes = b"\x00\xff,"
) -> Reading:
    """Return a reading at a time of both clocks."""
    return Reading(
        quantity,
        None if digits is None else Decimal(digits),
        unit,
        Timestamp(utc_ns, utc_ns - BEGIN + 7),
        Status.OVERLOAD if digits is None else Status.OK,
        Coupling.AC if quantity is Quantity.VOLTAGE else None,
        None if digits is None else Decimal(1).scaleb(int(Decimal(digits).as_tuple().exponent)),
        low_battery=quantity is Quantity.RATIO,
        channel="channel-1",
        packet=packet,
    )


def make_judgement(reading: Reading, number: int) -> Judgement:
    """Return a judgement with as many facts as one can have, or with a question."""
    if reading.digits is None or number % 5 == 4:
        choices = (
            Choice("one", "one of the two", Judgement(Verdict.NO_LIMITS, None, None, None, None, None, "a", "reason")),
            Choice("two", "the other", Judgement(Verdict.CANNOT_TELL, None, None, None, None, None, "a", "reason")),
        )
        return Judgement(
            Verdict.CANNOT_TELL,
            None,
            None,
            None,
            None,
            None,
            "assumed",
            "-reason",
            question=Question("Which?", choices),
        )
    limits = Limits(
        reading.digits - 1, None if number % 2 else reading.digits + 1, reading.unit, "'rated", reading.digits
    )
    return Judgement(
        Verdict.WITHIN, Margin.CLOSE_CALL, limits, reading.digits, Decimal("0.10"), Decimal("0.050"), "1 % + 2 digits",
        "Within.", probability=0.1 + 0.2, coverage_factor=2.0, rule="simple", prior="", answer="", calibration="Lab 9",
    )  # fmt: skip


def write_record(path: Path, *, displays: tuple[tuple[Quantity, str | None, str], ...] = DISPLAYS) -> None:
    """Write a closed visit, which is sealed, and an open one: verdicts, voids, notes, replacements, raw readings."""
    clock = ManualClock()
    clock.utc_ns = BEGIN
    writer = Writer(path, station="van of Robin", clock=clock, boot_id="boot-a", on_alarm=lambda _: None)
    writer.start()
    try:
        meter = writer.register_meter(METER).result(OUTER_TIMEOUT)
        connection = writer.open_connection(NewConnection(meter, clock.now(), "framed", "own meter", "ab" * 32))
        first = _write_visit(writer, clock, connection, displays)
        writer.close_visit(first, clock.now(), "repaired", UnitLeft(power_on=True, covers_on=None)).result(
            OUTER_TIMEOUT
        )
        _write_visit(writer, clock, connection, displays[:2])
    finally:
        writer.close()


def _write_visit(
    writer: Writer, clock: ManualClock, connection: int, displays: tuple[tuple[Quantity, str | None, str], ...]
) -> int:
    details = VisitDetails('name = "own plan"  # of Robin', PERSON, JOB)
    ids = writer.open_visit(SITE, PLAN, clock.now(), details).result(OUTER_TIMEOUT)
    uids = []
    for number, (quantity, digits, unit) in enumerate(displays):
        clock.utc_ns += SECOND + 1_234_567
        point_id = ids.point_ids[quantity.value]
        raw = tuple(
            ReadingRow(
                make_reading(quantity, digits, unit, clock.utc_ns + step * 100_000_001), connection, ids.visit_id,
                point_id, clock_set=(None, True, False)[number % 3],
            )
            for step in range(3)
        )  # fmt: skip
        writer.submit(Batch(raw)).result(OUTER_TIMEOUT)
        reading = make_reading(quantity, digits, unit, clock.utc_ns + 400_000_001)
        row = ReadingRow(reading, connection, ids.visit_id, point_id, (None, True, False)[number % 3])
        judgement = make_judgement(reading, number)
        writer.submit(Batch(accepted=(AcceptedRow(row, judgement, 1.5 + number / 3),))).result(OUTER_TIMEOUT)
        uids.append(_newest_uid(writer))
        if number == 2:
            writer.add_note(ids.visit_id, NOTE).result(OUTER_TIMEOUT)
            writer.add_note(ids.visit_id, "no access", point_id).result(OUTER_TIMEOUT)
            swap = Replacement("run capacitor", "compressor", ("HERM",), "45 µF", "50 µF", after_number=0, utc_ns=0)
            uid, _ = writer.replace_part(
                ids.visit_id, NewReplacement(swap, {"capacitance": "50 µF"}, objection="lower volts")
            ).result(OUTER_TIMEOUT)
            assert uid
    clock.utc_ns += 60 * SECOND
    outside = tuple(
        ReadingRow(make_reading(Quantity.VOLTAGE, f"{step}.5", "V", clock.utc_ns + step * SECOND), connection)
        for step in range(4)
    )
    writer.submit(Batch(outside)).result(OUTER_TIMEOUT)
    again = make_judgement(make_reading(Quantity.CAPACITANCE, "45.10", "µF", clock.utc_ns), 0)
    writer.submit(Batch(verdicts=(VerdictRow(uids[0], again), VerdictRow(uids[0], again)))).result(OUTER_TIMEOUT)
    writer.submit(Batch(voids=(VoidRow(uids[0], REASON), VoidRow(uids[0], ""), VoidRow(uids[1], REASON)))).result(
        OUTER_TIMEOUT
    )
    if len(uids) > 2:
        corrected = make_reading(Quantity.CAPACITANCE, "45.10", "µF", clock.utc_ns)
        correction = CorrectionRow(uids[2], corrected, again, "framed", "own meter", "cd" * 32, PERSON)
        writer.submit(Batch(corrections=(correction,))).result(OUTER_TIMEOUT)
    clock.utc_ns += SECOND
    return ids.visit_id


def _newest_uid(writer: Writer) -> str:
    query = "SELECT uid FROM accepted_readings ORDER BY id DESC LIMIT 1"
    future = writer._enqueue(lambda connection: str(connection.execute(query).fetchone()[0]))
    return future.result(OUTER_TIMEOUT)
