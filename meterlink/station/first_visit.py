"""The visit with which a station begins: opened or resumed by its configuration, or the active one of the database."""

import asyncio
from collections.abc import Callable

from meterlink.core.errors import DatabaseLockedError, PlanError
from meterlink.plans import check_plan
from meterlink.station.current_visit import no_visit
from meterlink.station.station_config import StationConfig
from meterlink.station.visit import ActiveVisit
from meterlink.station.visit_desk import WITHOUT_PLAN, resumed_visit
from meterlink.store.rows import VisitDetails, VisitWithReadings
from meterlink.store.writer import Writer

# A visit whose newest reading is older is asked about when a station resumes it: the next day's first call may be
# elsewhere. Half a day; common practice, no source.
OLD_VISIT_HOURS = 12


async def first_visit_unless_stopped(
    config: StationConfig,
    writer: Writer,
    on_resumed: Callable[[VisitWithReadings], None],
    *,
    stopping: asyncio.Event,
    write_failed: asyncio.Event,
) -> ActiveVisit | None:
    """Return the first visit; None if ``stopping`` is set before it is committed.

    ``on_resumed`` gets the active visit of the database where the configuration names none.

    Raises:
        StoreError: the disk is full or fails. A database that another program has locked is waited for.
    """
    opening = asyncio.create_task(_first_visit(config, writer, on_resumed))
    stop, failure = (asyncio.create_task(event.wait()) for event in (stopping, write_failed))
    try:
        await asyncio.wait({opening, stop, failure}, return_when=asyncio.FIRST_COMPLETED)
        fault = writer.fault
        if not opening.done() and fault is not None and not isinstance(fault, DatabaseLockedError):
            raise fault
        await asyncio.wait({opening, stop}, return_when=asyncio.FIRST_COMPLETED)
        return opening.result() if opening.done() else None
    finally:
        for task in (opening, stop, failure):
            task.cancel()
        await asyncio.gather(opening, stop, failure, return_exceptions=True)


async def _first_visit(
    config: StationConfig, writer: Writer, on_resumed: Callable[[VisitWithReadings], None]
) -> ActiveVisit:
    settings = config.settings
    if config.site is None or config.plan is None:
        active = await asyncio.wrap_future(writer.activate_visit())
        if active is None:
            return no_visit(settings.capacitor_tolerance, settings.rule)
        on_resumed(active)
        return resumed_visit(active, settings)
    resumed = None
    if not config.new_visit:
        resumed = await asyncio.wrap_future(writer.resume_visit(config.site, config.plan))
    if resumed is not None:
        return resumed_visit(resumed, settings, config.plan)
    details = VisitDetails(config.plan_text)
    ids = await asyncio.wrap_future(writer.open_visit(config.site, config.plan, config.clock.now(), details))
    if config.answers:
        kept = check_plan(config.plan_text).require(config.plan.name, PlanError)
        await asyncio.wrap_future(writer.set_answers(ids.visit_id, kept, config.answers))
    resumed = await asyncio.wrap_future(writer.activate_visit(ids.uid))
    assert resumed is not None  # noqa: S101  # it is open
    return resumed_visit(resumed, settings, config.plan)


def resumed_visit_text(resumed: VisitWithReadings, config: StationConfig) -> str:
    """Return a sentence that asks about a visit whose newest reading is old, or of unknown age; empty for another.

    Of a visit whose plan is not in the record it says so.
    """
    return " ".join(filter(None, [_old_text(resumed, config), "" if resumed.plan_text else WITHOUT_PLAN]))


def _old_text(resumed: VisitWithReadings, config: StationConfig) -> str:
    age = resumed.last_activity.age(config.clock.now(), config.boot_id)
    if age is not None and age < OLD_VISIT_HOURS * 3600:
        return ""
    place = f"{resumed.site.unit}, {resumed.site.name},"
    old = (
        f"The last reading at {place} is {age / 3600:.0f} hours old."
        if age is not None
        else f"How old the visit at {place} is cannot be told: the clock was wrong then, or is now."
    )
    return f"{old} Go on with this visit, or begin another."
