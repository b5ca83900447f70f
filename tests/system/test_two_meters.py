"""A clamp and a multimeter at once: one derived point from both, different points by pins, and a reading at none."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from meterlink.core.equipment import (
    CircuitState,
    DerivedPoint,
    DerivedPointKind,
    Meter,
    Plan,
    PointKind,
    Rating,
    Site,
    Span,
    TestPoint,
)
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity
from meterlink.judge.uncertainty import AccuracyLine
from meterlink.link.messages import CommandName
from meterlink.settings import Settings
from meterlink.station.station import Station, StationConfig
from meterlink_simulators.air import Air
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Leg, Star, Supply
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

OUTER_LIMIT = 300  # virtual s; a limit, not a wait
HERM = TerminalPair("capacitor", "HERM", "C")
LINE = TerminalPair("line", "L1", "L2")


def make_spec(name: str, seed: int, rate: float, *functions: tuple[MeterFunction, str]) -> MeterSpec:
    accuracy = AccuracyLine(Decimal(1), Decimal(3))
    specs = tuple(
        FunctionSpec(function, (Range(Amount(Decimal(number), unit), accuracy),))
        for function, full_scale in functions
        for number, unit in [full_scale.split()]
    )
    return MeterSpec(name, f"C6:1A:00:00:00:{seed}", seed, rate, 6000, specs)


CLAMP = make_spec("Clamp", 71, 4.0, (MeterFunction.AC_AMPS, "60.00 A"))
PROBES = make_spec("Probes", 72, 10.0, (MeterFunction.AC_VOLTS, "600.0 V"))


def make_point(key: str, quantity: Quantity, terminals: tuple[str, str], **more: Any) -> TestPoint:
    made = TestPoint(
        key, "compressor", f"part {key}", terminals, quantity, CircuitState.ENERGIZED, PointKind.RANGE,
        coupling=Coupling.AC,
    )  # fmt: skip
    return replace(made, **more)


RATED = TestPoint(
    "rated", "compressor", "capacitor", ("C", "HERM"), Quantity.CAPACITANCE, CircuitState.ISOLATED,
    PointKind.CAPACITOR, Rating(Amount(Decimal(45), "µF")), optional=True,
)  # fmt: skip
AMPS = make_point("amps", Quantity.CURRENT, ("C", "HERM"))
VOLTS = make_point("volts", Quantity.VOLTAGE, ("C", "HERM"))
SUPPLY = make_point("line", Quantity.VOLTAGE, ("L1", "L2"), specification=Span(Decimal(216), Decimal(252), "V"))
UNDER_LOAD = DerivedPoint(
    "at-work", DerivedPointKind.UNDER_LOAD, "capacitor at work",
    (("amps", "amps"), ("volts", "volts"), ("capacitor", "rated")), frequency=Amount(Decimal(60), "Hz"),
)  # fmt: skip
PLAN = Plan("two meters", (AMPS, VOLTS, SUPPLY, RATED), (UNDER_LOAD,))


class Work:
    """Two meters at a station, and the newest view of each topic."""

    def __init__(self, station: Station, bench: Bench, air: Air) -> None:
        self.station = station
        self.bench = bench
        self.air = air
        self.views: dict[str, Any] = {}
        station.add_listener(lambda message: self.views.__setitem__(message["topic"], message))

    def on(self, meter: MeterSpec, terminals: TerminalPair, bounce: float = 0.4) -> None:
        self.bench.attach_probes(meter.name, terminals, self.air.now, bounce)

    def off(self, meter: MeterSpec) -> None:
        self.bench.lift_probes(meter.name, self.air.now)

    async def send(self, command: CommandName, **fields: Any) -> None:
        assert await self.station.execute({"id": 1, "command": command, **fields}) == ""  # type: ignore[typeddict-item]

    async def until(self, *keys: str) -> None:
        """Return when these points have their readings, and no others."""
        async with asyncio.timeout(60):
            while set(self.accepted) != set(keys):  # noqa: ASYNC110  # the condition has no event
                await asyncio.sleep(0.1)

    @property
    def accepted(self) -> dict[str, tuple[str, str]]:
        points = self.views["visit"]["points"]
        return {
            point["key"]: (point["accepted"]["number_text"], point["accepted"]["meter"])
            for point in points
            if point["accepted"]
        }

    @property
    def advice(self) -> str:
        return str(self.views["visit"]["advice"])


def work(folder: Path, plan: Plan, body: Callable[[Work], Awaitable[None]], *meters: MeterSpec) -> None:
    stations: list[Station] = []

    async def run() -> None:
        async with Air() as air:
            bench = Bench(
                (
                    Supply("line", "supply", ("L1", "L2"), 240.0, 60.0),
                    Supply("winding", "compressor", ("C", "HERM"), 370.0, 60.0),
                    Star("capacitor", "compressor", {"HERM": Leg(farads=44e-6), "C": Leg()}, fed_by="winding"),
                )
            )
            for spec in meters:
                await air.add_meter(SimulatedMeter(spec, bench), encoder=PresentedEncoder(), address=spec.address)
            config = StationConfig(
                folder, Settings("test"), Site("bakery", "roof"), plan, "boot",
                meters=tuple(Meter(spec.address, spec.name) for spec in meters), serve=False, clock=VirtualClock(),
                scanner_backend=air.scanner_backend, client_backend=air.client_backend,
            )  # fmt: skip
            station = Station(config)
            stations.append(station)
            done = Work(station, bench, air)
            task = asyncio.create_task(station.run())
            await station.started.wait()
            try:
                async with asyncio.timeout(OUTER_LIMIT):
                    await asyncio.sleep(5)  # the meters are connected
                    await body(done)
            finally:
                station.stop()
                await task

    run_in_virtual_time(run(), busy=lambda: any(station.busy for station in stations))


def test_a_clamp_and_a_multimeter_serve_one_derived_point_at_the_same_time(tmp_path: Path) -> None:
    """6.14 A through and 370 V across a capacitor at 60 Hz are 44 µF: C = I / (2πfU) (any textbook on AC circuits)."""

    async def body(done: Work) -> None:
        assert done.advice == (
            "Put the clamp around the lead between C and HERM. "
            "At the same time, with Probes: put them on C and HERM, for the part volts."
        )
        done.on(CLAMP, HERM)
        done.on(PROBES, HERM)
        await done.until("amps", "volts")
        assert done.accepted["amps"][1] == "Clamp"
        assert done.accepted["volts"][1] == "Probes"
        (derived,) = done.views["visit"]["derived"]
        assert derived["verdict"] == "within"
        assert abs(float(derived["value"].split()[0]) - 44) < 1.5
        done.off(CLAMP)
        done.off(PROBES)
        await asyncio.sleep(4)
        assert done.views["visit"]["focus"] == "line"

    work(tmp_path, PLAN, body, CLAMP, PROBES)


def test_the_order_of_the_contacts_does_not_matter(tmp_path: Path) -> None:
    async def body(done: Work) -> None:
        done.on(PROBES, HERM)
        await done.until("volts")
        assert done.views["visit"]["focus"] == "amps"
        done.off(PROBES)
        await asyncio.sleep(4)
        assert done.views["visit"]["focus"] == "amps"  # it waits for the clamp
        done.on(CLAMP, HERM)
        await done.until("amps", "volts")

    work(tmp_path, PLAN, body, CLAMP, PROBES)


def test_probes_that_are_still_on_another_part_are_not_taken_for_the_derived_point(tmp_path: Path) -> None:
    """The multimeter watches the line while the clamp goes to the capacitor: 240 V are not those of the capacitor."""

    async def body(done: Work) -> None:
        await done.send(CommandName.ACTIVATE, point="line")
        done.on(PROBES, LINE)
        await done.until("line")
        await done.send(CommandName.ACTIVATE, point="amps")
        done.on(CLAMP, HERM)
        await done.until("line", "amps")
        await asyncio.sleep(5)
        assert set(done.accepted) == {"line", "amps"}
        assert done.advice.endswith("with Probes: take them off, then put them on C and HERM, for the part volts.")
        done.off(PROBES)
        await asyncio.sleep(1)
        done.on(PROBES, HERM)
        await done.until("line", "amps", "volts")

    work(tmp_path, PLAN, body, CLAMP, PROBES)


def test_one_meter_alone_reads_the_active_point_only(tmp_path: Path) -> None:
    async def body(done: Work) -> None:
        done.on(PROBES, HERM)
        await asyncio.sleep(6)
        assert done.accepted == {}
        assert done.advice == (
            "Probes reads 368.1 V: not of the part amps; it fits the untested part volts, C and HERM (and 1 other). "
            "Pick that test point, or turn Probes to AC current."
        )

    work(tmp_path, PLAN, body, PROBES)


def test_a_reading_that_fits_two_derived_inputs_is_not_guessed(tmp_path: Path) -> None:
    other = replace(UNDER_LOAD, key="other", inputs=(("amps", "amps"), ("volts", "line"), ("capacitor", "rated")))
    plan = replace(PLAN, derived=(UNDER_LOAD, other))

    async def body(done: Work) -> None:
        done.on(PROBES, HERM)
        await asyncio.sleep(6)
        assert done.accepted == {}
        assert done.advice.endswith(
            "Probes reads 368.1 V for no test point: it fits the untested part volts, C and HERM (and 1 other)."
        )

    work(tmp_path, plan, body, CLAMP, PROBES)


def test_each_meter_pinned_to_a_point_of_its_own_measures_it_at_any_time(tmp_path: Path) -> None:
    async def body(done: Work) -> None:
        await done.send(CommandName.PIN, meter=PROBES.address, point="line")
        await done.send(CommandName.PIN, meter=CLAMP.address, point="amps")
        await done.send(CommandName.ACTIVATE, point="volts")
        done.on(PROBES, LINE)
        done.on(CLAMP, HERM)
        await done.until("line", "amps")
        assert {key: meter for key, (_, meter) in done.accepted.items()} == {"line": "Probes", "amps": "Clamp"}

    work(tmp_path, PLAN, body, CLAMP, PROBES)
