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
from meterlink.station.station import Orders, Station
from meterlink.station.visit import Held
from meterlink_simulators.bench import Bench
from meterlink_simulators.display import Shown
from meterlink_simulators.encoders.catalogue import encoder_named
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.peripheral import Peripheral
from meterlink_simulators.radio import Air
from meterlink_simulators.scenario import Scenario
from meterlink_simulators.scenario_steps import Discharge, DropLink, Lift, Measure, SetFault, Step, Switch, Wait

# How long the technician waits for the screen before doing something about it: to show the next test point (then they
# pick it themselves), and to hold a reading (then something is wrong). Simulated seconds.
PATIENCE_FOR_POINT = 6.0
PATIENCE_FOR_HOLD = 90.0
# A hand on its way from one pair of terminals to the next.
REACH = 0.6  # s

# A display that has not changed for so long can be read off. Simulated seconds.
STANDS = 0.8

OnHeld = Callable[[TestPoint, Held], None]
OnDisplay = Callable[[str, Shown], None]


class Overseen:
    """A meter whose display somebody looks at: they are told what it shows once it has stood still."""

    def __init__(self, meter: SimulatedMeter, tell: OnDisplay) -> None:
        self.name, self.rate = meter.name, meter.rate
        self._meter = meter
        self._tell = tell
        self._shown: Shown | None = None
        self._since = 0.0
        self._told: Shown | None = None

    def show(self, now: float) -> Shown:
        """Measure and return what the display shows."""
        shown = self._meter.show(now)
        if shown != self._shown:
            self._shown, self._since = shown, now
        elif now - self._since >= STANDS and shown != self._told and not shown.blank:
            self._told = shown
            self._tell(self.name, shown)
        return shown


class StuckError(MeterlinkError):
    """The played call did not get where it should."""


class ServiceCall:
    """Plays ``scenario`` with a station of its own; ``orders`` says where its data goes and whether it can be watched.

    ``orders``' backends and meters are replaced by the simulated ones. ``on_display`` is told what every display shows
    whenever that has stood still for a while.
    """

    def __init__(
        self,
        scenario: Scenario,
        orders: Orders,
        on_held: OnHeld | None = None,
        on_display: OnDisplay | None = None,
    ) -> None:
        self._scenario = scenario
        self._orders = orders
        self._on_held = on_held
        self._on_display = on_display
        self._bench: Bench = scenario.build_bench()
        self._meters: dict[str, SimulatedMeter] = {}
        self._peripherals: dict[str, Peripheral] = {}
        self._air = Air()
        self._focus: str | None = None
        self._held: dict[str, int] = {}
        self._moved = asyncio.Condition()
        self._commands = 0
        self._watchers: list[Callable[[Message], None]] = []
        self._playing: asyncio.Task[None] | None = None
        self._failure: Exception | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self.station: Station | None = None
        self.started = asyncio.Event()

    @property
    def folder(self) -> Path:
        """The data folder of its station."""
        return self._orders.folder

    @property
    def busy(self) -> bool:
        """Whether its station has work for the database under way: virtual time must wait for it."""
        return self.station is not None and self.station.busy

    def watch(self, listener: Callable[[Message], None]) -> None:
        """Have ``listener`` called with every view; before `run`."""
        self._watchers.append(listener)

    def stop(self) -> None:
        """End the call where it stands: the station is stopped in good order and `run` returns."""
        if self._playing is not None:
            self._playing.cancel()

    async def run(self, *, stay: bool = False) -> None:
        """Play the call and stop the station; with ``stay`` the station runs on until `stop`, or until cancelled.

        StuckError when the technician waits in vain; whatever the station raises.
        """
        async with AsyncExitStack() as stack:
            await stack.enter_async_context(self._air)
            for spec in self._scenario.meters:
                meter = self._meters[spec.name] = self._scenario.build_meter(spec, self._bench)
                seen = meter if self._on_display is None else Overseen(meter, self._on_display)
                self._peripherals[spec.name] = await self._air.add_meter(
                    seen, encoder=encoder_named(spec.encoding, spec.variant), address=spec.address
                )
            self.station = station = Station(
                replace(
                    self._orders,
                    place=self._scenario.place,
                    plan=self._scenario.plan,
                    meters=tuple(Meter(spec.address, spec.name) for spec in self._scenario.meters),
                    scanner_backend=self._air.scanner_backend,
                    client_backend=self._air.client_backend,
                    jitter=Random(self._scenario.seed).uniform,
                )
            )
            for listener in (self._see, *self._watchers):
                station.listen(listener)
            station.on_held(self._hear)
            async with asyncio.TaskGroup() as group:
                group.create_task(station.run(), name="station")  # should it fail, the group cancels what waits here
                await station.started.wait()
                self.started.set()
                self._playing = group.create_task(self._work(stay=stay), name="technician")
                await asyncio.wait({self._playing})
                station.stop()
            for task in self._tasks:
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)
        if self._failure is not None:
            raise self._failure

    # What the technician sees.

    def _see(self, message: Message) -> None:
        if message["topic"] == "notice" and message["level"] == "alarm" and message["text"]:
            # Nobody will free the disk in simulated time, and a technician cannot go on without readings being kept.
            self._fail(StuckError(message["text"]))
        if message["topic"] == "visit" and message["focus"] != self._focus:
            self._focus = message["focus"]
            self._notify()

    def _hear(self, point: TestPoint, held: Held) -> None:
        self._held[point.key] = self._held.get(point.key, 0) + 1
        try:
            if self._on_held is not None:
                self._on_held(point, held)
        except Exception as error:  # noqa: BLE001  # such as a pipe whose reader has left; raised where the call is run
            self._fail(error)
        self._notify()

    def _fail(self, error: Exception) -> None:
        """End the call where it stands; `run` raises ``error``."""
        self._failure = self._failure or error
        self.stop()

    def _notify(self) -> None:
        async def tell() -> None:
            async with self._moved:
                self._moved.notify_all()

        task = asyncio.create_task(tell(), name="technician-looks")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _until(self, true: Callable[[], bool], patience: float) -> bool:
        try:
            async with asyncio.timeout(patience), self._moved:
                await self._moved.wait_for(true)
        except TimeoutError:
            return False
        return True

    # What the technician does.

    async def _work(self, *, stay: bool) -> None:
        for step in self._scenario.steps:
            await self._do(step)
        if stay:
            await asyncio.Event().wait()

    async def _do(self, step: Step) -> None:
        now = self._air.now
        match step:
            case Measure():
                await self._measure(step)
            case Lift(meter):
                self._bench.lift(meter, now)
            case DropLink(meter, seconds):
                self._drop(self._peripherals[meter], seconds)
            case SetFault(fault):
                self._bench.set_fault(fault, now)
            case Wait(seconds):
                await asyncio.sleep(seconds)
            case Switch(supply, on):
                self._bench.switch(supply, now, on=on)
            case Discharge(component, ohms, seconds):
                self._bench.bleed(component, ohms, now)
                await asyncio.sleep(seconds)
                self._bench.bleed(component, float("inf"), self._air.now)

    async def _measure(self, step: Measure) -> None:
        if step.point and not await self._until(lambda: self._focus == step.point, PATIENCE_FOR_POINT):
            await self._pick(step.point)
        before = self._held.get(step.point, 0)
        self._meters[step.meter].turn(step.function)
        if self._bench.probes(step.meter).clip != step.clip:
            self._bench.lift(step.meter, self._air.now)
            await asyncio.sleep(REACH)
            self._bench.clip(step.meter, step.clip, self._air.now, step.bounce)
        elif step.bounce:
            self._bench.bounce(step.meter, self._air.now, step.bounce)
        if step.seconds is not None:
            await asyncio.sleep(step.seconds)
        elif not await self._until(lambda: self._held.get(step.point, 0) > before, PATIENCE_FOR_HOLD):
            raise StuckError(
                f"The reading at {step.point} was not held within {PATIENCE_FOR_HOLD:.0f} s.", "Check the scenario."
            )
        if step.lift:
            await asyncio.sleep(REACH)
            self._bench.lift(step.meter, self._air.now)

    async def _pick(self, point: str) -> None:
        assert self.station is not None  # noqa: S101  # steps are done after it started
        self._commands += 1
        command: Command = {"id": self._commands, "do": "focus", "point": point}
        if error := await self.station.command(command):
            raise StuckError(f"The test point {point} could not be picked: {error}")

    def _drop(self, peripheral: Peripheral, seconds: float) -> None:
        peripheral.out_of_range(away=True)

        async def come_back() -> None:
            await asyncio.sleep(seconds)
            peripheral.out_of_range(away=False)

        task = asyncio.create_task(come_back(), name="link-comes-back")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
