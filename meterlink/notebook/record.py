"""The record of a station in pages, for a screen or a script that looks into a large one."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from meterlink.core.clock import Clock, SystemClock, utc_nanoseconds
from meterlink.core.errors import InputError
from meterlink.core.replacements import Replacement
from meterlink.core.text import clean_text
from meterlink.judge.drift.part_series import PartSeries
from meterlink.store.accepted_filter import LONGEST_FILTER, parse_filter
from meterlink.store.gap_words import lasted_text, lost_text, step_text
from meterlink.store.raw_lines import line_of_reading
from meterlink.store.reader import Reader
from meterlink.store.rows import ClockStep, EarlierVerdict, HistoryRow, RawLine, StoredGap, StoredReading

__all__ = [
    "LONGEST_FILTER",
    "ClockStep",
    "HistoryRow",
    "PartSeries",
    "RawLine",
    "ReadingDetails",
    "Record",
    "StoredGap",
    "StoredReading",
    "lasted_text",
    "lost_text",
    "step_text",
]

SECONDS_BEFORE, SECONDS_AFTER = 20.0, 2.0
"""The time around an accepted reading whose raw readings are shown: a slow one settles in some seconds."""
_ROUNDED_DOWN = 1_000  # ns; the time of a raw reading is kept in µs
_MOST_RAW = 5_000  # raw readings around an accepted one: a meter with 200 a second


class ReadingDetails(NamedTuple):
    """An accepted reading with its earlier verdicts, oldest first, and the raw readings of its meter around it.

    ``thinned_utc_ns`` is the time when the others around it were deleted to save room; None if they were not.
    """

    row: HistoryRow
    earlier: Sequence[EarlierVerdict]
    around: Sequence[StoredReading]
    thinned_utc_ns: int | None = None


class Record:
    """The database at ``database``, read page by page; it is opened for reading only, anew for every call.

    Every method raises StoreError when the database cannot be read, and may be called from any thread.
    """

    def __init__(self, database: Path, clock: Clock | None = None) -> None:
        self._reader = Reader(database)
        self._clock = clock or SystemClock()

    def accepted_below(self, line: str, anchor: int | None, limit: int) -> list[HistoryRow]:
        """Return the next ``limit`` accepted readings older than the id ``anchor``, newest first; None: the newest.

        ``line`` is a filter line (`meterlink.store.accepted_filter.parse_filter`).
        """
        return self._reader.filtered_history(parse_filter(line), limit, before_id=anchor)

    def accepted_above(self, line: str, anchor: int | None, limit: int) -> list[HistoryRow]:
        """Return the next ``limit`` accepted readings newer than the id ``anchor``, newest first; None: the oldest."""
        return self._reader.filtered_history(parse_filter(line), limit, after_id=anchor or 0)

    def details(self, row: HistoryRow) -> ReadingDetails:
        """Return the raw readings around the accepted reading ``row``, and its earlier verdicts."""
        earlier = self._reader.earlier_verdicts(row.visit_uid).get(row.uid, [])
        around = self._reader.readings_around(row.id, SECONDS_BEFORE, SECONDS_AFTER, _MOST_RAW)
        return ReadingDetails(row, earlier, around, self._thinned_utc_ns(row, around))

    def _thinned_utc_ns(self, row: HistoryRow, around: Sequence[StoredReading]) -> int | None:
        at = row.reading.timestamp.utc_ns
        runs = [run for run in self._reader.thinnings() if at < run.before_utc_ns]
        if not runs or row.clock_set is False:
            return None
        # Others may have come in since, by a merge.
        times = {raw.reading.timestamp for raw in around}
        accepted = {near.reading.timestamp for near in self._reader.history(visit_uid=row.visit_uid)}
        return runs[0].utc_ns if times <= accepted else None

    def thinned_before(self) -> int | None:
        """Return the time (ns since 1970 UTC) from before which raw readings were deleted; None if none were."""
        return max((run.before_utc_ns for run in self._reader.thinnings()), default=None)

    def part(self, row: HistoryRow) -> PartSeries[HistoryRow] | None:
        """Return the values of the part of ``row`` over its visits; None if all its readings are voided.

        A visit counts with its last accepted reading.
        """
        visits: dict[str, HistoryRow] = {}
        for accepted in self._reader.part_history(row.id):
            visits[accepted.visit_uid] = accepted
        if not visits:
            return None
        ordered = sorted(visits.values(), key=lambda accepted: accepted.id)
        return PartSeries.from_visits(ordered, self._replacements(row), now_utc_ns=self._clock.now().utc_ns)

    def _replacements(self, row: HistoryRow) -> list[Replacement]:
        """Return the recorded replacements of the part of ``row``."""
        at_unit = [stored.replacement for stored in self._reader.replacements() if stored.site == row.site]
        points = self._reader.plan(row.visit_uid).plan.points if at_unit else ()
        return [replacement for replacement in at_unit if row.point_key in replacement.covered_keys(points)]

    def raw_below(self, anchor: int | None, limit: int) -> list[RawLine]:
        """Return the next ``limit`` lines of the raw readings after the id ``anchor``, in order; None: the oldest."""
        return self._reader.raw_lines(limit, after=anchor or 0)

    def raw_above(self, anchor: int | None, limit: int) -> list[RawLine]:
        """Return the last ``limit`` lines of the raw readings before the id ``anchor``, in order; None: the newest."""
        return self._reader.raw_lines(limit, before=anchor)

    def first_raw_since(self, utc_ns: int) -> int:
        """Return the id of the line of the first raw reading at or after a time, ns since 1970 UTC."""
        return line_of_reading(self._reader.first_reading_since(utc_ns - _ROUNDED_DOWN))


def parse_local_time(text: str) -> int:
    """Return a time such as ``2026-11-03 14:05``, local without a zone, in ns since 1970 UTC.

    Raises:
        InputError: the text is no date or time.
    """
    try:
        moment = datetime.fromisoformat(text.strip()).astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        raise InputError(f"{clean_text(text)!r} is no time.", "Write it as 2026-11-03 14:05.") from None
    return utc_nanoseconds(moment)
