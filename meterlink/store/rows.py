"""The rows that the writer commits together, and the rows that queries return."""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import NamedTuple

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Site
from meterlink.core.meter_facts import Fact, FactName
from meterlink.core.nameplate import UnitFact
from meterlink.core.readings import Reading
from meterlink.core.replacements import Replacement
from meterlink.core.site_facts import SiteFact
from meterlink.core.stock import Movement, StockItem
from meterlink.core.verdicts import Judgement, Margin, Verdict


class ReadingRow(NamedTuple):
    """A reading with the database ids of its connection and, if it belongs to one, of its visit and test point.

    ``clock_set`` is True if the wall clock was reliable at that time (synchronised, or backed by a battery); None if
    the station has no way to find out. A tuple, because one is made for every reading.
    """

    reading: Reading
    connection_id: int
    visit_id: int | None = None
    point_id: int | None = None
    clock_set: bool | None = None


class AcceptedRow(NamedTuple):
    """An accepted reading with its verdict.

    The writer inserts ``reading_row`` as a raw reading, too: do not list it in ``Batch.readings`` again.
    ``settled_in`` is the time in s from the first contact of the probes until it was accepted. ``uid`` is unique for
    ever and across stations; empty for a new one. ``raw_reading_id`` is the row of a raw reading that is in the
    database already, and is assigned to a visit now; it is not inserted again.
    """

    reading_row: ReadingRow
    judgement: Judgement
    settled_in: float
    uid: str = ""
    raw_reading_id: int | None = None


class VerdictRow(NamedTuple):
    """A new verdict on the accepted reading ``uid``, which was judged again; its earlier verdicts stay."""

    uid: str
    judgement: Judgement


class VoidRow(NamedTuple):
    """The accepted reading ``uid`` is voided for this reason; with an empty reason it counts again."""

    uid: str
    reason: str


class CorrectionRow(NamedTuple):
    """The accepted reading ``uid``, whose packet was decoded again to ``reading``, with the verdict that follows.

    Its display as it was accepted stays, and so do its earlier verdicts. ``profile`` is the name of the profile that
    decoded, with its ``profile_hash`` (empty for a driver without one). ``technician`` recorded it; empty if unknown.
    """

    uid: str
    reading: Reading
    judgement: Judgement
    driver: str
    profile: str
    profile_hash: str
    technician: str = ""


class OutboxRow(NamedTuple):
    """A message for the broker. ``message_id`` is unique for ever, so a consumer can drop duplicates."""

    message_id: str
    topic: str
    payload: bytes
    droppable: bool  # when the outbox is full, raw readings may be dropped, oldest first; accepted readings never


class Batch(NamedTuple):
    """Rows that are committed in one transaction, all or none."""

    readings: tuple[ReadingRow, ...] = ()
    accepted: tuple[AcceptedRow, ...] = ()
    outbox: tuple[OutboxRow, ...] = ()
    verdicts: tuple[VerdictRow, ...] = ()
    voids: tuple[VoidRow, ...] = ()
    corrections: tuple[CorrectionRow, ...] = ()


class VisitIds(NamedTuple):
    """A visit's identifiers: ``visit_id`` is its row, ``uid`` is unique for ever and across stations.

    ``point_ids`` is ``{test-point key: row id}``.
    """

    visit_id: int
    uid: str
    point_ids: Mapping[str, int]


class Correction(NamedTuple):
    """The packet of an accepted reading was decoded again at ``utc_ns``, by ``driver``; ``technician`` recorded it.

    ``accepted_as`` is the display that was accepted, ``4.53 µF``. ``profile_hash`` is empty for a driver without one.
    """

    utc_ns: int
    driver: str
    profile_hash: str
    technician: str
    accepted_as: str


class HistoryRow(NamedTuple):
    """An accepted reading with its current verdict, and the names and rating of the time when it was judged.

    ``id`` grows in the order of acceptance, even if the clock was changed. ``uid`` is unique across stations.
    ``settled_in`` is the time in s from the first contact of the probes until it was accepted. ``rating`` is the text
    printed on the part, empty if unknown. ``station`` and ``boot`` recorded it, ``software`` judged it; monotonic times
    compare only within one ``boot``. ``clock_set`` is True if the wall clock was reliable, None if the station could
    not find out. ``revision`` is 1, and one more for each time it was judged again, voided or taken back.
    ``void_reason`` says why it is voided; None if it counts. ``assigned_utc_ns`` is the time when a reading that came
    outside any visit was given to this one; None for a reading accepted when it came. ``clock_step_ns``: the ns by
    which the wall clock was set during the visit, before the reading. ``correction``: its packet was decoded again,
    and ``reading`` is the present display; None if it is as it was accepted.
    """

    id: int
    uid: str
    reading: Reading
    judgement: Judgement
    settled_in: float
    site: Site
    visit_uid: str
    plan: str
    point_key: str
    circuit: str
    component: str
    section: str
    terminals: tuple[str, str]
    state: CircuitState
    kind: PointKind
    rating: str
    meter: Meter
    station: str
    boot: str
    software: str
    clock_set: bool | None
    revision: int = 1
    void_reason: str | None = None
    assigned_utc_ns: int | None = None
    clock_step_ns: int = 0
    correction: Correction | None = None


class StoredReading(NamedTuple):
    """A raw reading in the database, with its visit's uid and its test point's key; None if it belongs to no such.

    Its times are exact to 1 µs, rounded down. ``driver`` decoded it, with the profile that has ``profile_hash``
    (empty for a driver without a profile).
    """

    id: int
    reading: Reading
    meter: Meter
    visit_uid: str | None
    point_key: str | None
    boot: str
    clock_set: bool | None
    connection_id: int
    driver: str
    profile_hash: str


class EndReason(StrEnum):
    """The reason why a connection ended."""

    LINK_LOST = "link lost"
    DISCONNECTED = "disconnected"  # by the station: the meter was removed, or gets another driver
    STATION_STOPPED = "station stopped"
    STATION_KILLED = "station killed"  # found by the next start; the time of the end is unknown


class GapCause(StrEnum):
    """The reason why readings of a meter are missing."""

    LINK_LOST = "link lost"
    METER_SILENT = "meter silent"  # connected, but it sends nothing
    PACKETS_DROPPED = "packets dropped"  # more than the station takes from one meter
    NOT_SAVED = "not saved"  # the disk failed for too long


class NewConnection(NamedTuple):
    """A connection of a meter that begins; ``profile`` and ``profile_hash`` are empty for a driver without one.

    ``profile_hash`` is the SHA-256, in hexadecimal, of the profile as `write_profile` writes it.
    """

    meter_id: int
    connected: Timestamp
    driver: str = ""
    profile: str = ""
    profile_hash: str = ""


class StoredConnection(NamedTuple):
    """A connection in the database. ``ended`` is None while it lasts, and if the station was killed during it."""

    id: int
    meter: Meter
    boot: str
    connected: Timestamp
    driver: str
    profile: str
    profile_hash: str
    ended: Timestamp | None
    end_reason: EndReason | None


class NewGap(NamedTuple):
    """A time without readings of a connected or expected meter, which had the connection ``connection_id``.

    ``ended`` is None while it lasts. ``lost`` is the number of lost packets (`GapCause.PACKETS_DROPPED`) or readings
    (`GapCause.NOT_SAVED`); None if unknown.
    """

    connection_id: int
    cause: GapCause
    began: Timestamp
    ended: Timestamp | None = None
    lost: int | None = None


class StoredGap(NamedTuple):
    """A gap in the database. ``ended`` is None while it lasts, and if the station ended before it.

    ``start`` counts the starts of the station; monotonic times compare only within one.
    """

    id: int
    start: int
    meter: Meter
    connection_id: int
    cause: GapCause
    began: Timestamp
    ended: Timestamp | None
    lost: int | None


class ClockStep(NamedTuple):
    """A jump of the wall clock: UTC minus monotonic time grew by ``step_ns`` between two moments.

    ``start`` counts the starts of the station, 0 before the step is stored.
    """

    before: Timestamp
    after: Timestamp
    step_ns: int
    start: int = 0


class RawLine(NamedTuple):
    """A line of the list of raw readings: a reading, or the gap or the step of the clock that lies between two.

    The ids of lines rise in the order of the list.
    """

    id: int
    content: StoredReading | StoredGap | ClockStep


class VisitDetails(NamedTuple):
    """Further facts of a visit that begins; each may be empty. ``plan_text`` is the TOML of its plan."""

    plan_text: str = ""
    technician: str = ""
    job: str = ""


NO_DETAILS = VisitDetails()


class UnitLeft(NamedTuple):
    """How a unit was left at the end of a visit; None where nobody said it."""

    power_on: bool | None = None
    covers_on: bool | None = None


NOT_SAID = UnitLeft()


class StoredSite(NamedTuple):
    """A site in the database. ``facts`` are the newest of each, ``units`` and ``visits`` are numbers."""

    name: str
    facts: Mapping[SiteFact, str]
    units: int
    visits: int


class StoredUnit(NamedTuple):
    """A unit in the database. ``archived``: it is no longer listed for a new visit.

    ``facts`` are ``(fact, text, utc_ns)``, oldest first: of a fact that can be there once only the newest.
    ``ratings`` are the newest ratings that somebody read off its parts. ``visits`` is their number.
    """

    site: Site
    archived: bool
    facts: tuple[tuple[UnitFact, str, int], ...]
    ratings: tuple["ComponentRating", ...]
    visits: int


class ComponentRating(NamedTuple):
    """A rating that was read off a part at ``utc_ns``; ``point_key`` is its test point."""

    circuit: str
    component: str
    section: str
    point_key: str
    rating: str
    utc_ns: int


class LastReading(NamedTuple):
    """The newest accepted reading at a test point in an earlier visit to the unit.

    ``of_old_part``: the part was replaced since then.
    """

    text: str
    verdict: Verdict
    margin: Margin | None
    utc_ns: int
    of_old_part: bool


class StoredVisit(NamedTuple):
    """A visit in the database. ``closed_utc_ns`` and ``outcome`` are None while it is open.

    ``active``: readings are collected for it now; an open visit that is not active is paused. ``plan_text`` is the
    plan's TOML, empty if it was opened without a file. ``archived``: its unit is no longer listed for a new visit.
    """

    id: int
    uid: str
    site: Site
    plan: str
    opened: Timestamp
    closed_utc_ns: int | None
    active: bool = False
    outcome: str | None = None
    technician: str = ""
    job: str = ""
    plan_text: str = ""
    left: UnitLeft = NOT_SAID
    archived: bool = False


class VisitNote(NamedTuple):
    """A note on a visit; with ``point_key``, the reason why that test point was skipped."""

    uid: str
    utc_ns: int
    text: str
    point_key: str | None = None


class NewReplacement(NamedTuple):
    """A part that is swapped now: in the transaction of `Writer.replace_part`.

    Its place among the readings is that of the transaction. ``ratings`` is ``{key of a test point: text of the new
    part's rating}``. ``movement`` takes the part off the truck; None for a part from elsewhere. ``objection`` is the
    objection of the rules of replacement to the part, which is fitted all the same; empty for none.
    """

    replacement: Replacement
    ratings: Mapping[str, str]
    movement: Movement | None = None
    objection: str = ""


class StoredReplacement(NamedTuple):
    """A part swapped during a visit. ``replacement.after_number`` is the `HistoryRow.id` of the last reading before it.

    ``ratings`` is ``{key of a test point: (rating read off the old part, rating of the new part)}``; the first is None
    where the rating was the plan's. ``item`` is the part that came off the truck, None for one from elsewhere.
    ``objection`` is the objection of the rules of replacement to it; empty for none.
    """

    uid: str
    visit_id: int
    visit_uid: str
    site: Site
    replacement: Replacement
    ratings: Mapping[str, tuple[str | None, str]]
    item: StockItem | None
    objection: str = ""


class EarlierVerdict(NamedTuple):
    """A verdict on an accepted reading that a later one has replaced, with its grounds in words."""

    judged_utc_ns: int
    verdict: Verdict
    margin: Margin | None
    limits_basis: str | None
    reason: str
    accuracy: str
    calibration: str
    rule: str


class StoredPlan(NamedTuple):
    """The plan of a visit in the database; its test points have no specification, why, caution, rule or coupling.

    ``ratings`` is ``{test-point key: rating as written}`` for the points that have one.
    """

    plan: Plan
    ratings: Mapping[str, str]


class Activity(NamedTuple):
    """Something that happened ``at`` a time, during a ``boot`` of the machine.

    ``clock_set`` is False where the wall clock was not set then; None if unknown. ``steps_ns`` are the steps of the
    wall clock that a station has seen since.
    """

    at: Timestamp
    boot: str
    clock_set: bool | None
    steps_ns: int

    def age(self, now: Timestamp, boot: str) -> float | None:
        """Return how long ago it was, in s; None where the clocks do not tell.

        The wall clock tells, less its steps. A step that no station saw shows where the clock was not set before, or
        where the age is negative: then the monotonic clock tells, which stood still while the machine slept.
        """
        age = (now.utc_ns - self.at.utc_ns - self.steps_ns) / 1e9
        if age >= 0 and (self.clock_set is not False or self.steps_ns):
            return age
        return (now.monotonic_ns - self.at.monotonic_ns) / 1e9 if boot == self.boot else None


class VisitWithReadings(NamedTuple):
    """A visit that a station resumes, or that is shown.

    ``plan`` has no specification, why, caution, rule or coupling; ``plan_text``, unless it is empty, has.
    ``closed_utc_ns`` is None while it is open. ``last_activity`` is its newest accepted reading, else its beginning.
    ``accepted`` is in the order of acceptance. ``ratings`` is ``{test-point key: rating as
    written}``, only for parts that were read during the visit (`Writer.set_rating`); ``plan_ratings`` has the others,
    which are the plan's. ``answers`` is ``{key of a
    question of the plan: key of a choice}``. ``replacements`` are in the order of their times.
    ``last_readings`` are by test point.
    """

    ids: VisitIds
    site: Site
    plan: Plan
    plan_text: str
    opened: Timestamp
    closed_utc_ns: int | None
    last_activity: Activity
    accepted: tuple[HistoryRow, ...]
    ratings: Mapping[str, str]
    plan_ratings: Mapping[str, str]
    answers: Mapping[str, str]
    replacements: tuple[StoredReplacement, ...] = ()
    last_readings: Mapping[str, LastReading] = MappingProxyType({})


class MeterRow(NamedTuple):
    """A meter in the database. ``bound``: the station may connect to it by itself.

    ``meter.address`` is the address at which it was first seen, ``current_address`` the present one; ``aliases`` are
    all its later addresses, oldest first. ``facts`` are those that a technician set.
    """

    id: int
    meter: Meter
    bound: bool
    first_seen_utc_ns: int
    last_seen_utc_ns: int
    current_address: str = ""
    aliases: tuple[str, ...] = ()
    facts: Mapping[FactName, Fact] = MappingProxyType({})


class RefusedMessage(NamedTuple):
    """A message that the broker refused, with its ``reason``."""

    id: int
    message_id: str
    topic: str
    payload: bytes
    created_utc_ns: int
    refused_utc_ns: int
    reason: str


class OutboxEntry(NamedTuple):
    """A message in the outbox. ``id`` grows with every message and is never used again."""

    id: int
    message_id: str
    topic: str
    payload: bytes
    droppable: bool
    created_utc_ns: int
