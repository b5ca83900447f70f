"""A service call played on the bench: a real station, real packets, a simulated technician who follows the screen."""

import asyncio
import tempfile
from collections.abc import Awaitable, Callable, Mapping
from contextlib import AsyncExitStack
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import cast

from meterlink.core.equipment import Meter, TestPoint
from meterlink.core.errors import MeterlinkError
from meterlink.core.notices import NoticeLevel
from meterlink.core.outcomes import Outcome
from meterlink.link.messages import Command, CommandName, Message, Topic, UnitView
from meterlink.station.station import Station, StationConfig
from meterlink.station.visit import AcceptedReading
from meterlink_simulators.air import Air
from meterlink_simulators.bench import Bench
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.catalogue import create_encoder
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.peripheral import Peripheral
from meterlink_simulators.scenario import Scenario
from meterlink_simulators.scenario_steps import (
    Arrive,
    Discharge,
    DropConnection,
    Leads,
    Leave,
    Lift,
    Measure,
    Note,
    Operate,
    ReadLabel,
    Replace,
    SetFault,
    Step,
    Stock,
    Switch,
    VisitStep,
    Wait,
)

# Simulated seconds that the technician waits for the screen: for the next test point (then they activate it), and for
# an accepted reading (then the call fails).
POINT_TIMEOUT = 6.0
ACCEPT_TIMEOUT = 90.0
# Time of a hand from one pair of terminals to the next.
PROBE_MOVE_SECONDS = 0.6  # s

# Simulated seconds without a change after which a display can be read off.
STABLE_AFTER = 0.8

OnAccepted = Callable[[TestPoint, AcceptedReading], None]
OnDisplay = Callable[[str, DisplayState], None]
OnEvent = Callable[[str], None]


class ObservedMeter:
    """A meter that reports its display to ``on_display`` once it has been stable for `STABLE_AFTER`."""

    def __init__(self, meter: SimulatedMeter, on_display: OnDisplay) -> None:
        self.name, self.rate = meter.name, meter.rate
        self._meter = meter
        self._on_display = on_display
        self._last: DisplayState | None = None
        self._since = 0.0
        self._reported: DisplayState | None = None

    def show(self, now: float) -> DisplayState:
        """Measure and return the display at ``now``, s."""
        display = self._meter.show(now)
        if display != self._last:
            self._last, self._since = display, now
        elif now - self._since >= STABLE_AFTER and display != self._reported and not display.blank:
            self._reported = display
            self._on_display(self.name, display)
        return display


class ServiceCallError(MeterlinkError):
    """The call failed: a reading was not accepted, or the station raised an alarm in simulated time."""


class ServiceCall:
    """Plays ``scenario`` with a station of its own, configured by ``config``.

    The backends, meters, site and plan of ``config`` are replaced by those of the scenario. ``on_accepted`` is called
    with ``(point, accepted reading)``, ``on_display`` with ``(meter's name, display)`` for every stable display, and
    ``on_event`` with a sentence on every other step that is part of the story. ``before_leaving`` is awaited before the
    visit is closed. With ``ends_at_alarm`` an alarm of the station ends the call: in simulated time nobody frees the
    disk. Without it, the call goes on as a station does, and a reading is waited for until the alarm is over.
    """

    def __init__(
        self,
        scenario: Scenario,
        config: StationConfig,
        on_accepted: OnAccepted | None = None,
        on_display: OnDisplay | None = None,
        on_event: OnEvent | None = None,
        before_leaving: Callable[[], Awaitable[object]] | None = None,
        *,
        ends_at_alarm: bool = True,
    ) -> None:
        self._scenario = scenario
        self._config = config
        self._on_accepted = on_accepted
        self._on_display = on_display
        self._on_event = on_event
        self._before_leaving = before_leaving
        self._ends_at_alarm = ends_at_alarm
        self._alarm = ""  # the present one
        self._bench: Bench = scenario.build_bench()
        self._meters: dict[str, SimulatedMeter] = {}
        self._peripherals: dict[str, Peripheral] = {}
        self._air = Air()
        self._focus: str | None = None
        self._accepted_counts: dict[str, int] = {}
        self._state_changed = asyncio.Condition()
        self._commands = 0
        self._units: list[UnitView] = []
        self._watchers: list[Callable[[Message], None]] = []
        self._technician_task: asyncio.Task[None] | None = None
        self._failure: Exception | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self.station: Station | None = None
        self.started = asyncio.Event()
        self.visit = ""  # the id of the visit that `Arrive` has begun
        self.is_leaving = False  # whether only `before_leaving` is waited for
        self.is_closed = False

    @property
    def folder(self) -> Path:
        """The data folder of its station."""
        return self._config.folder

    @property
    def busy(self) -> bool:
        """Whether its station has work for the database: virtual time must wait for it."""
        return self.station is not None and self.station.busy

    def add_listener(self, listener: Callable[[Message], None]) -> None:
        """Call ``listener`` with every view. Add it before `run`."""
        self._watchers.append(listener)

    def stop(self) -> None:
        """End the call: the station stops in good order and `run` returns."""
        if self._technician_task is not None:
            self._technician_task.cancel()

    async def run(self, *, keep_running: bool = False) -> None:
        """Play the call and stop the station; with ``keep_running`` it runs on until `stop` or cancellation.

        Raises:
            ServiceCallError: a reading was not accepted in time, or an alarm of the station has ended the call.
            ExceptionGroup: the station failed.
        """
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(self._air)
            for spec in self._scenario.meters:
                meter = self._meters[spec.name] = self._scenario.build_meter(spec, self._bench)
                instrument = meter if self._on_display is None else ObservedMeter(meter, self._on_display)
                self._peripherals[spec.name] = await self._air.add_meter(
                    instrument, encoder=create_encoder(spec.encoding, spec.variant), address=spec.address
                )
            arrives = any(isinstance(step, Arrive) for step in self._scenario.steps)
            self.station = station = Station(
                replace(
                    self._config,
                    site=None if arrives else self._scenario.site,
                    plan=None if arrives else self._scenario.plan,
                    meters=tuple(Meter(spec.address, spec.name) for spec in self._scenario.meters),
                    scanner_backend=self._air.scanner_backend,
                    client_backend=self._air.client_backend,
                    jitter=Random(self._scenario.seed).uniform,
                )
            )
            for listener in (self._receive_message, *self._watchers):
                station.add_listener(listener)
            station.add_accepted_listener(self._count_accepted)
            async with asyncio.TaskGroup() as group:
                group.create_task(station.run(), name="station")  # its failure cancels the waits below
                await station.started.wait()
                self.started.set()
                self._technician_task = group.create_task(
                    self._play_steps(keep_running=keep_running), name="technician"
                )
                await asyncio.wait({self._technician_task})
                station.stop()
            for task in self._tasks:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._failure is not None:
            raise self._failure

    # The technician's view

    def _receive_message(self, message: Message) -> None:
        if message["topic"] == Topic.NOTICE:
            self._hear_alarm(message["text"] if message["level"] == NoticeLevel.ALARM else "")
        if message["topic"] == Topic.VISITS:
            self._units = message["units"]
        if message["topic"] == Topic.VISIT and message["focus"] != self._focus:
            self._focus = message["focus"]
            self._notify_technician()

    def _hear_alarm(self, text: str) -> None:
        if text == self._alarm:
            return
        self._alarm = text
        if text and self._ends_at_alarm:
            self._fail(ServiceCallError(text))
        else:
            self._tell(f"ALARM: {text}" if text else "The alarm is over.")

    def _count_accepted(self, point: TestPoint, accepted: AcceptedReading) -> None:
        self._accepted_counts[point.key] = self._accepted_counts.get(point.key, 0) + 1
        try:
            if self._on_accepted is not None:
                self._on_accepted(point, accepted)
        except Exception as error:  # noqa: BLE001  # a closed pipe, for example; `run` raises it
            self._fail(error)
        self._notify_technician()

    def _fail(self, error: Exception) -> None:
        """End the call; `run` raises ``error``."""
        self._failure = self._failure or error
        self.stop()

    def _notify_technician(self) -> None:
        async def notify() -> None:
            async with self._state_changed:
                self._state_changed.notify_all()

        task = asyncio.create_task(notify(), name="technician-looks")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _wait_until(self, predicate: Callable[[], bool], seconds: float) -> bool:
        try:
            async with asyncio.timeout(seconds), self._state_changed:
                await self._state_changed.wait_for(predicate)
        except TimeoutError:
            return False
        return True

    # The technician's actions

    async def _play_steps(self, *, keep_running: bool) -> None:
        for step in self._scenario.steps:
            await self._play_step(step)
        if keep_running:
            await asyncio.Event().wait()

    async def _play_step(self, step: Step) -> None:
        match step:
            case Measure():
                await self._measure(step)
            case Discharge():
                await self._discharge(step)
            case Wait(seconds):
                await asyncio.sleep(seconds)
            case Arrive() | ReadLabel() | Note() | Replace() | Stock() | Leave():
                await self._play_visit_step(step)
            case _:
                self._change_bench(step)

    def _change_bench(self, step: Lift | DropConnection | SetFault | Switch | Operate | Leads) -> None:
        now = self._air.now
        match step:
            case Lift(meter):
                self._bench.lift_probes(meter, now)
            case DropConnection(meter, seconds):
                self._drop_connection(self._peripherals[meter], seconds)
            case SetFault(fault):
                self._bench.set_fault(fault, now)
            case Switch(supply, on):
                self._bench.switch_supply(supply, now, on=on)
                self._tell(f"The {supply} is switched {'on' if on else 'off and locked out'}.")
            case Operate(component, on):
                self._bench.operate(component, now, on=on)
            case Leads(component, on):
                (self._bench.connect_leads if on else self._bench.pull_leads)(component, now)

    async def _discharge(self, step: Discharge) -> None:
        self._bench.connect_bleeder(step.component, step.ohms, self._air.now)
        await asyncio.sleep(step.seconds)
        self._bench.connect_bleeder(step.component, float("inf"), self._air.now)
        self._tell(f"The {step.component} was bled through {step.ohms / 1000:g} kΩ for {step.seconds:g} s.")

    async def _play_visit_step(self, step: VisitStep) -> None:
        match step:
            case Arrive(job):
                await self._arrive(job)
            case ReadLabel(point, rating):
                await self._command(CommandName.SET_RATING, point=point, text=rating)
                self._tell(f"The label at {point} says {rating}.")
            case Note(text):
                await self._command(CommandName.NOTE, text=text)
                self._tell(f"Note: {text}")
            case Replace():
                await self._replace(step)
            case Stock(rating, count, entry):
                left = await self._command(CommandName.ADD_STOCK, kind=entry, text=rating, count=count)
                verb = "restocked" if entry in {"loaded", "received"} else str(entry)
                self._tell(f"On the truck: {left['count']} of {left['rating']} ({verb}).")
            case Leave(outcome):
                await self._leave(outcome)

    async def _replace(self, step: Replace) -> None:
        fitted = await self._command(CommandName.REPLACE, point=step.point, text=step.rating)
        self._tell(f"The {fitted['part']} is replaced: {fitted['new_rating']}, {fitted['method']}.")
        stock = fitted["stock"]
        if isinstance(stock, Mapping):
            self._tell(f"On the truck: {stock['left']} of {stock['rating']} (used).")

    async def _measure(self, step: Measure) -> None:
        if step.point and not await self._wait_until(lambda: self._focus == step.point, POINT_TIMEOUT):
            await self._activate_point(step.point)
        before = self._accepted_counts.get(step.point, 0)
        self._meters[step.meter].turn_dial(step.function)
        if self._bench.probes(step.meter).terminals != step.terminals:
            self._bench.lift_probes(step.meter, self._air.now)
            await asyncio.sleep(PROBE_MOVE_SECONDS)
            self._bench.attach_probes(step.meter, step.terminals, self._air.now, step.bounce)
        elif step.bounce:
            self._bench.bounce_probes(step.meter, self._air.now, step.bounce)
        if step.seconds is not None:
            await asyncio.sleep(step.seconds)
        else:
            await self._wait_until_accepted(step.point, before)
        if step.lift:
            await asyncio.sleep(PROBE_MOVE_SECONDS)
            self._bench.lift_probes(step.meter, self._air.now)

    async def _wait_until_accepted(self, point: str, before: int) -> None:
        while not await self._wait_until(lambda: self._accepted_counts.get(point, 0) > before, ACCEPT_TIMEOUT):
            if not self._alarm:
                raise ServiceCallError(
                    f"The reading at {point} was not accepted within {ACCEPT_TIMEOUT:.0f} s.", "Check the scenario."
                )

    async def _activate_point(self, point: str) -> None:
        await self._command(CommandName.ACTIVATE, point=point)

    async def _arrive(self, job: str) -> None:
        site = self._scenario.site
        await self._command(CommandName.LIST_VISITS)
        here = (unit for unit in self._units if (unit["site"], unit["unit"]) == (site.name, site.unit))
        open_visit = next((unit["visit"] for unit in here if unit["is_open"]), "")
        if open_visit:  # a call that was broken off
            self.visit = open_visit
            await self._command(CommandName.SWITCH_VISIT, visit=self.visit)
            self._tell(f"Arrived at {site.name}: the visit to {site.unit} goes on.")
            return
        with tempfile.TemporaryDirectory(prefix="meterlink-plan-") as folder:
            plan = self._write_plan(Path(folder))
            begun = await self._command(CommandName.BEGIN_VISIT, site=site.name, unit=site.unit, plan=plan, job=job)
        self.visit = str(begun["visit"])
        self._tell(f"Arrived at {site.name}: a visit to {site.unit} is begun, job {job}.")

    def _write_plan(self, folder: Path) -> str:
        """Write the plan of the scenario to a file in ``folder``, and return its path."""
        file = folder / "plan.toml"
        file.write_text(self._scenario.plan_text, encoding="utf-8")
        return str(file)

    async def _leave(self, outcome: Outcome) -> None:
        if self._before_leaving is not None:
            self.is_leaving = True
            await self._before_leaving()
        left = await self._command(CommandName.CLOSE_VISIT, outcome=outcome)
        self.is_closed = True
        self._tell(f"The visit is closed: {outcome}.")
        titles = {point.key: point.title for point in self._scenario.plan.points}
        for words, field in (("Untested", "untested"), ("Not sound and not replaced", "outside_not_replaced")):
            keys = left[field]
            if isinstance(keys, list) and keys:
                self._tell(f"{words}: {', '.join(titles[key] for key in keys)}.")

    async def _command(self, name: CommandName, **fields: str | int) -> Mapping[str, object]:
        """Let the station carry out a command, as a dashboard does; return the data of its reply.

        Raises:
            ServiceCallError: it did not carry it out.
        """
        assert self.station is not None  # noqa: S101  # steps are played after it started
        self._commands += 1
        command = cast("Command", {"id": self._commands, "command": name, **fields})
        result = await self.station.result_of(command)
        if result.error:
            raise ServiceCallError(f"The station refused the command {name}: {result.error}", "Check the scenario.")
        return result.data

    def _tell(self, event: str) -> None:
        if self._on_event is not None:
            self._on_event(event)

    def _drop_connection(self, peripheral: Peripheral, seconds: float) -> None:
        peripheral.set_out_of_range(away=True)

        async def come_into_range() -> None:
            await asyncio.sleep(seconds)
            peripheral.set_out_of_range(away=False)

        task = asyncio.create_task(come_into_range(), name="link-comes-back")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
