"""The watchers' commands on the visit, in one table."""

import asyncio
from collections.abc import Awaitable, Callable

from meterlink.capture.manual_entry import MANUAL_ENTRY, parse_manual_entry
from meterlink.core.clock import Clock
from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError, MeterlinkError
from meterlink.link.messages import Command, CommandResult
from meterlink.settling.detector import Phase, SettlingState
from meterlink.station.advice import display_mode_text
from meterlink.station.committer import Committer
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.station.pipeline import Pipeline
from meterlink.station.tracker import DWELL_AFTER_LIFT
from meterlink.station.view_sender import ViewSender
from meterlink.station.visit import AcceptedReading, ActiveVisit, matches_function
from meterlink.station.visit_judge import VisitJudge

# A handler returns the number of the reading that it accepted, if any.
Handler = Callable[[Command], Awaitable[int | None]]


class VisitCommands:
    """Carries out commands on the visit; ``handlers`` is ``{command: handler}``."""

    def __init__(
        self,
        visit: ActiveVisit,
        trackers: MeterTrackers,
        visit_judge: VisitJudge,
        pipeline: Pipeline,
        committer: Committer,
        views: ViewSender,
        clock: Clock,
    ) -> None:
        self._visit = visit
        self._trackers = trackers
        self._judge = visit_judge
        self._pipeline = pipeline
        self._committer = committer
        self._views = views
        self._clock = clock
        # Arguments in the command's fields: point (a test point's key), meter (an address), text.
        self.handlers: dict[str, Handler] = {
            "activate": self._activate,  # point
            "next": self._next,
            "previous": self._previous,
            "repeat": self._repeat,
            "accept": self._accept,
            "set_rating": self._set_rating,  # point, text
            "enter": self._enter,  # point (empty: the active one), text
            "pin": self._pin,  # meter, point (empty: unpin)
        }

    async def execute(self, command: Command) -> CommandResult:
        """Carry out a watcher's command; return its result."""
        name = command.get("command", "")
        handler = self.handlers.get(name)
        if handler is None:
            return CommandResult(f"There is no command {name!r}.")
        try:
            accepted = await handler(command)
        except MeterlinkError as error:
            return CommandResult(str(error))
        self._views.send_visit()
        self._views.request()
        return CommandResult(accepted=accepted)

    async def _activate(self, command: Command) -> None:
        self._visit.set_focus(command.get("point", ""))

    async def _next(self, _command: Command) -> None:
        self._visit.move_focus(1)

    async def _previous(self, _command: Command) -> None:
        self._visit.move_focus(-1)

    async def _repeat(self, _command: Command) -> None:
        if self._visit.focus is None and self._visit.last_accepted is not None:
            self._visit.focus = self._visit.last_accepted
        for tracker in self._trackers:
            if self._visit.focus in {tracker.point_key, tracker.accepted_at}:
                tracker.restart()

    async def _accept(self, _command: Command) -> int:
        tracker = self._trackers.displayed
        point = self._visit.points.get(tracker.point_key) if tracker and tracker.point_key else None
        if tracker is None or tracker.latest is None or point is None:
            raise InputError(
                "No meter measures the active test point.",
                "Put the probes on, and set the meter to the quantity of the test point.",
            )
        if not tracker.latest.is_judgeable:
            raise InputError(
                f"{tracker.name} {display_mode_text(tracker.latest)}.",
                "Switch that mode off on the meter, and measure again.",
            )
        return self._pipeline.accept(tracker, point, self._judge.judge(tracker, point, tracker.latest), 0.0)

    async def _set_rating(self, command: Command) -> None:
        for point_key, text in self._visit.set_rating(command.get("point", ""), command.get("text", "")).items():
            await self._committer.set_rating(point_key, text)
        self._views.update_diagnosis()

    async def _pin(self, command: Command) -> None:
        self._visit.pin(command.get("meter", ""), command.get("point", ""))

    async def _enter(self, command: Command) -> int:
        """Accept a typed reading at a test point without settling; return its number.

        Raises:
            InputError: there is no such test point, or the text is no reading of its quantity.
        """
        self._advance_after_entry()
        key = command.get("point", "") or self._visit.focus or ""
        point = self._visit.points.get(key)
        if point is None:
            raise InputError(f"There is no test point {key!r} to type a reading for.", "Select a test point first.")
        reading = parse_manual_entry(command.get("text", ""), self._clock.now(), point.quantity)
        if not matches_function(point, reading):
            wanted = f"{point.coupling} {point.quantity}" if point.coupling else str(point.quantity)
            raise InputError(
                f"{reading.text} is no reading of {wanted}, which the {point.title} needs.",
                "Select the test point of this reading.",
            )
        tracker = self._trackers.get(MANUAL_ENTRY) or await self._trackers.register_typed_in(
            Meter(MANUAL_ENTRY, "typed in", MANUAL_ENTRY)
        )
        judgement = self._judge.judge(tracker, point, reading)
        tracker.latest, tracker.point_key, tracker.judgement = reading, point.key, judgement
        tracker.settling = SettlingState(Phase.ACCEPTED)
        tracker.reading_count += 1
        return self._pipeline.accept(tracker, point, judgement, 0.0)

    def plan_advance_after_entry(self, accepted: AcceptedReading) -> None:
        """Go to the next test point when the verdict on a committed typed reading was shown long enough."""
        tracker = self._trackers.get(MANUAL_ENTRY)
        if tracker is None or accepted.reading is not tracker.accepted:
            return
        age = (self._clock.now().monotonic_ns - accepted.reading.timestamp.monotonic_ns) * 1e-9

        def advance() -> None:
            if tracker.accepted is accepted.reading:
                self._advance_after_entry()
                self._views.request()

        asyncio.get_running_loop().call_later(max(0.0, DWELL_AFTER_LIFT - age), advance)

    def _advance_after_entry(self) -> None:
        """Go to the next test point if the last typed reading is committed."""
        tracker = self._trackers.get(MANUAL_ENTRY)
        if tracker is None or tracker.accepted_at is None or tracker.accepted is None:
            return
        committed = self._visit.accepted[tracker.accepted_at]
        if committed and committed[-1].reading is tracker.accepted:
            self._visit.probes_removed(tracker.accepted_at)
            tracker.restart()
            tracker.latest = None
