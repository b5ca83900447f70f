"""The filter line of the history: words and dates that an accepted reading must have, all of them."""

import re
from calendar import monthrange
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import NamedTuple

from meterlink.core.clock import utc_nanoseconds
from meterlink.core.text import clean_text

LONGEST_FILTER = 200  # characters: site, unit, component and section in quotes, and a few words

# A date, or its beginning: 2026, 2026-1, 2026-11, 2026-11-0, 2026-11-03. Each is one run of days.
_DATE = re.compile(r"((?:19|20|21)[0-9]{2})(?:-(?:([0-9]?)|([0-9]{2})(?:-([0-9]{0,2}))?))?")
_WORD = re.compile(r'"([^"]*)"?|([^\s"]+)')


class AcceptedFilter(NamedTuple):
    """The words and the time of the accepted readings that a filter line selects.

    ``words`` are for the index: a word is the beginning of one, or whole words in this order if it is ``exact``.
    ``begin_utc_ns`` is the first moment, ``end_utc_ns`` the first one after; both None without a date.
    """

    words: tuple["FilterWord", ...] = ()
    begin_utc_ns: int | None = None
    end_utc_ns: int | None = None


class FilterWord(NamedTuple):
    """A word of a filter line; ``exact`` if it stood in quotes."""

    text: str
    exact: bool


def parse_filter(line: str, zone: tzinfo | None = None) -> AcceptedFilter:
    """Return the filter of a line such as ``bakery herm outside 2026-11 "Condenser 1"``; any text is one.

    A word matches the beginning of a word of site, unit, circuit, component, section, quantity, verdict or meter, in
    upper or lower case; words in quotes match whole words next to each other. ``2026``, ``2026-11`` and ``2026-11-03``
    are dates in ``zone``, by default that of this machine. Signs between words mean nothing.
    """
    words, begin, end = [], None, None
    for word in _words(line):
        span = None if word.exact else _date_span(word.text, zone)
        if span is None:
            words.append(word)
        else:
            begin = span[0] if begin is None else max(begin, span[0])
            end = span[1] if end is None else min(end, span[1])
    return AcceptedFilter(tuple(words), begin, end)


def index_expression(word: FilterWord) -> str:
    """Return the search expression of SQLite's word index for ``word``."""
    text = word.text.replace('"', '""')
    return f'"{text}"' if word.exact else f'"{text}"*'


def _words(line: str) -> Iterator[FilterWord]:
    for match in _WORD.finditer(clean_text(line, LONGEST_FILTER)):
        text = match[1] if match[1] is not None else match[2]
        if any(char.isalnum() for char in text):
            yield FilterWord(text, exact=match[1] is not None)


def _date_span(word: str, zone: tzinfo | None) -> tuple[int, int] | None:
    """Return the first moment of the days whose dates begin with ``word``, and the first moment after; None for a word.

    The span is empty for a date that does not exist.
    """
    match = _DATE.fullmatch(word)
    if match is None:
        return None
    year, month, day = int(match[1]), match[2] or match[3] or "", match[4] or ""
    months = _numbers_beginning_with(month, 12)
    if not months:
        return 0, 0
    if not day:
        return _utc_ns(date(year, months[0], 1), zone), _utc_ns(_month_after(year, months[-1]), zone)
    days = _numbers_beginning_with(day, monthrange(year, months[0])[1])
    if not days:
        return 0, 0
    first = date(year, months[0], days[0])
    return _utc_ns(first, zone), _utc_ns(first + timedelta(days=len(days)), zone)


def _numbers_beginning_with(digits: str, last: int) -> list[int]:
    """Return the numbers 1 to ``last``, written in two digits, that begin with ``digits``."""
    return [number for number in range(1, last + 1) if f"{number:02}".startswith(digits)]


def _month_after(year: int, month: int) -> date:
    return date(year + month // 12, month % 12 + 1, 1)


def _utc_ns(day: date, zone: tzinfo | None) -> int:
    midnight = datetime.combine(day, time.min)
    try:
        moment = midnight.astimezone() if zone is None else midnight.replace(tzinfo=zone)
    except (OverflowError, OSError):  # before 1970 some platforms have no time zones
        moment = midnight.replace(tzinfo=UTC)
    return utc_nanoseconds(moment)
