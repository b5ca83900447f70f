"""The readings of a soak as the technician, the database and the consumer have them, compared. Pure."""

import os
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import reduce
from typing import NamedTuple

from studies.soak.counting_meters import Displayed
from studies.soak.plan import Tag

# Displays of a meter that may be on their way when its link breaks: the one that is being sent, and one that the
# meter shows before it has noticed. They come before the gap that is recorded.
_UNDER_WAY = 2
# A daemon that keeps an object of every reading or every fault grows by more between the two looks at it; SQLite's
# caches and the allocator's leftovers by less (seen: 3 %).
_LARGEST_GROWTH = 1.15
# SQLite keeps the descriptor of a reader's database for the next one, so there are as many as ever read at a time: at
# most one for each thread of asyncio's pool.
_MOST_READERS = min(32, (os.cpu_count() or 1) + 4)
DATABASE = "database"


class Accepted(NamedTuple):
    """An accepted reading: its display, where it belongs, and the number of its verdicts."""

    text: str
    tag: Tag
    revision: int = 1


RawReading = tuple[str, int]  # the meter, and the count on its display


class Gap(NamedTuple):
    """A recorded time without readings of a meter, in ns of the monotonic clock; None where no end is known."""

    cause: str
    began: int
    ended: int | None


@dataclass(slots=True)
class Evidence:
    """Everything that is known at the end of a soak; accepted readings by their uid.

    ``asked`` has the place that the technician asked for, by the text of a reading. ``acknowledged`` are those that
    the daemon showed as accepted. ``messages_left`` were not published. ``displays``, ``kept`` (the counts of all
    readings in the database) and ``gaps`` are by meter.
    """

    asked: dict[str, Tag] = field(default_factory=dict)
    acknowledged: dict[str, Accepted] = field(default_factory=dict)
    committed: dict[str, Accepted] = field(default_factory=dict)
    received: dict[str, Accepted] = field(default_factory=dict)
    raw_committed: Counter[RawReading] = field(default_factory=Counter)
    raw_received: Counter[RawReading] = field(default_factory=Counter)
    raw_at_wrong_point: int = 0
    visits_acknowledged: set[str] = field(default_factory=set)
    visits_committed: set[str] = field(default_factory=set)
    wrong_visits_resumed: int = 0
    notes_acknowledged: set[str] = field(default_factory=set)
    notes_committed: set[str] = field(default_factory=set)
    steps_made: int = 0
    steps_committed: int = 0
    messages_committed: int = 0
    messages_received: int = 0
    messages_left: int = 0
    displays: Mapping[str, Sequence[Displayed]] = field(default_factory=dict)
    kept: Mapping[str, set[int]] = field(default_factory=dict)
    gaps: Mapping[str, Sequence[Gap]] = field(default_factory=dict)


class Row(NamedTuple):
    """A line of the table, in counts; None where the question does not arise."""

    name: str
    acknowledged: int | None
    committed: int
    received: int | None
    lost: int
    wrong: int


def rows(evidence: Evidence) -> list[Row]:
    """Return the lines of the table."""
    return [_accepted(evidence), _raw(evidence), *_others(evidence)]


def _accepted(evidence: Evidence) -> Row:
    acknowledged, committed, received = evidence.acknowledged, evidence.committed, evidence.received
    lost = len(acknowledged.keys() - committed) + len(committed.keys() ^ received.keys())
    # Each is at the place that the technician asked for, everywhere.
    wrong = sum(
        evidence.asked.get(accepted.text) != accepted.tag
        for readings in (acknowledged, committed, received)
        for accepted in readings.values()
    )
    wrong += sum(committed[uid] != received[uid] for uid in committed.keys() & received.keys())
    wrong += sum(acknowledged[uid].text != committed[uid].text for uid in acknowledged.keys() & committed.keys())
    return Row("accepted readings", len(acknowledged), len(committed), len(received), lost, wrong)


def _raw(evidence: Evidence) -> Row:
    committed, received = evidence.raw_committed, evidence.raw_received
    lost = len(committed.keys() ^ received.keys()) + sum(
        hole.counts for hole in holes(evidence) if hole.cause == UNEXPLAINED
    )
    twice = sum(number - 1 for counter in (committed, received) for number in counter.values())
    wrong = twice + evidence.raw_at_wrong_point
    return Row("raw readings", None, committed.total(), received.total(), lost, wrong)


def _others(evidence: Evidence) -> Iterator[Row]:
    acknowledged, committed = evidence.visits_acknowledged, evidence.visits_committed
    lost = len(acknowledged - committed)
    yield Row("visits", len(acknowledged), len(committed), None, lost, evidence.wrong_visits_resumed)
    notes, kept = evidence.notes_acknowledged, evidence.notes_committed
    yield Row("notes", len(notes), len(kept), None, len(notes - kept), 0)
    made, found = evidence.steps_made, evidence.steps_committed
    yield Row("steps of the clock", made, found, None, max(0, made - found), max(0, found - made))
    sent, received = evidence.messages_committed, evidence.messages_received
    yield Row("messages", None, sent, received, abs(sent - received) + evidence.messages_left, 0)


# Holes in the counts of a meter

UNEXPLAINED = "not explained"


class Hole(NamedTuple):
    """Counts of a meter in a row that are not in the database, and the recorded cause."""

    meter: str
    counts: int
    cause: str


def holes(evidence: Evidence) -> Iterator[Hole]:
    """Yield the holes of all meters."""
    for meter, shown in evidence.displays.items():
        yield from _holes_of(meter, shown, evidence.kept.get(meter, set()), evidence.gaps.get(meter, ()))


def _holes_of(meter: str, shown: Sequence[Displayed], kept: set[int], gaps: Sequence[Gap]) -> Iterator[Hole]:
    hole: list[Displayed] = []
    last_kept = 0
    for display in shown:
        if display.number not in kept:
            hole.append(display)
            continue
        if hole:
            yield Hole(meter, len(hole), _cause(hole, last_kept, display.at, gaps))
            hole = []
        last_kept = display.at
    if hole:
        yield Hole(meter, len(hole), _cause(hole, last_kept, None, gaps))


def _cause(hole: Sequence[Displayed], last_kept: int, next_kept: int | None, gaps: Sequence[Gap]) -> str:
    """Return the cause of the recorded gap that lies between the two readings around a hole."""
    for gap in gaps:
        begins_in_time = next_kept is None or gap.began < next_kept
        ends_in_time = gap.ended is None or gap.ended > last_kept
        before = sum(display.at < gap.began for display in hole)
        if begins_in_time and ends_in_time and before <= _UNDER_WAY:
            return gap.cause
    return UNEXPLAINED


# The resources of the daemon


@dataclass(frozen=True, slots=True)
class Resources:
    """The resources of a daemon: open descriptors by kind, asyncio tasks by coroutine, resident memory in bytes."""

    descriptors: Counter[str]
    tasks: Counter[str]
    memory: int


def least(looks: Iterable[Resources]) -> Resources:
    """Return the resources that a daemon holds at every look: at some, a query of the database is under way."""
    return reduce(
        lambda one, other: Resources(
            one.descriptors & other.descriptors, one.tasks & other.tasks, min(one.memory, other.memory)
        ),
        looks,
    )


def most(looks: Iterable[Resources]) -> Resources:
    """Return the most that a daemon holds of each kind at any of some looks."""
    return reduce(
        lambda one, other: Resources(
            one.descriptors | other.descriptors, one.tasks | other.tasks, max(one.memory, other.memory)
        ),
        looks,
    )


def leaks(early: Resources, late: Resources, fresh: Resources) -> list[str]:
    """Return a sentence for each thing of which a daemon holds more, ``late`` after many faults, than a fresh one.

    The first two are the `least` of some looks, ``fresh`` is the `most` of some. Its memory is compared with its own
    after the first round of all faults, ``early``.
    """
    found = [f"{count} × task {name} more than in a fresh daemon" for name, count in (late.tasks - fresh.tasks).items()]
    for kind, count in (late.descriptors - fresh.descriptors).items():
        if kind != DATABASE or late.descriptors[kind] > fresh.descriptors[kind] + _MOST_READERS:
            found.append(f"{count} × descriptor {kind} more than in a fresh daemon")
    if late.memory > early.memory * _LARGEST_GROWTH:
        found.append(f"{late.memory / 1e6:.1f} MB, after {early.memory / 1e6:.1f} MB")
    return found


def problems(table: Iterable[Row]) -> list[str]:
    """Return a sentence for each row with something that is lost or wrong."""
    return [f"{row.name}: {row.lost} lost, {row.wrong} wrong" for row in table if row.lost or row.wrong]
