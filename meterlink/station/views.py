"""The station's state as watchers see it. Pure: from the state to `meterlink.link.messages`."""

from collections.abc import Iterable, Mapping, Sequence

from meterlink.ble.states import LinkState, RadioState
from meterlink.core.cautions import LOCAL_CODES, caution_at
from meterlink.core.clock import rfc3339
from meterlink.core.units import convert
from meterlink.diagnosis.causes import Diagnosis
from meterlink.diagnosis.derived import Derived
from meterlink.link.messages import LiveView, MetersView, MeterView, VisitView
from meterlink.settling.detector import Phase, is_idle
from meterlink.station.advice import advice
from meterlink.station.diagnosis import derived_views, finding_views
from meterlink.station.tracker import Follower
from meterlink.station.visit import ActiveVisit, fits


def visit_view(
    visit: ActiveVisit,
    meter: Follower | None,
    diagnosis: Diagnosis,
    stock: Sequence[str] = (),
    derived: Sequence[Derived] = (),
) -> VisitView:
    """Return topic ``visit``.

    ``meter`` is the one that is measuring, if any, ``stock`` what the truck has, ``derived`` what was worked out of
    several readings.
    """
    point = visit.points.get(visit.focus) if visit.focus else None
    return VisitView(
        topic="visit",
        site=visit.place.site,
        unit=visit.place.unit,
        plan=visit.plan_name,
        opened=rfc3339(visit.opened_utc_ns),
        points=visit.point_views(),
        focus=visit.focus,
        last=visit.last,
        findings=finding_views(diagnosis),
        summary=diagnosis.summary,
        stock=list(stock),
        derived=derived_views(derived),
        advice=advice(visit, meter, diagnosis),
        caution=caution_at(point) if point else LOCAL_CODES,
    )


def meters_view(radio: RadioState, followers: Iterable[Follower], names: Mapping[str, str]) -> MetersView:
    """Return topic ``meters``: what the radio says of each, with what its readings say.

    ``names`` is what the station calls them, by address in lower case.
    """
    by_address = {follower.address: follower for follower in followers}
    views = []
    for link in radio.meters:
        follower = by_address.get(link.address)
        views.append(
            MeterView(
                name=follower.name if follower else names.get(link.address.lower(), link.name),
                address=link.address,
                state=str(link.state),
                detail="" if link.state is LinkState.CONNECTED else link.detail,
                driver=link.driver,
                rssi=link.rssi,
                battery=follower.battery if follower else None,
                low_battery=follower.low_battery if follower else False,
                readings=follower.count if follower else 0,
            )
        )
    return MetersView(topic="meters", meters=views, radio=radio.problem)


def live_view(visit: ActiveVisit, follower: Follower) -> LiveView | None:
    """Return topic ``live`` for the meter that is measuring, None before its first reading.

    While a reading is held it is that reading which is shown: a display that falls while the probes come off must not
    stand beside the verdict.
    """
    held = follower.held_at is not None and follower.step.phase is Phase.HELD
    reading = follower.held if held else follower.latest
    if reading is None:
        return None
    wanted = visit.points.get(visit.pins.get(follower.address, visit.focus or ""))
    limits = visit.limits[wanted.key] if wanted else None
    same = wanted is not None and fits(wanted, reading)
    digits, unit = reading.digits, reading.unit
    if digits is not None and limits is not None and same:
        digits, unit = convert(digits, unit, limits.unit), limits.unit
    # Probes that lose contact for a moment show an open part; that is nothing to alarm anybody with.
    latest = follower.latest or reading
    bounced = follower.step.phase is Phase.SETTLING and is_idle(reading)
    return LiveView(
        topic="live",
        meter=follower.name,
        text=reading.text,
        digits=None if digits is None else f"{digits:f}",
        unit=unit,
        quantity=str(reading.quantity),
        status=str(reading.status),
        phase="held" if held else "idle" if follower.step.phase is Phase.IDLE else "settling",
        progress=round(follower.step.progress, 2),
        point=follower.point,
        expected=same or wanted is None,
        verdict=None if follower.judgement is None or bounced else str(follower.judgement.verdict),
        altered="hold" if latest.hold else "relative" if latest.relative else "",
        at=rfc3339(latest.stamp.utc_ns),
    )
