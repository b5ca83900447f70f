"""A closed visit with everything that a seal covers: readings, voids, verdicts, a replacement, notes."""

from decimal import Decimal
from pathlib import Path

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Site
from meterlink.core.readings import Reading
from meterlink.core.replacements import Replacement
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Judgement
from meterlink.judge.judging import judge, limits_for
from meterlink.judge.measured_value import MeasuredValue
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.store.rows import (
    AcceptedRow,
    Batch,
    ClockStep,
    NewConnection,
    NewReplacement,
    ReadingRow,
    UnitLeft,
    VerdictRow,
    VisitDetails,
    VisitIds,
    VoidRow,
)
from meterlink.store.writer import Writer
from support.kept_records import capacitor
from support.recorded_visits import CLAMP_METER, OUTER_TIMEOUT, ManualClock

SITE = Site("Mill Lane bakery", "condenser east")
SECOND = 1_000_000_000
BEGUN = 1_784_041_200 * SECOND  # 2026-07-14T15:00:00Z


class SealedVisit:
    """Writes a visit in steps, by its own clock; ``database`` is closed by `close`."""

    def __init__(self, database: Path, station: str = "van-3", begun: int = BEGUN) -> None:
        self.database = database
        self.clock = ManualClock()
        self.clock.utc_ns = begun
        self.alarms: list[str] = []
        self.writer = Writer(database, station=station, clock=self.clock, boot_id="b", on_alarm=self.alarms.append)
        self.writer.start()
        plan = load_plan(DEFAULT_PLAN).with_usual_answers({})
        self.points = {point.key: point for point in plan.points}
        details = VisitDetails(technician="Alex Quill", job="J-1047")
        self.ids: VisitIds = self.writer.open_visit(SITE, plan, self.now(), details).result(OUTER_TIMEOUT)
        meter = self.writer.register_meter(CLAMP_METER).result(OUTER_TIMEOUT)
        self.connection = self.writer.open_connection(NewConnection(meter, self.now(), "presented", "", "ab" * 32))

    def now(self) -> Timestamp:
        """Return the present moment, and let a second pass."""
        self.clock.utc_ns += SECOND
        return self.clock.now()

    def accept(self, key: str, text: str) -> str:
        """Accept a reading with the display ``text`` at a test point; return its uid."""
        reading = display_reading(text, self.now())
        row = ReadingRow(reading, self.connection, self.ids.visit_id, self.ids.point_ids[key], clock_set=True)
        uid = f"{len(text):08x}-0000-4000-8000-{self.clock.utc_ns % 10**12:012d}"
        self.writer.submit(Batch(accepted=(AcceptedRow(row, self.judge(key, text), 2.5, uid),))).result(OUTER_TIMEOUT)
        return uid

    def judge(self, key: str, text: str) -> Judgement:
        """Return the judgement of a display text at a test point."""
        point = self.points[key]
        rated = capacitor() if key == "run-capacitor-herm" else point
        return judge(point.kind, limits_for(rated), MeasuredValue.from_reading(display_reading(text, self.now())))

    def void(self, uid: str, reason: str) -> None:
        """Void a reading."""
        self.now()
        self.writer.submit(Batch(voids=(VoidRow(uid, reason),))).result(OUTER_TIMEOUT)

    def judge_again(self, uid: str, key: str, text: str) -> None:
        """Give a reading another verdict."""
        judgement = self.judge(key, text)
        self.writer.submit(Batch(verdicts=(VerdictRow(uid, judgement),))).result(OUTER_TIMEOUT)

    def replace(self, key: str, rating: str) -> str:
        """Replace the part at a test point; return the uid of the replacement."""
        point = self.points[key]
        replacement = Replacement(
            point.component, point.circuit, (), "40 µF", rating, after_number=0, utc_ns=self.now().utc_ns
        )
        new = NewReplacement(replacement, {key: rating}, objection="440 V was marked before.")
        return self.writer.replace_part(self.ids.visit_id, new).result(OUTER_TIMEOUT)[0]

    def set_clock(self, seconds: float) -> None:
        """Record that the station's clock was set by so many seconds; the times of later readings stay as they are."""
        step = ClockStep(self.now(), self.now(), round(seconds * SECOND))
        self.writer.add_clock_step(step).result(OUTER_TIMEOUT)

    def finish(self, outcome: str = "repaired") -> None:
        """Close the visit."""
        self.writer.close_visit(self.ids.visit_id, self.now(), outcome, UnitLeft(power_on=True, covers_on=True)).result(
            OUTER_TIMEOUT
        )

    def close(self) -> None:
        """Close the writer."""
        self.writer.close()


def whole_visit(database: Path) -> SealedVisit:
    """Write a closed visit with everything that a seal covers; the writer is still open."""
    visit = SealedVisit(database)
    wrong = visit.accept("run-capacitor-fan", "43.0 uF")
    visit.void(wrong, "probe on the wrong terminal")
    visit.accept("run-capacitor-herm", "39.2 uF")
    again = visit.accept("run-capacitor-fan", "4.71 uF")
    visit.judge_again(again, "run-capacitor-fan", "4.71 uF")
    visit.replace("run-capacitor-herm", "45 µF ±6 %")
    visit.accept("run-capacitor-herm", "45.3 uF")
    visit.writer.add_note(visit.ids.visit_id, "The gate key hangs at the back door.").result(OUTER_TIMEOUT)
    visit.writer.add_note(
        visit.ids.visit_id, "no access to the coil", visit.ids.point_ids[list(visit.points)[-1]]
    ).result(OUTER_TIMEOUT)
    visit.finish()
    return visit


def display_reading(text: str, at: Timestamp) -> Reading:
    """Return the reading of a display that shows a capacitance, ``45.1 uF``, with the bytes that it came in."""
    amount = parse_amount(text)
    return Reading(
        Quantity.CAPACITANCE,
        amount.digits,
        amount.unit,
        at,
        resolution=Decimal("0.01"),
        channel="c",
        packet=text.encode(),
    )
