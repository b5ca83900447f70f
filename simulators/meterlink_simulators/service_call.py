"""A service call played on the bench: a real station, real packets, a simulated technician who follows the screen."""

import asyncio
from collections.abc import Callable
from contextlib import AsyncExitStack
from dataclasses import replace
from pathlib import Path
from random import Random

from meterlink.core.equipment import Meter, TestPoint
from meterlink.core.errors import MeterlinkError
from meterlink.link.messages import Command, Message
from meterlink.station.station import Station, StationConfig
from meterlink.station.visit import AcceptedReading
from meterlink_simulators.air import Air
from meterlink_simulators.bench import Bench
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.catalogue import create_encoder
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.peripheral import Peripheral
from meterlink_simulators.scenario import Scenario
from meterlink_simulators.scenario_steps import Discharge, DropConnection, Lift, Measure, SetFault, Step, Switch, Wait

# How long the technician waits for the screen before doing something about it: to show the next test point (then they
# pick it themselves), and to hold a reading (then something is wrong). Simulated seconds.
POINT_TIMEOUT = 6.0
ACCEPT_TIMEOUT = 90.0
# A hand on its way from one pair of terminals to the next.
PROBE_MOVE_SECONDS = 0.6  # s

# A display that has not changed for so long can be read off. Simulated seconds.
STABLE_AFTER = 0.8

OnAccepted = Callable[[TestPoint, AcceptedReading], None]
OnDisplay = Callable[[str, DisplayState], None]


class ObservedMeter:
    """A meter whose display somebody looks at: they are told what it shows once it has stood still."""

    def __init__(self, meter: SimulatedMeter, on_display: OnDisplay) -> None:
        self.name, self.rate = meter.name, meter.rate
        self._meter = meter
        self._on_display = on_display
        self._shown: DisplayState | None = None
        self._since = 0.0
        self._reported: DisplayState | None = None

    def show(self, now: float) -> DisplayState:
        """Measure and return what the display shows."""
        shown = self._meter.show(now)
        if shown != self._shown:
            self._shown, self._since = shown, now
        elif now - self._since >= STABLE_AFTER and shown != self._reported and not shown.blank:
            self._reported = shown
            self._on_display(self.name, shown)
        return shown


class ServiceCallError(MeterlinkError):
    """The played call did not get where it should."""


class ServiceCall:
    """Plays ``scenario`` with a station of its own; ``orders`` says where its data goes and whether it can be watched.

    ``orders``' backends and meters are replaced by the simulated ones. ``on_display`` is told what every display shows
    whenever that has stood still for a while.
    """

    def __init__(
        self,
        scenario: Scenario,
        config: StationConfig,
        on_accepted: OnAccepted | None = None,
        on_display: OnDisplay | None = None,
    ) -> None:
        self._scenario = scenario
        self._config = config
        self._on_accepted = on_accepted
        self._on_display = on_display
        self._bench: Bench = scenario.build_bench()
        self._meters: dict[str, SimulatedMeter] = {}
        self._peripherals: dict[str, Peripheral] = {}
        self._air = Air()
        self._focus: str | None = None
        self._accepted_counts: dict[str, int] = {}
        self._state_changed = asyncio.Condition()
        self._commands = 0
        self._watchers: list[Callable[[Message], None]] = []
        self._technician_task: asyncio.Task[None] | None = None
        self._failure: Exception | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self.station: Station | None = None
        self.started = asyncio.Event()

    @property
    def folder(self) -> Path:
        """The data folder of its station."""
        return self._config.folder

    @property
    def busy(self) -> bool:
        """Whether its station has work for the database under way: virtual time must wait for it."""
        return self.station is not None and self.station.busy

    def add_listener(self, listener: Callable[[Message], None]) -> None:
        """Have ``listener`` called with every view; before `run`."""
        self._watchers.append(listener)

    def stop(self) -> None:
        """End the call where it stands: the station is stopped in good order and `run` returns."""
        if self._technician_task is not None:
            self._technician_task.cancel()

    async def run(self, *, keep_running: bool = False) -> None:
        """Play the call and stop the station; with ``stay`` the station runs on until `stop`, or until cancelled.

        StuckError when the technician waits in vain; whatever the station raises.
        """
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(self._air)
            for spec in self._scenario.meters:
                meter = self._meters[spec.name] = self._scenario.build_meter(spec, self._bench)
                seen = meter if self._on_display is None else ObservedMeter(meter, self._on_display)
                self._peripherals[spec.name] = await self._air.add_meter(
                    seen, encoder=create_encoder(spec.encoding, spec.variant), address=spec.address
                )
            self.station = station = Station(
                replace(
                    self._config,
                    site=self._scenario.site,
                    plan=self._scenario.plan,
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
                group.create_task(station.run(), name="station")  # should it fail, the group cancels what waits here
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

    # What the technician sees.

    def _receive_message(self, message: Message) -> None:
        if message["topic"] == "notice" and message["level"] == "alarm" and message["text"]:
            # Nobody will free the disk in simulated time, and a technician cannot go on without readings being kept.
            self._fail(ServiceCallError(message["text"]))
        if message["topic"] == "visit" and message["focus"] != self._focus:
            self._focus = message["focus"]
            self._notify_technician()

    def _count_accepted(self, point: TestPoint, accepted: AcceptedReading) -> None:
        self._accepted_counts[point.key] = self._accepted_counts.get(point.key, 0) + 1
        try:
            if self._on_accepted is not None:
                self._on_accepted(point, accepted)
        except Exception as error:  # noqa: BLE001  # such as a pipe whose reader has left; raised where the call is run
            self._fail(error)
        self._notify_technician()

    def _fail(self, error: Exception) -> None:
        """End the call where it stands; `run` raises ``error``."""
        self._failure = self._failure or error
        self.stop()

    def _notify_technician(self) -> None:
        async def tell() -> None:
            async with self._state_changed:
                self._state_changed.notify_all()

        task = asyncio.create_task(tell(), name="technician-looks")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _wait_until(self, predicate: Callable[[], bool], timeout: float) -> bool:
        try:
            async with asyncio.timeout(timeout), self._state_changed:
                await self._state_changed.wait_for(predicate)
        except TimeoutError:
            return False
        return True

    # What the technician does.

    async def _play_steps(self, *, keep_running: bool) -> None:
        for step in self._scenario.steps:
            await self._play_step(step)
        if keep_running:
            await asyncio.Event().wait()

    async def _play_step(self, step: Step) -> None:
        now = self._air.now
        match step:
            case Measure():
                await self._measure(step)
            case Lift(meter):
                self._bench.lift_probes(meter, now)
            case DropConnection(meter, seconds):
                self._drop_connection(self._peripherals[meter], seconds)
            case SetFault(fault):
                self._bench.set_fault(fault, now)
            case Wait(seconds):
                await asyncio.sleep(seconds)
            case Switch(supply, on):
                self._bench.switch_supply(supply, now, on=on)
            case Discharge(component, ohms, seconds):
                self._bench.connect_bleeder(component, ohms, now)
                await asyncio.sleep(seconds)
                self._bench.connect_bleeder(component, float("inf"), self._air.now)

    async def _measure(self, step: Measure) -> None:
        if step.point and not await self._wait_until(lambda: self._focus == step.point, POINT_TIMEOUT):
            await self._focus_point(step.point)
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
        elif not await self._wait_until(lambda: self._accepted_counts.get(step.point, 0) > before, ACCEPT_TIMEOUT):
            raise ServiceCallError(
                f"The reading at {step.point} was not held within {ACCEPT_TIMEOUT:.0f} s.", "Check the scenario."
            )
        if step.lift:
            await asyncio.sleep(PROBE_MOVE_SECONDS)
            self._bench.lift_probes(step.meter, self._air.now)

    async def _focus_point(self, point: str) -> None:
        assert self.station is not None  # noqa: S101  # steps are done after it started
        self._commands += 1
        command: Command = {"id": self._commands, "command": "focus", "point": point}
        if error := await self.station.execute(command):
            raise ServiceCallError(f"The test point {point} could not be picked: {error}")

    def _drop_connection(self, peripheral: Peripheral, seconds: float) -> None:
        peripheral.set_out_of_range(away=True)

        async def come_into_range() -> None:
            await asyncio.sleep(seconds)
            peripheral.set_out_of_range(away=False)

        task = asyncio.create_task(come_into_range(), name="link-comes-back")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
