"""A real station in virtual time, with simulated meters on a bench whose probes the test moves."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from meterlink.core.equipment import Meter, Plan, Site
from meterlink.link.messages import CommandName, CommandResult
from meterlink.settings import Settings
from meterlink.station.station import Station, StationConfig
from meterlink_simulators.air import Air
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.peripheral import Peripheral
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterSpec
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

_OUTER_LIMIT = 300  # virtual s; a limit, not a wait
BOUNCE = 0.4  # s


class BenchStation:
    """A running station, the hands at its bench, and the newest view of each topic."""

    def __init__(self, station: Station, bench: Bench, air: Air, meters: dict[str, SimulatedMeter]) -> None:
        self.station = station
        self.bench = bench
        self.air = air
        self.meters = meters
        self.peripherals: dict[str, Peripheral] = {}  # the radios of the meters, by name; `work_at_bench` fills it
        self.views: dict[str, Any] = {}
        station.add_listener(lambda message: self.views.__setitem__(message["topic"], message))

    def on(self, meter: MeterSpec, terminals: TerminalPair, bounce: float = BOUNCE) -> None:
        """Put the probes of a meter on two terminals."""
        self.bench.attach_probes(meter.name, terminals, self.air.now, bounce)

    def off(self, meter: MeterSpec) -> None:
        """Take the probes of a meter off."""
        self.bench.lift_probes(meter.name, self.air.now)

    async def result(self, command: CommandName, **fields: Any) -> CommandResult:
        """Send a command and return its result."""
        return await self.station.result_of({"id": 1, "command": command, **fields})  # type: ignore[typeddict-item]

    async def send(self, command: CommandName, **fields: Any) -> None:
        """Send a command that must be carried out."""
        assert (await self.result(command, **fields)).error == ""

    async def until(self, condition: Callable[[], bool]) -> float:
        """Return when ``condition`` holds, in 60 simulated seconds at most, with the time that it took, in s."""
        loop = asyncio.get_running_loop()
        begin = loop.time()
        async with asyncio.timeout(60):
            while not condition():  # noqa: ASYNC110  # the condition has no event
                await asyncio.sleep(0.05)
        return loop.time() - begin

    @property
    def accepted(self) -> dict[str, Any]:
        """The accepted readings that count now, by test point."""
        points = self.views["visit"]["points"]
        return {point["key"]: point["accepted"] for point in points if point["accepted"]}

    @property
    def focus(self) -> str | None:
        """The key of the active test point."""
        focus: str | None = self.views["visit"]["focus"]
        return focus

    @property
    def advice(self) -> str:
        """The sentence for the next step."""
        return str(self.views["visit"]["advice"])

    @property
    def offers(self) -> list[str]:
        """The actions whose keys the screen names."""
        return list(self.views["visit"]["offers"])


def work_at_bench(
    folder: Path,
    plan: Plan,
    components: Iterable[Component],
    specs: Sequence[MeterSpec],
    body: Callable[[BenchStation], Awaitable[None]],
) -> None:
    """Run ``body`` at a station in a visit with ``plan``, with the meters on the air; all of them are connected."""
    stations: list[Station] = []

    async def run() -> None:
        async with Air() as air:
            bench = Bench(components)
            simulated = {spec.name: SimulatedMeter(spec, bench) for spec in specs}
            peripherals = {
                spec.name: await air.add_meter(simulated[spec.name], encoder=PresentedEncoder(), address=spec.address)
                for spec in specs
            }
            config = StationConfig(
                folder, Settings("test"), Site("bakery", "roof"), plan, "boot",
                meters=tuple(Meter(spec.address, spec.name) for spec in specs), serve=False, clock=VirtualClock(),
                scanner_backend=air.scanner_backend, client_backend=air.client_backend,
            )  # fmt: skip
            station = Station(config)
            stations.append(station)
            bench_station = BenchStation(station, bench, air, simulated)
            bench_station.peripherals = peripherals
            task = asyncio.create_task(station.run())
            await station.started.wait()
            try:
                async with asyncio.timeout(_OUTER_LIMIT):
                    meter_names = {spec.name for spec in specs}
                    await bench_station.until(lambda: _connected(bench_station.views) >= meter_names)
                    await body(bench_station)
            finally:
                station.stop()
                await task

    run_in_virtual_time(run(), busy=lambda: any(station.busy for station in stations))


def _connected(views: dict[str, Any]) -> set[str]:
    rows = views["meters"]["meters"] if "meters" in views else []
    return {row["name"] for row in rows if row["readings"]}
