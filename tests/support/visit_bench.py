"""The simulated bench of a whole visit: a station with one meter on the air, and probes that go from part to part.

Run as a program it serves dashboards in real time: each line of standard input is a measurement to make (`KEY TEXT`).
"""

import asyncio
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from meterlink.core.clock import Clock, SystemClock
from meterlink.core.equipment import Meter
from meterlink.settings import Settings
from meterlink.station.station import Station, StationConfig
from meterlink_simulators.air import Air
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component, Leg, Star, Supply
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterFunction
from meterlink_simulators.scenario import shipped_scenario
from support.whole_visits import AFTER_REPAIR, FOUND, Measurement

SPEC = shipped_scenario("demo").meters[0]
_OFF_SECONDS = 3.0  # s; the probes are off for two seconds: the next test point


def _part(measurement: Measurement) -> Component:
    """Return a part that shows about the value of a measurement; each has its place on the bench."""
    name, key = f"{measurement.key} {measurement.text}", measurement.key
    number, _, unit = measurement.text.partition(" ")
    value = float(number)
    if "volts" in key:
        return Supply(name, "bench", ("1", "2"), value, 60)
    if "run-capacitor" in key:
        return Star(name, "bench", {"1": Leg(farads=value * 1e-6), "2": Leg()})
    return Star(name, "bench", {"1": Leg(ohms=value * (1e6 if unit == "Mohm" else 1)), "2": Leg()})


def _function(key: str) -> MeterFunction:
    if "volts" in key:
        return MeterFunction.AC_VOLTS
    return MeterFunction.CAPACITANCE if "run-capacitor" in key else MeterFunction.RESISTANCE


class VisitBench:
    """A running station without a visit, and the hands at its bench."""

    def __init__(self, station: Station, bench: Bench, air: Air, meter: SimulatedMeter) -> None:
        self.station = station
        self.views: dict[str, Any] = {}
        self._bench = bench
        self._air = air
        self._meter = meter
        station.add_listener(lambda message: self.views.__setitem__(message["topic"], message))

    async def measure(self, measurement: Measurement) -> None:
        """Turn the dial, put the probes on until a reading is accepted, and take them off for the next test point."""
        before = self._readings(measurement.key)
        self._meter.turn_dial(_function(measurement.key))
        place = TerminalPair(f"{measurement.key} {measurement.text}", "1", "2")
        self._bench.attach_probes(SPEC.name, place, self._air.now, 0.3)
        while self._readings(measurement.key) == before:  # noqa: ASYNC110  # a view has no event
            await asyncio.sleep(0.05)

    async def lift(self) -> None:
        """Take the probes off until the next test point is active."""
        self._bench.lift_probes(SPEC.name, self._air.now)
        await asyncio.sleep(_OFF_SECONDS)

    def _readings(self, key: str) -> int:
        points = self.views["visit"]["points"] if "visit" in self.views else []
        found = next((point for point in points if point["key"] == key and point["accepted"]), None)
        return found["repeats"] + 1 if found else 0


@asynccontextmanager
async def visit_bench(folder: Path, stations: list[Station], clock: Clock) -> AsyncIterator[VisitBench]:
    """Run a station on ``folder``, with the meter connected; the station is added to ``stations``."""
    async with Air() as air:
        bench = Bench([_part(measurement) for measurement in (*FOUND, *AFTER_REPAIR)])
        meter = SimulatedMeter(SPEC, bench)
        await air.add_meter(meter, encoder=PresentedEncoder(), address=SPEC.address)
        config = StationConfig(
            folder, Settings("test"), None, None, "boot", meters=(Meter(SPEC.address, SPEC.name),), clock=clock,
            scanner_backend=air.scanner_backend, client_backend=air.client_backend,
        )  # fmt: skip
        station = Station(config)
        stations.append(station)
        running = asyncio.create_task(station.run())
        await station.started.wait()
        hands = VisitBench(station, bench, air, meter)
        try:
            while not any(row["readings"] for row in hands.views.get("meters", {}).get("meters", [])):  # noqa: ASYNC110
                await asyncio.sleep(0.05)
            yield hands
        finally:
            station.stop()
            await running


async def _serve(folder: Path) -> None:
    async with visit_bench(folder, [], SystemClock()) as bench:
        print("ready", flush=True)  # the answer to the test
        while line := await asyncio.to_thread(sys.stdin.readline):
            key, _, text = line.strip().partition(" ")
            if key == "lift":
                await bench.lift()
            else:
                await bench.measure(Measurement(key, text))
            print("done", flush=True)


if __name__ == "__main__":
    asyncio.run(_serve(Path(sys.argv[1])))
