"""What goes into the database in one piece, as the collector hands it to the writer, and what comes out of it again."""

from collections.abc import Mapping
from dataclasses import dataclass

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Site
from meterlink.core.readings import Reading
from meterlink.core.verdicts import Judgement


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """A reading with its tags: database ids of its meter, and of the visit and test point it was taken at, if any.

    ``clock_set`` says whether the wall clock could be trusted when it was taken (synchronised, or backed by a battery);
    None where the station cannot tell.
    """

    reading: Reading
    meter_id: int
    visit_id: int | None = None
    point_id: int | None = None
    clock_set: bool | None = None


@dataclass(frozen=True, slots=True)
class AcceptedRow:
    """A held reading with its verdict. It becomes a reading of its own: do not list ``row`` in ``Batch.readings`` too.

    ``settled_in`` is seconds from first touch to hold.
    """

    reading_row: ReadingRow
    judgement: Judgement
    settled_in: float


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """A message for the broker. ``message_id`` is unique for ever, so a consumer can drop what came twice."""

    message_id: str
    topic: str
    payload: bytes
    droppable: bool  # raw readings may be dropped, oldest first, when the outbox is full; held readings may not


@dataclass(frozen=True, slots=True)
class Batch:
    """Rows that are committed together or not at all."""

    readings: tuple[ReadingRow, ...] = ()
    accepted: tuple[AcceptedRow, ...] = ()
    outbox: tuple[OutboxRow, ...] = ()


@dataclass(frozen=True, slots=True)
class VisitIds:
    """A visit as the database knows it. ``uid`` is unique for ever and across stations; ``point_ids`` is by key."""

    visit_id: int
    uid: str
    point_ids: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """A held reading with everything its record says, as it was when it was held.

    ``id`` grows in the order readings were held, whatever the clock did. ``visit`` is the visit's uid. ``rating`` is
    what was printed on the part, empty where unknown. ``station``, ``boot`` and ``software`` say who recorded it;
    monotonic times compare only within one ``boot``. ``clock_set`` is as in `ReadingRow`.
    """

    id: int
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


@dataclass(frozen=True, slots=True)
class StoredReading:
    """A raw reading as kept: ``visit`` is the visit's uid and ``point`` the test point's key, where it was tagged."""

    id: int
    reading: Reading
    meter: Meter
    visit_uid: str | None
    point_key: str | None
    boot: str
    clock_set: bool | None


@dataclass(frozen=True, slots=True)
class StoredVisit:
    """A visit as kept. ``closed_utc_ns`` is None while it is open, or where the station died before closing it."""

    id: int
    uid: str
    site: Site
    plan: str
    opened: Timestamp
    closed_utc_ns: int | None


@dataclass(frozen=True, slots=True)
class StoredPlan:
    """The plan of a visit as kept: its test points without ratings, what is worked out of them, and by test-point key
    the ratings as somebody wrote them. Why, caution, rule and coupling are not kept.
    """

    plan: Plan
    ratings: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class ResumedVisit:
    """An open visit a restarted station carries on with.

    ``held`` is in the order they were held; ``ratings`` is what was read off parts during the visit
    (`Writer.set_rating`), by test-point key.
    """

    ids: VisitIds
    opened: Timestamp
    accepted: tuple[HistoryRow, ...]
    ratings: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class MeterRow:
    """A meter this station has met. ``bound``: the station may connect to it without being asked.

    ``meter.address`` is the address it was first met under, ``address_now`` the present one, ``aliases`` every other
    address that is known to be its own.
    """

    id: int
    meter: Meter
    bound: bool
    first_seen_utc_ns: int
    last_seen_utc_ns: int
    current_address: str = ""
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OutboxEntry:
    """A message waiting for the broker. ``id`` only ever grows."""

    id: int
    message_id: str
    topic: str
    payload: bytes
    droppable: bool
    created_utc_ns: int
