"""The calibration of a meter: when it was done, until when it counts, and its certificate."""

from dataclasses import dataclass
from datetime import UTC, date, datetime

_OVERDUE = "calibration overdue"


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
        if self.due is not None and day > self.due:
            return ", ".join(filter(None, (f"{_OVERDUE} since {self.due}", certificate)))
        if self.calibrated is not None and day < self.calibrated:
            return f"calibrated {self.calibrated}, after this reading: check the clock of the station"
        dates = [f"calibrated {self.calibrated}" if self.calibrated else "", f"due {self.due}" if self.due else ""]
        text = ", ".join(filter(None, (*dates, certificate))) if any(dates) else ""
        return text if self.calibrated or not text else f"calibration {text}"


def overdue_part(text: str) -> str:
    """Return the part of a description that a verdict must not stand without: that the calibration is overdue."""
    return text.partition(",")[0] if text.startswith(_OVERDUE) else ""


def local_day(utc_ns: int) -> date:
    """Return the day of a time, in ns since 1970 UTC, where this machine is."""
    try:
        return datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).astimezone().date()
    except (ValueError, OverflowError, OSError):  # a clock far from any year of ours
        return date.max if utc_ns > 0 else date.min
