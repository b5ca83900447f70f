"""The station's state as watchers see it. Pure: from the state to `meterlink.link.messages`."""

from collections.abc import Iterable, Mapping, Sequence

from meterlink.ble.states import ConnectionState, RadioState
from meterlink.core.cautions import LOCAL_CODES, caution_at
from meterlink.core.clock import format_rfc3339
from meterlink.core.units import convert
from meterlink.diagnosis.causes import Diagnosis
from meterlink.diagnosis.derived_points import DerivedResult
from meterlink.link.messages import LiveView, MetersView, MeterView, VisitView
from meterlink.settling.detector import Phase, is_idle
from meterlink.station.advice import advice
from meterlink.station.diagnosis import cause_views, derived_views
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import ActiveVisit, matches_function


def visit_view(
    visit: ActiveVisit,
    tracker: MeterTracker | None,
    diagnosis: Diagnosis,
    stock: Sequence[str] = (),
    derived: Sequence[DerivedResult] = (),
) -> VisitView:
    """Return topic ``visit``.

    ``meter`` is the one that is measuring, if any, ``stock`` what the truck has, ``derived`` what was worked out of
    several readings.
    """
    point = visit.points.get(visit.focus) if visit.focus else None
    return VisitView(
        topic="visit",
        site=visit.site.name,
        unit=visit.site.unit,
        plan=visit.plan_name,
        opened=format_rfc3339(visit.opened_utc_ns),
        points=visit.point_views(),
        focus=visit.focus,
        last_accepted=visit.last_accepted,
        causes=cause_views(diagnosis),
        summary=diagnosis.summary,
        replacements=list(stock),
        derived=derived_views(derived),
        advice=advice(visit, tracker, diagnosis),
        caution=caution_at(point) if point else LOCAL_CODES,
    )


def meters_view(radio_state: RadioState, trackers: Iterable[MeterTracker], names: Mapping[str, str]) -> MetersView:
    """Return topic ``meters``: what the radio says of each, with what its readings say.

    ``names`` is what the station calls them, by address in lower case.
    """
    by_address = {follower.address: follower for follower in trackers}
    views = []
    for link in radio_state.meters:
        follower = by_address.get(link.address)
        views.append(
            MeterView(
                name=follower.name if follower else names.get(link.address.lower(), link.name),
                address=link.address,
                state=str(link.state),
                detail="" if link.state is ConnectionState.CONNECTED else link.detail,
                driver=link.driver,
                rssi=link.rssi,
                battery=follower.battery if follower else None,
                low_battery=follower.low_battery if follower else False,
                readings=follower.reading_count if follower else 0,
            )
        )
    return MetersView(topic="meters", meters=views, radio_error=radio_state.error)


def live_view(visit: ActiveVisit, tracker: MeterTracker) -> LiveView | None:
    """Return topic ``live`` for the meter that is measuring, None before its first reading.

    While a reading is held it is that reading which is shown: a display that falls while the probes come off must not
    stand beside the verdict.
    """
    held = tracker.accepted_at is not None and tracker.settling.phase is Phase.ACCEPTED
    reading = tracker.accepted if held else tracker.latest
    if reading is None:
        return None
    wanted = visit.points.get(visit.pins.get(tracker.address, visit.focus or ""))
    limits = visit.limits[wanted.key] if wanted else None
    same = wanted is not None and matches_function(wanted, reading)
    digits, unit = reading.digits, reading.unit
    if digits is not None and limits is not None and same:
        digits, unit = convert(digits, unit, limits.unit), limits.unit
    # Probes that lose contact for a moment show an open part; that is nothing to alarm anybody with.
    latest = tracker.latest or reading
    bounced = tracker.settling.phase is Phase.SETTLING and is_idle(reading)
    return LiveView(
        topic="live",
        meter=tracker.name,
        text=reading.text,
        digits=None if digits is None else f"{digits:f}",
        unit=unit,
        quantity=str(reading.quantity),
        status=str(reading.status),
        phase="held" if held else "idle" if tracker.settling.phase is Phase.IDLE else "settling",
        progress=round(tracker.settling.progress, 2),
        point=tracker.point_key,
        function_matches=same or wanted is None,
        verdict=None if tracker.judgement is None or bounced else str(tracker.judgement.verdict),
        display_mode="hold" if latest.display_hold else "relative" if latest.relative else "",
        at=format_rfc3339(latest.timestamp.utc_ns),
    )
