"""The words for a gap and for a step of the clock, as every list of them has them."""

from meterlink.core.text import count_phrase, length_text
from meterlink.store.rows import ClockStep, GapCause, StoredGap

CLOCK_SET = "clock set"
"""The cause of a step of the clock, where it stands among the causes of gaps."""
_LOST_IN = {GapCause.PACKETS_DROPPED: "packet", GapCause.NOT_SAVED: "reading"}


def gap_seconds(gap: StoredGap) -> float | None:
    """Return the length of a gap in s, by a clock that nobody sets; None without an end."""
    return None if gap.ended is None else (gap.ended.monotonic_ns - gap.began.monotonic_ns) / 1e9


def lasted_text(gap: StoredGap) -> str:
    """Return the length of a gap: ``40 s``, ``no end known``."""
    seconds = gap_seconds(gap)
    return "no end known" if seconds is None else length_text(seconds)


def lost_text(gap: StoredGap) -> str:
    """Return the number of packets or readings that were lost: ``12 packets``; empty if it is not known."""
    return "" if gap.lost is None else count_phrase(gap.lost, _LOST_IN.get(gap.cause, "reading"))


def step_seconds(step: ClockStep) -> float:
    """Return by how many s the clock was set, negative back; to 1 ms, as its two times are not of one moment."""
    return round(step.step_ns / 1e9, 3)


def step_text(step: ClockStep) -> str:
    """Return a step of the clock: ``clock set back by 3 h``."""
    seconds = step_seconds(step)
    return f"{CLOCK_SET} {'back' if seconds < 0 else 'on'} by {length_text(abs(seconds))}"
