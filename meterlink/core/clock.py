"""Timestamps that order readings even when the wall clock jumps."""

import os
import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

from meterlink.core.record import record


@record
class Timestamp:
    """The arrival time of a packet.

    ``utc_ns``: nanoseconds since 1970-01-01 UTC by the wall clock, which may be wrong or jump.
    ``monotonic_ns``: nanoseconds on a clock that never runs backward, for differences within one boot.
    """

    utc_ns: int
    monotonic_ns: int


class Clock(Protocol):
    """A source of timestamps; tests and the demo pass their own."""

    def now(self) -> Timestamp:
        """Return the present moment."""
        ...


class SystemClock:
    """The clocks of this machine."""

    def now(self) -> Timestamp:
        """Return the present moment from ``time_ns`` and ``monotonic_ns``."""
        return Timestamp(time.time_ns(), time.monotonic_ns())


def suspended_ns() -> int:
    """Return how long this machine slept since its boot, in ns, as far as its monotonic clock stood still for it.

    It is 0 where the platform does not say: anywhere but on Linux.
    """
    if not hasattr(time, "CLOCK_BOOTTIME"):
        return 0
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.monotonic_ns()


# No reading is older than this program: an earlier clock has not been set (a board without a battery starts in the
# past).
_RELEASED_UTC_NS = round(datetime(2026, 11, 1, tzinfo=UTC).timestamp()) * 1_000_000_000
# Present while systemd's time synchronisation has set the clock since boot.
_SYNCHRONISED = "/run/systemd/timesync/synchronized"


def clock_is_set(utc_ns: int) -> bool | None:
    """Return whether a wall clock at ``utc_ns`` (ns since 1970 UTC) is set; None if this machine does not report it."""
    if utc_ns < _RELEASED_UTC_NS:
        return False
    return True if os.path.exists(_SYNCHRONISED) else None  # noqa: PTH110


class ClockCheck:
    """`clock_is_set` for every reading: the file system is asked again only after ``period`` s, or after a jump."""

    def __init__(self, period: float) -> None:
        self._period_ns = round(period * 1e9)
        self._checked_utc_ns: int | None = None
        self._is_set: bool | None = None

    def is_set(self, utc_ns: int) -> bool | None:
        """Return `clock_is_set` of ``utc_ns``, as it was ``period`` s ago at most."""
        if self._checked_utc_ns is None or not 0 <= utc_ns - self._checked_utc_ns < self._period_ns:
            self._checked_utc_ns, self._is_set = utc_ns, clock_is_set(utc_ns)
        return self._is_set


def utc_nanoseconds(moment: datetime) -> int:
    """Return ``moment``, a time with a zone, in ns since 1970 UTC."""
    # Integers only: timestamp() is a float and would be off by hundreds of nanoseconds.
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) * 1000


def format_rfc3339(utc_ns: int) -> str:
    """Return ``utc_ns`` (ns since 1970 UTC) as RFC 3339 text in UTC with milliseconds: ``2026-07-14T15:04:05.123Z``."""
    seconds, rest = divmod(utc_ns, 1_000_000_000)
    moment = datetime.fromtimestamp(seconds, UTC).isoformat()  # five times as fast as a format of its own
    return f"{moment[:19]}.{rest // 1_000_000:03d}Z"
