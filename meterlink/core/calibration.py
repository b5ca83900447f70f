"""The calibration of a meter: when it was done, until when it counts, and its certificate."""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text

_OVERDUE = "calibration overdue"
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")  # ISO 8601; fromisoformat also takes forms without hyphens
_DUE = "due"
_CERTIFICATE = "certificate"


@dataclass(frozen=True, slots=True)
class Calibration:
    """The dates and the certificate of a meter's calibration; a date is None, and the certificate empty, if unknown.

    ``due`` is the last day on which it counts. It never changes a verdict: an accuracy line is a promise of the maker
    for a meter that is calibrated, and whether an overdue one still keeps it is for the technician to say.
    """

    calibrated: date | None = None
    due: date | None = None
    certificate: str = ""

    def describe(self, day: date) -> str:
        """Return its state on ``day``, ``calibration overdue since 2026-03-01``; empty without any date."""
        certificate = f"certificate {self.certificate}" if self.certificate else ""
        if self.is_overdue(day):
            return ", ".join(filter(None, (f"{_OVERDUE} since {self.due}", certificate)))
        if self.calibrated is not None and day < self.calibrated:
            return f"calibrated {self.calibrated}, after this reading: check the clock of the station"
        dates = [f"calibrated {self.calibrated}" if self.calibrated else "", f"due {self.due}" if self.due else ""]
        text = ", ".join(filter(None, (*dates, certificate))) if any(dates) else ""
        return text if self.calibrated or not text else f"calibration {text}"

    def is_overdue(self, day: date) -> bool:
        """Return whether it no longer counts on ``day``."""
        return self.due is not None and day > self.due

    def __str__(self) -> str:
        """The text that `parse_calibration` reads: ``2026-03-01, due 2027-03-01, certificate K-1047``."""
        parts = (
            f"{self.calibrated}" if self.calibrated else "",
            f"{_DUE} {self.due}" if self.due else "",
            f"{_CERTIFICATE} {self.certificate}" if self.certificate else "",
        )
        return ", ".join(filter(None, parts))


def parse_date(text: str) -> date:
    """Return the day written as ``2026-03-01``.

    Raises:
        InputError: it is not written so, or there is no such day.
    """
    try:
        day = date.fromisoformat(text) if _DATE.fullmatch(text) else None
    except ValueError:  # the 31st of June
        day = None
    if day is None:
        raise InputError(f"{text!r} is not a date.", "Write it as 2026-03-01.")
    return day


def parse_calibration(text: str) -> Calibration:
    """Return the calibration in ``2026-03-01, due 2027-03-01, certificate K-1047``; each part may be left out.

    Raises:
        InputError: a date is none, is there twice, or the due date is not after the calibration.
    """
    dated, _, certificate = text.partition(_CERTIFICATE)
    days: dict[str, date] = {}
    for words in (part.split() for part in dated.split(",") if part.split()):
        first = words[0].lower()
        name = _DUE if first == _DUE or "calibrated" in days else "calibrated"
        if name in days:
            raise InputError(f"{' '.join(words)!r} is one date too many.", "Write: 2026-03-01, due 2027-03-01.")
        written = words[1:] if first in {_DUE, "calibrated"} else words
        days[name] = parse_date(" ".join(written))
    calibrated, due = days.get("calibrated"), days.get(_DUE)
    if calibrated and due and due <= calibrated:
        raise InputError(
            f"It is due on {due}, not after it was calibrated on {calibrated}.", "Copy both dates from the certificate."
        )
    return Calibration(calibrated, due, clean_text(certificate))


def overdue_part(text: str) -> str:
    """Return the part of a description that a verdict must not stand without: that the calibration is overdue."""
    return text.partition(",")[0] if text.startswith(_OVERDUE) else ""


def local_day(utc_ns: int) -> date:
    """Return the day of a time, in ns since 1970 UTC, where this machine is."""
    try:
        return datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).astimezone().date()
    except (ValueError, OverflowError, OSError):  # a clock far from any year of ours
        return date.max if utc_ns > 0 else date.min


def without_certificate(description: str) -> str:
    """Return the text of `Calibration.describe` without the certificate, whose number tells the owner of a meter."""
    return description.partition(_CERTIFICATE)[0].rstrip(", ")
