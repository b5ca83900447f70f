"""The views of the station for watchers. Pure: from the state to `meterlink.link.messages`."""

from collections.abc import Callable, Iterable, Mapping, Sequence

from meterlink.ble.states import RadioState
from meterlink.core.cautions import LOCAL_CODES, caution_at
from meterlink.core.clock import format_rfc3339
from meterlink.core.equipment import ConnectionState
from meterlink.core.readings import Phase
from meterlink.diagnosis.causes import Diagnosis
from meterlink.diagnosis.derived_points import DerivedResult
from meterlink.judge.judging import digits_in_limits
from meterlink.link.messages import (
    LiveView,
    MetersView,
    MeterView,
    PlanQuestionView,
    StopView,
    Topic,
    VisitView,
    question_view,
)
from meterlink.settling.open_leads import is_idle
from meterlink.station.advice import advice, offered_actions
from meterlink.station.diagnosis import cause_views, derived_views
from meterlink.station.second_meter import second_meter_text
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import ActiveVisit, matches_function


def visit_view(
    visit: ActiveVisit,
    tracker: MeterTracker | None,
    diagnosis: Diagnosis,
    stock: Mapping[str, str] | None = None,
    derived: Sequence[DerivedResult] = (),
    beside: Sequence[MeterTracker] = (),
    connection: ConnectionState | None = None,
    radio_error: str = "",
) -> VisitView:
    """Return topic ``visit``.

    ``tracker`` is that of the meter that is measuring, if any; ``stock`` names the parts on the truck for a
    failed part, ``{component: sentence}``; ``derived`` has the results at the derived points. ``beside`` are the other
    meters in use. ``connection`` is the state of the connection of the measuring meter, ``radio_error`` the fault of
    Bluetooth itself.
    """
    point = visit.points.get(visit.focus) if visit.focus else None
    return VisitView(
        topic=Topic.VISIT,
        site=visit.site.name,
        unit=visit.site.unit,
        plan=visit.plan_name,
        opened=format_rfc3339(visit.opened_utc_ns),
        questions=[
            PlanQuestionView(key=asked.key, question=question_view(asked.question))
            for asked in visit.plan.questions(visit.answers)
        ],
        points=visit.point_views(),
        focus=visit.focus,
        next_point=visit.next_point(),
        last_accepted=visit.last_accepted,
        causes=cause_views(diagnosis),
        summary=diagnosis.summary,
        replacements=list((stock or {}).values()),
        derived=derived_views(derived),
        advice=(
            f"{advice(visit, tracker, diagnosis, stock, connection, radio_error)} "
            f"{second_meter_text(visit, tracker, beside)}"
        ).rstrip(),
        offers=offered_actions(visit, tracker),
        caution=caution_at(point, visit.points.values()) if point else LOCAL_CODES,
    )


def meters_view(
    radio_state: RadioState,
    trackers: Iterable[MeterTracker],
    name_at: Callable[[str], str],
    dropped: Mapping[str, int],
) -> MetersView:
    """Return topic ``meters``: the radio's state of each meter, with its battery and its number of readings.

    ``name_at`` returns the name that is known for an address, ``dropped`` is ``{address: packets dropped}``.
    """
    trackers_by_address = {tracker.address: tracker for tracker in trackers}
    views = []
    for status in radio_state.meters:
        tracker = trackers_by_address.get(status.address)
        views.append(
            MeterView(
                name=tracker.name if tracker else name_at(status.address) or status.name,
                address=status.address,
                state=status.state,
                detail="" if status.state is ConnectionState.CONNECTED else status.detail,
                driver=status.driver,
                rssi=status.rssi,
                battery=tracker.battery if tracker else None,
                low_battery=tracker.low_battery if tracker else False,
                readings=tracker.reading_count if tracker else 0,
                at=format_rfc3339(tracker.latest.timestamp.utc_ns) if tracker and tracker.latest else None,
                dropped_packets=dropped.get(status.address, 0),
            )
        )
    return MetersView(topic=Topic.METERS, meters=views, radio_error=radio_state.error)


def live_view(visit: ActiveVisit, tracker: MeterTracker, stop: StopView | None = None) -> LiveView | None:
    """Return topic ``live`` for the meter that is measuring, None before its first reading.

    ``stop`` is that of any meter (`meterlink.station.stops`).

    It contains the accepted reading while there is one, because the display falls when the probes are removed, and the
    verdict is that of the accepted reading.
    """
    is_accepted = tracker.accepted_at is not None and tracker.settling.phase is Phase.ACCEPTED
    reading = tracker.accepted if is_accepted else tracker.latest
    if reading is None:
        return None
    point = visit.points.get(visit.pins.get(tracker.address, visit.focus or ""))
    limits = visit.limits[point.key] if point else None
    matches = point is not None and matches_function(point, reading)
    digits, unit = reading.digits, reading.unit
    if digits is not None and limits is not None and matches:
        digits, unit = digits_in_limits(reading, limits), limits.unit
    # Probes that lose contact for a moment show an open part. This is no reason to alarm anybody.
    latest = tracker.latest or reading
    bounced = tracker.settling.phase is Phase.SETTLING and is_idle(reading)
    return LiveView(
        topic=Topic.LIVE,
        meter=tracker.name,
        text=reading.text,
        number_text=reading.number_text,
        unit_text=reading.unit_text,
        digits=None if digits is None else f"{digits:f}",
        unit=unit,
        quantity=reading.quantity,
        status=reading.status,
        phase=_shown_phase(tracker.settling.phase, is_accepted=is_accepted),
        progress=round(tracker.settling.progress, 2),
        point=tracker.point_key,
        function_matches=matches or point is None,
        verdict=None if tracker.judgement is None or bounced else tracker.judgement.verdict,
        display_mode=latest.display_mode,
        at=format_rfc3339(latest.timestamp.utc_ns),
        stop=stop,
    )


def _shown_phase(phase: Phase, *, is_accepted: bool) -> Phase:
    """Return the phase to show; an accepted measurement that was left at another test point is settling here."""
    if is_accepted:
        return Phase.ACCEPTED
    return Phase.IDLE if phase is Phase.IDLE else Phase.SETTLING
