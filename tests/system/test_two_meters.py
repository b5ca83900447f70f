"""A clamp and a multimeter at once: one derived point from both, different points by pins, and a reading at none."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.equipment import (
    CircuitState,
    DerivedPoint,
    DerivedPointKind,
    Plan,
    PointKind,
    Rating,
    Span,
    TestPoint,
)
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity
from meterlink.judge.uncertainty import AccuracyLine
from meterlink.link.messages import CommandName
from meterlink_simulators.components import Leg, Star, Supply
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range
from support.bench_stations import BenchStation, work_at_bench

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

SECOND_LINK = replace(PROBES, name="Probes again", address="C6:1A:00:00:00:73")


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


def work(folder: Path, plan: Plan, body: Callable[[BenchStation], Awaitable[None]], *meters: MeterSpec) -> None:
    components = (
        Supply("line", "supply", ("L1", "L2"), 240.0, 60.0),
        Supply("winding", "compressor", ("C", "HERM"), 370.0, 60.0),
        Star("capacitor", "compressor", {"HERM": Leg(farads=44e-6), "C": Leg()}, fed_by="winding"),
    )
    work_at_bench(folder, plan, components, meters, body)


async def until(done: BenchStation, *keys: str) -> None:
    """Return when these points have their readings, and no others."""
    await done.until(lambda: set(done.accepted) == set(keys))


def test_a_clamp_and_a_multimeter_serve_one_derived_point_at_the_same_time(tmp_path: Path) -> None:
    """6.14 A through and 370 V across a capacitor at 60 Hz are 44 µF: C = I / (2πfU) (any textbook on AC circuits)."""

    async def body(done: BenchStation) -> None:
        assert done.advice == (
            "Put the clamp around the lead between C and HERM. "
            "At the same time, with Probes: put them on C and HERM, for the part volts."
        )
        done.on(CLAMP, HERM)
        done.on(PROBES, HERM)
        await until(done, "amps", "volts")
        assert done.accepted["amps"]["meter"] == "Clamp"
        assert done.accepted["volts"]["meter"] == "Probes"
        (derived,) = done.views["visit"]["derived"]
        assert derived["verdict"] == "within"
        assert abs(float(derived["value"].split()[0]) - 44) < 1.5
        done.off(CLAMP)
        done.off(PROBES)
        await asyncio.sleep(4)
        assert done.focus == "line"

    work(tmp_path, PLAN, body, CLAMP, PROBES)


def test_the_order_of_the_contacts_does_not_matter(tmp_path: Path) -> None:
    async def body(done: BenchStation) -> None:
        done.on(PROBES, HERM)
        await until(done, "volts")
        assert done.focus == "amps"
        done.off(PROBES)
        await asyncio.sleep(4)
        assert done.focus == "amps"  # it waits for the clamp
        done.on(CLAMP, HERM)
        await until(done, "amps", "volts")

    work(tmp_path, PLAN, body, CLAMP, PROBES)


@pytest.mark.fault("one-meter-on-two-links")
@pytest.mark.parametrize("late", [0.0, 0.3, 1.5, 4.0])
def test_one_meter_on_two_links_is_accepted_at_no_other_point(tmp_path: Path, late: float) -> None:
    """Every packet comes twice, by the second link ``late`` s later, when the technician may be at the next point.

    240 V of the line are not those of the capacitor, which is measured next.
    """

    async def body(done: BenchStation) -> None:
        await done.send(CommandName.ACTIVATE, point="line")

        async def move(*steps: tuple[float, TerminalPair | None], meter: MeterSpec, delay: float) -> None:
            await asyncio.sleep(delay)
            for seconds, pair in steps:
                if pair is None:
                    done.off(meter)
                else:
                    done.on(meter, pair)
                await asyncio.sleep(seconds)

        steps = (5.0, LINE), (3.0, None), (6.0, HERM), (3.0, None)
        await asyncio.gather(move(*steps, meter=PROBES, delay=0), move(*steps, meter=SECOND_LINK, delay=late))
        texts = {key: found["text"] for key, found in done.accepted.items()}
        assert set(texts) == {"line", "volts"}
        assert 235 < float(texts["line"].split()[0]) < 245
        assert 365 < float(texts["volts"].split()[0]) < 375

    plan = replace(PLAN, points=(SUPPLY, VOLTS, AMPS, RATED))
    work(tmp_path, plan, body, PROBES, SECOND_LINK)


def test_probes_that_are_still_on_another_part_are_not_taken_for_the_derived_point(tmp_path: Path) -> None:
    """The multimeter watches the line while the clamp goes to the capacitor: 240 V are not those of the capacitor."""

    async def body(done: BenchStation) -> None:
        await done.send(CommandName.ACTIVATE, point="line")
        done.on(PROBES, LINE)
        await until(done, "line")
        await done.send(CommandName.ACTIVATE, point="amps")
        done.on(CLAMP, HERM)
        await until(done, "line", "amps")
        await asyncio.sleep(5)
        assert set(done.accepted) == {"line", "amps"}
        assert done.advice.endswith("with Probes: take them off, then put them on C and HERM, for the part volts.")
        done.off(PROBES)
        await asyncio.sleep(1)
        done.on(PROBES, HERM)
        await until(done, "line", "amps", "volts")

    work(tmp_path, PLAN, body, CLAMP, PROBES)


def test_one_meter_alone_reads_the_active_point_only(tmp_path: Path) -> None:
    async def body(done: BenchStation) -> None:
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

    async def body(done: BenchStation) -> None:
        done.on(PROBES, HERM)
        await asyncio.sleep(6)
        assert done.accepted == {}
        assert done.advice.endswith(
            "Probes reads 368.1 V for no test point: it fits the untested part volts, C and HERM (and 1 other)."
        )

    work(tmp_path, plan, body, CLAMP, PROBES)


def test_each_meter_pinned_to_a_point_of_its_own_measures_it_at_any_time(tmp_path: Path) -> None:
    async def body(done: BenchStation) -> None:
        await done.send(CommandName.PIN, meter=PROBES.address, point="line")
        await done.send(CommandName.PIN, meter=CLAMP.address, point="amps")
        await done.send(CommandName.ACTIVATE, point="volts")
        done.on(PROBES, LINE)
        done.on(CLAMP, HERM)
        await until(done, "line", "amps")
        assert {key: accepted["meter"] for key, accepted in done.accepted.items()} == {
            "line": "Probes",
            "amps": "Clamp",
        }

    work(tmp_path, PLAN, body, CLAMP, PROBES)
