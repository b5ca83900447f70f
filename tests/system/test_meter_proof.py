"""Prove, test, prove: a voltage of a known source is kept as the proof of the meter, and never as that of a part."""

import asyncio
import json
from collections.abc import Awaitable, Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from meterlink.core.equipment import CircuitState, Plan, PointKind, Span, TestPoint
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity
from meterlink.judge.uncertainty import AccuracyLine
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE
from meterlink.store.reader import Reader
from meterlink_simulators.components import Leg, Star, Supply
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range
from support.bench_stations import BenchStation, work_at_bench
from support.commands import run_command

_ACCURACY = AccuracyLine(Decimal(1), Decimal(3))
PROBES = MeterSpec(
    "Probes", "C6:1A:00:00:00:72", 72, 10.0, 6000,
    (
        FunctionSpec(MeterFunction.AC_VOLTS, (Range(Amount(Decimal("600.0"), "V"), _ACCURACY),)),
        FunctionSpec(MeterFunction.RESISTANCE, (Range(Amount(Decimal("600.0"), "Ω"), _ACCURACY),)),
    ),
)  # fmt: skip
OUTLET, COIL = TerminalPair("outlet", "L", "N"), TerminalPair("coil", "1", "2")
COIL_OHMS = TestPoint(
    "coil", "control", "coil", ("A1", "A2"), Quantity.RESISTANCE, CircuitState.ISOLATED, PointKind.COIL,
    Span(Decimal(10), Decimal(18), "Ω"),
)  # fmt: skip
LINE_VOLTS = TestPoint(
    "line", "supply", "supply", ("L1", "L2"), Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE,
    Span(Decimal(100), Decimal(252), "V"), coupling=Coupling.AC,
)  # fmt: skip


def work(folder: Path, points: tuple[TestPoint, ...], body: Callable[[BenchStation], Awaitable[None]]) -> None:
    components = (
        Supply("outlet", "outlet", ("L", "N"), 120.0, 60.0),
        Star("coil", "control", {"1": Leg(ohms=14.0), "2": Leg()}),
    )
    work_at_bench(folder, Plan("proof", points), components, [PROBES], body)


async def prove(done: BenchStation) -> str:
    """Keep the proof of probes on the outlet, and take them off; return the uid of a voided reading."""
    await asyncio.sleep(4)
    result = await done.result(CommandName.PROVE)
    assert result.error == ""
    assert str(result.data["note"]).startswith("Meter proven on a known source: Probes read 11")
    await asyncio.sleep(1)
    assert done.advice.startswith("Probes is proven by 11")
    assert done.views["live"]["stop"] is None
    done.off(PROBES)
    await asyncio.sleep(1)
    return str(result.data["voided"])


def test_a_known_source_at_an_isolated_point_is_a_stop_until_it_is_kept_as_a_proof(tmp_path: Path) -> None:
    async def body(done: BenchStation) -> None:
        done.on(PROBES, OUTLET)
        await asyncio.sleep(1)
        assert done.views["live"]["stop"]["level"] == "voltage"
        assert await prove(done) == ""
        assert done.views["live"]["stop"] is None
        done.meters["Probes"].turn_dial(MeterFunction.RESISTANCE)
        done.on(PROBES, COIL)
        await done.until(lambda: "coil" in done.accepted)
        done.off(PROBES)
        done.meters["Probes"].turn_dial(MeterFunction.AC_VOLTS)
        await asyncio.sleep(3)
        done.on(PROBES, COIL)  # no voltage, and no word that says so
        await asyncio.sleep(3)
        assert done.views["live"]["stop"] is None
        done.on(PROBES, OUTLET)
        assert await prove(done) == ""
        closed = await done.result(CommandName.CLOSE_VISIT, outcome="no fault found")
        assert closed.data["meter_not_proven"] == []

    work(tmp_path, (COIL_OHMS, replace(COIL_OHMS, key="coil 2")), body)
    (kept,) = Reader(tmp_path / DATABASE_FILE).visits()
    notes = Reader(tmp_path / DATABASE_FILE).visit_notes(kept.uid)
    assert [note.text[:46] for note in notes] == ["Meter proven on a known source: Probes read 11"] * 2
    shown = run_command("visit", "show", kept.uid, "--data", str(tmp_path)).out
    assert shown.count("Note: Meter proven on a known source: Probes read 11") == 2


def test_a_known_source_that_was_accepted_as_the_supply_is_taken_back(tmp_path: Path) -> None:
    """120 V of an outlet are within the limits of this supply, and are not its voltage."""

    async def body(done: BenchStation) -> None:
        done.on(PROBES, OUTLET)
        await done.until(lambda: "line" in done.accepted)
        voided = await prove(done)
        assert voided
        assert done.accepted == {}
        assert done.focus == "line"
        await asyncio.sleep(3)
        done.on(PROBES, OUTLET)  # now it is the supply
        await done.until(lambda: "line" in done.accepted)

    work(tmp_path, (LINE_VOLTS, COIL_OHMS), body)


def test_nothing_proves_a_meter_that_reads_no_steady_voltage(tmp_path: Path) -> None:
    async def body(done: BenchStation) -> None:
        refused = (await done.result(CommandName.PROVE)).error
        assert refused.startswith("No meter reads a steady voltage.")
        assert "proves no meter" in (await done.result(CommandName.PROVE, text="0.4 V AC")).error
        assert (await done.result(CommandName.PROVE, text="14 ohm")).error

    work(tmp_path, (COIL_OHMS,), body)


@pytest.mark.parametrize(
    ("steps", "missing"),
    [
        (["enter"], ["before", "after"]),
        (["prove", "enter"], ["after"]),
        (["enter", "prove"], ["before"]),
        (["prove", "enter", "prove"], []),
        ([], []),  # nothing was read at an isolated point
    ],
)
def test_closing_says_which_proof_is_missing(tmp_path: Path, steps: list[str], missing: list[str]) -> None:
    data = ["--data", str(tmp_path)]
    assert run_command("visit", "begin", "--site", "S", "--unit", "U", "--plan", "split-condenser", *data).status == 0
    for step in steps:
        if step == "prove":
            assert "241 V AC, typed in." in run_command("visit", "prove", "241 V AC", *data).out
        else:
            assert run_command("enter", "14.2 ohm", "--point", "contactor-coil", *data).status == 0
    closed = json.loads(run_command("visit", "close", "--outcome", "repaired", "--json", *data).out)
    assert closed["meter_not_proven"] == missing
