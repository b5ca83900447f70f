"""The log of the daemon: as text, for the journal, or as JSON; without names and whole addresses, and never a flood."""

import json
import logging
import os
import re
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from enum import StrEnum
from typing import IO

from meterlink.core.clock import format_rfc3339

# Lines that are alike, of which so many are logged in one period: enough to see the rhythm of a fault. Common practice,
# no source.
MOST_ALIKE = 10
PERIOD = 60.0  # s
_MOST_KINDS = 500  # of lines that are remembered: the memory of a log that a fault fills with ever new lines
# A shorter name is part of many words, and tells nobody who it is.
_SHORTEST_NAME = 3  # characters

# Two bytes of an address tell the meters of a station apart. The Bluetooth service writes it with underscores.
_ADDRESS = re.compile(r"(?<![0-9A-Fa-f])(?:[0-9A-Fa-f]{2}[:_-]){4}([0-9A-Fa-f]{2}[:_-][0-9A-Fa-f]{2})(?![0-9A-Fa-f])")
# Of a UUID (an address on macOS, a visit), its end; those of the Bluetooth standard name services.
_UUID = re.compile(
    r"\b[0-9A-Fa-f]{8}-[0-9A-Fa-f]{4}-(?!1000-8000-00805[Ff]9[Bb]34[Ff][Bb])(?:[0-9A-Fa-f]{4}-){2}[0-9A-Fa-f]{8}([0-9A-Fa-f]{4})\b"
)
# The levels of a topic after these are names of meters, units and parts.
_TOPIC = re.compile(r"(?<=/)(accepted|readings)/[^:\"']+")

# The priorities of syslog (RFC 5424, 6.2.1), as a prefix of each line for the journal (sd-daemon(3)).
_PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
_DEBUG_PRIORITY = 7


class LogForm(StrEnum):
    """The form of a log."""

    TEXT = "text"
    JSON = "json"
    JOURNAL = "journal"  # without a time, which the journal adds; with the priority


PersonalName = tuple[str, str]
"""A name that must not be in a log, and the word that takes its place."""


def default_form(stream: IO[str], environment: Mapping[str, str] | None = None) -> LogForm:
    """Return the form for a log on ``stream``: that of the journal where systemd connected it (systemd.exec(5))."""
    given = (os.environ if environment is None else environment).get("JOURNAL_STREAM", "")
    with suppress(OSError, ValueError):
        status = os.fstat(stream.fileno())
        if given == f"{status.st_dev}:{status.st_ino}":
            return LogForm.JOURNAL
    return LogForm.TEXT


def redact(text: str, names: Iterable[PersonalName] = ()) -> str:
    """Return ``text`` with shortened addresses and topics, and without ``names``."""
    text = _TOPIC.sub(r"\1/…", text)
    for name, word in names:
        if len(name) >= _SHORTEST_NAME:
            text = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", f"({word})", text, flags=re.IGNORECASE)
    return _UUID.sub(r"…\1", _ADDRESS.sub(r"…\1", text))


class RedactingFormatter(logging.Formatter):
    """Formats records in one form; ``names`` returns the personal names of the moment."""

    def __init__(self, form: LogForm, names: Callable[[], Iterable[PersonalName]] = tuple) -> None:
        super().__init__()
        self._form = form
        self._names = names

    def format(self, record: logging.LogRecord) -> str:
        """Return the record as text; as JSON it is one line."""
        names = tuple(self._names())
        text = redact(record.getMessage(), names)
        error = redact(self.formatException(record.exc_info), names) if record.exc_info else ""
        at = format_rfc3339(round(record.created * 1e9))
        match self._form:
            case LogForm.JSON:
                fields = {"at": at, "level": record.levelname.lower(), "source": record.name, "text": text}
                return json.dumps(fields | ({"error": error} if error else {}), ensure_ascii=False)
            case LogForm.JOURNAL:
                prefix = f"<{_priority(record.levelno)}>"
                lines = "\n".join(filter(None, (f"{record.name}: {text}", error))).splitlines()
                return "\n".join(f"{prefix}{line}" for line in lines)
            case LogForm.TEXT:
                return "\n".join(filter(None, (f"{at} {record.levelname} {record.name}: {text}", error)))


def _priority(level: int) -> int:
    return next((priority for least, priority in _PRIORITIES if level >= least), _DEBUG_PRIORITY)


class LimitedHandler(logging.StreamHandler[IO[str]]):
    """Writes `MOST_ALIKE` of the lines that are alike in each `PERIOD`, then the number of those left out.

    Lines are alike that differ in their digits only. ``now`` returns a time in s.
    """

    def __init__(self, stream: IO[str], now: Callable[[], float] = time.monotonic) -> None:
        super().__init__(stream)
        self._now = now
        self._kinds: OrderedDict[str, _Kind] = OrderedDict()

    def emit(self, record: logging.LogRecord) -> None:
        """Write the record, unless many like it were written just now."""
        now = self._now()
        for key in [key for key, kind in self._kinds.items() if now - kind.since >= PERIOD]:
            self._end(key)
        key = re.sub(r"\d+", "#", f"{record.name} {record.levelno} {record.getMessage()}")
        kind = self._kinds.get(key)
        if kind is None:
            if len(self._kinds) >= _MOST_KINDS:
                self._end(next(iter(self._kinds)))
            kind = self._kinds[key] = _Kind(now, record)
        kind.count += 1
        if kind.count <= MOST_ALIKE:
            super().emit(record)

    def close(self) -> None:
        """Write the numbers of those left out."""
        for key in list(self._kinds):
            self._end(key)
        super().close()

    def _end(self, key: str) -> None:
        kind = self._kinds.pop(key)
        if kind.count > MOST_ALIKE:
            first = kind.record
            text = f"{kind.count - MOST_ALIKE} more lines like this one were left out: {first.getMessage()}"
            super().emit(logging.LogRecord(first.name, first.levelno, "", 0, text, (), None))


class _Kind:
    """Lines that are alike: since when, the first one, and their number."""

    def __init__(self, since: float, record: logging.LogRecord) -> None:
        self.since = since
        self.record = record
        self.count = 0


def start_log(
    stream: IO[str], form: LogForm, names: Callable[[], Iterable[PersonalName]], *, verbose: bool
) -> logging.Handler:
    """Log to ``stream`` from now on; return the handler. With ``verbose`` details are logged, and every line."""
    handler = logging.StreamHandler(stream) if verbose else LimitedHandler(stream)
    handler.setFormatter(RedactingFormatter(form, names))
    logging.basicConfig(level=logging.DEBUG if verbose else logging.INFO, handlers=[handler])
    return handler
