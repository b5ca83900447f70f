"""The moments that are heard: a reading is accepted, the meter is on the wrong function, a stop. Pure."""

from enum import StrEnum
from typing import NamedTuple

from meterlink.core.readings import Phase
from meterlink.core.verdicts import Margin, Verdict
from meterlink.link.messages import AcceptedView, LiveView, PointView, VisitView
from meterlink_tui.sound.spoken import spoken_step, spoken_text, spoken_verdict


class Moment(StrEnum):
    """A moment with a sound of its own."""

    WITHIN = "within"
    OUTSIDE = "outside"  # or open, or shorted
    CLOSE_CALL = "close call"
    NO_VERDICT = "no verdict"  # accepted, and it proves nothing on the part
    WRONG_FUNCTION = "wrong function"
    STOP = "stop"


_FAULTS = {Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED}


class HeardMoment(NamedTuple):
    """A moment and its words. ``point`` is the key of the test point of an accepted reading, else None."""

    moment: Moment
    words: str
    point: str | None = None


def moment_of(verdict: str, margin: str | None) -> Moment:
    """Return the moment at which a reading with this verdict is accepted."""
    if margin == Margin.CLOSE_CALL:
        return Moment.CLOSE_CALL
    if verdict in _FAULTS:
        return Moment.OUTSIDE
    return Moment.WITHIN if verdict == Verdict.WITHIN else Moment.NO_VERDICT


class MomentFinder:
    """Finds the moments in the messages of a station, each of them once.

    Readings in the first message of a visit were accepted earlier: they make no sound. Neither does a reading that is
    judged again or counts again.
    """

    def __init__(self) -> None:
        self._visit: tuple[str, str, str] | None = None
        self._accepted: set[int] = set()  # the ids of readings that were accepted, voided ones too
        self._wrong_at: str | None = None  # the test point at which the function was found wrong
        self._stop: str | None = None  # its level

    def in_visit(self, visit: VisitView) -> HeardMoment | None:
        """Return the newest reading that was accepted since the last view; None if there is none, or under a stop."""
        same_visit = (visit["site"], visit["unit"], visit["opened"])
        is_first_view = same_visit != self._visit
        if is_first_view:
            self._visit, self._accepted = same_visit, set()
        found = {
            accepted["id"]: (point, accepted)
            for point in visit["points"]
            if (accepted := point["accepted"]) and accepted["id"] not in self._accepted
        }
        self._accepted.update(found)
        if is_first_view or not found or self._stop:
            return None
        return _accepted_moment(*found[max(found)], visit)

    def in_live(self, live: LiveView, points: list[PointView]) -> HeardMoment | None:
        """Return a stop that begins or changes its level, or else a function that has become wrong; None for neither.

        The text of a stop has the reading, which changes all the time: that is no new stop.
        """
        stop = live.get("stop")
        earlier_level, self._stop = self._stop, stop["level"] if stop else None
        if stop is not None and stop["level"] != earlier_level:
            first = stop["text"].partition(". ")[0]
            return HeardMoment(Moment.STOP, spoken_text(f"Stop. {stop['title'].lower()}. {first}."))
        if stop is not None or live["phase"] == Phase.IDLE:
            return None
        earlier, self._wrong_at = self._wrong_at, None if live["function_matches"] else live["point"] or ""
        if self._wrong_at is None or self._wrong_at == earlier:
            return None
        needed = next((point["quantity"] for point in points if point["key"] == live["point"]), "")
        setting = f", set the meter to {needed}" if needed else ""
        return HeardMoment(Moment.WRONG_FUNCTION, spoken_text(f"wrong function{setting}"))


def _accepted_moment(point: PointView, accepted: AcceptedView, visit: VisitView) -> HeardMoment:
    # The advice is about the active test point; after a typed reading that may already be the next one.
    step = spoken_step(visit["advice"]) if visit["focus"] == point["key"] else ""
    moment = moment_of(accepted["verdict"], accepted["margin"])
    words = spoken_verdict(accepted["number_text"], accepted["unit_text"], accepted["verdict"], accepted["margin"])
    said = ", ".join(filter(None, (words, step if moment is not Moment.WITHIN else "")))
    return HeardMoment(moment, said, point["key"])
