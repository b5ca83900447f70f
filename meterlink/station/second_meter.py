"""Two meters at once: a clamp and a multimeter at the inputs of one derived point. Pure.

The active test point is the one that the screen asks for. Where another meter is at it, the inputs that are read at the
same time are asked for, too: its *companions*.
"""

from collections.abc import Iterable, Sequence

from meterlink.core.equipment import TestPoint
from meterlink.core.readings import Phase
from meterlink.core.text import count_phrase
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import ActiveVisit, matches_function


def is_at_active_point(visit: ActiveVisit, trackers: Iterable[MeterTracker]) -> bool:
    """Return whether one of the meters is set to the function of the active test point, and pinned to no other."""
    point = visit.points.get(visit.focus or "")
    return point is not None and any(
        tracker.latest is not None
        and matches_function(point, tracker.latest)
        and visit.pins.get(tracker.address, point.key) == point.key
        for tracker in trackers
    )


def companion_for(visit: ActiveVisit, tracker: MeterTracker, others: Iterable[MeterTracker]) -> TestPoint | None:
    """Return the companion of the active point that the meter's newest reading belongs to, None if there is none.

    The meter is pinned nowhere, one of the ``others`` is at the active point, the reading fits one companion only, and
    its contact began while this point was active: probes that are still on another part are not taken for it.
    """
    reading = tracker.latest
    if reading is None or tracker.address in visit.pins:
        return None
    companions = [
        point
        for point in visit.companions()
        if matches_function(point, reading) and (not visit.accepted[point.key] or point.key == tracker.accepted_at)
    ]
    if len(companions) != 1 or tracker.focus_at_contact != visit.focus or not is_at_active_point(visit, others):
        return None
    return companions[0]


def second_meter_text(visit: ActiveVisit, displayed: MeterTracker | None, others: Sequence[MeterTracker]) -> str:
    """Return the sentences on the meters beside the displayed one: where to put one, and a reading at no test point."""
    if displayed is None or visit.focus is None:
        return ""
    texts = [text for tracker in others if (text := _text_on(visit, tracker, [displayed, *others]))]
    return " ".join(texts[:1])  # one thing after the other


def _text_on(visit: ActiveVisit, tracker: MeterTracker, trackers: Sequence[MeterTracker]) -> str:
    reading = tracker.latest
    if reading is None or not reading.is_judgeable or tracker.address in visit.pins or tracker.point_key is not None:
        return ""
    beside = [other for other in trackers if other is not tracker]
    measuring = tracker.settling.phase is not Phase.IDLE
    companions = [
        point for point in visit.companions() if matches_function(point, reading) and not visit.accepted[point.key]
    ]
    if len(companions) == 1 and is_at_active_point(visit, beside):
        again = "take them off, then put" if measuring else "put"
        where = f"{companions[0].terminals[0]} and {companions[0].terminals[1]}"
        return f"At the same time, with {tracker.name}: {again} them on {where}, for the {companions[0].title}."
    if not measuring or tracker.is_proving:
        return ""
    active = visit.points[visit.focus or ""]
    fitting = [
        point
        for point in visit.points_after(active.key)
        if point.state is active.state and matches_function(point, reading)
    ]
    if not fitting:
        return ""
    first = f"{fitting[0].title}, {fitting[0].terminals[0]} and {fitting[0].terminals[1]}"
    more = f" (and {count_phrase(len(fitting) - 1, 'other')})" if len(fitting) > 1 else ""
    return f"{tracker.name} reads {reading.text} for no test point: it fits the untested {first}{more}."
