"""Faults in the middle of a measurement: each names the remedy, nothing accepted is lost, and the visit goes on."""

import asyncio
import subprocess
from collections.abc import Awaitable, Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.equipment import CircuitState, Plan, PointKind, Span, TestPoint
from meterlink.core.units import Quantity
from meterlink.link.client import LinkClient
from meterlink.link.daemon import ensure_daemon
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE
from meterlink.store.reader import Reader
from meterlink_simulators.components import Leg, Star
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterFunction, MeterSpec
from meterlink_simulators.scenario import shipped_scenario
from support.bench_stations import BenchStation, work_at_bench
from support.fault_marks import FaultTimes

SPEC = shipped_scenario("demo").meters[0]
SECTIONS = {"HERM": ("42.3", "47.7", 44e-6), "FAN": ("7", "8", 7.4e-6)}
WHAT_THEN = "It connects by itself; then measure again, or type the reading in."


def at_capacitor(folder: Path, meter: MeterSpec, body: Callable[[BenchStation], Awaitable[None]]) -> None:
    """Run ``body`` in a visit to a dual capacitor, with one meter whose probes are on its first section."""
    points = tuple(
        TestPoint(
            key, "compressor", f"capacitor {key}", ("C", key), Quantity.CAPACITANCE, CircuitState.ISOLATED,
            PointKind.CAPACITOR, Span(Decimal(low), Decimal(high), "µF"),
        )
        for key, (low, high, _) in SECTIONS.items()
    )  # fmt: skip
    stars = [Star(key, "part", {"1": Leg(farads=farads), "2": Leg()}) for key, (_, _, farads) in SECTIONS.items()]

    async def touch_first(bench_station: BenchStation) -> None:
        bench_station.meters[meter.name].turn_dial(MeterFunction.CAPACITANCE)
        bench_station.on(meter, TerminalPair("HERM", "1", "2"))
        await body(bench_station)

    work_at_bench(folder, Plan("test", points), stars, [meter], touch_first)


@pytest.mark.fault("link-lost")
def test_a_link_lost_in_a_measurement_says_what_to_do_and_comes_back_by_itself(
    tmp_path: Path, fault_times: FaultTimes
) -> None:
    async def body(bench_station: BenchStation) -> None:
        await asyncio.sleep(0.9)  # settling
        assert bench_station.advice == "Keep the probes still."
        radio = bench_station.peripherals[SPEC.name]
        radio.set_out_of_range(away=True)
        said = f"{SPEC.name} is not heard any more."
        fault_times.noticed(await bench_station.until(lambda: said in bench_station.advice))
        assert bench_station.advice == (
            f"{SPEC.name} is not heard any more. If its display is dark, change its battery; if not, bring it closer."
            f" {WHAT_THEN}"
        )
        await asyncio.sleep(30)
        assert bench_station.accepted == {}
        radio.set_out_of_range(away=False)
        fault_times.recovered(await bench_station.until(lambda: "HERM" in bench_station.accepted))
        assert SPEC.name not in bench_station.advice.partition("Next")[0]

    at_capacitor(tmp_path, SPEC, body)


@pytest.mark.fault("link-lost")
def test_a_meter_whose_battery_goes_flat_says_to_change_it(tmp_path: Path) -> None:
    async def body(bench_station: BenchStation) -> None:
        await asyncio.sleep(0.9)
        bench_station.peripherals[SPEC.name].set_out_of_range(away=True)
        await bench_station.until(lambda: "not heard any more" in bench_station.advice)
        assert bench_station.advice == (
            f"{SPEC.name} is not heard any more. {SPEC.name}'s battery was low: change it. {WHAT_THEN}"
        )
        reading = await bench_station.result(CommandName.ENTER, point="HERM", text="44.1 uF")
        assert reading.error == ""
        await bench_station.until(lambda: "HERM" in bench_station.accepted)

    at_capacitor(tmp_path, replace(SPEC, battery=9.0, drain=0.0), body)


@pytest.mark.fault("silent-meter")
def test_a_meter_that_sends_nothing_says_what_to_do(tmp_path: Path, fault_times: FaultTimes) -> None:
    async def body(bench_station: BenchStation) -> None:
        await asyncio.sleep(0.9)
        bench_station.peripherals[SPEC.name].set_muted(True)
        said = f"{SPEC.name} sends nothing."
        fault_times.noticed(await bench_station.until(lambda: said in bench_station.advice))
        assert WHAT_THEN in bench_station.advice

    at_capacitor(tmp_path, SPEC, body)


@pytest.mark.fault("link-lost")
def test_an_accepted_reading_stays_when_its_meter_is_lost(tmp_path: Path) -> None:
    async def body(bench_station: BenchStation) -> None:
        await bench_station.until(lambda: "HERM" in bench_station.accepted)
        bench_station.peripherals[SPEC.name].set_out_of_range(away=True)
        await bench_station.until(lambda: "not heard any more" in bench_station.advice)
        assert bench_station.advice.startswith("The capacitor HERM is within its limits. Next:")
        assert list(bench_station.accepted) == ["HERM"]

    at_capacitor(tmp_path, SPEC, body)


def test_probes_that_rest_on_the_old_part_give_the_new_one_no_reading(tmp_path: Path) -> None:
    """The part is recorded as replaced with the probes still on the old one: its value proves nothing."""

    async def body(bench_station: BenchStation) -> None:
        await bench_station.until(lambda: "HERM" in bench_station.accepted)
        await bench_station.send(CommandName.REPLACE, point="HERM", text="45 MFD 440V", answer="fitted")
        await asyncio.sleep(20)
        assert bench_station.accepted == {}
        assert "may be of the old part: the probes were on when it was replaced." in bench_station.advice
        assert bench_station.offers == ["accept"]
        bench_station.off(SPEC)
        await asyncio.sleep(3)
        bench_station.on(SPEC, TerminalPair("HERM", "1", "2"))
        await bench_station.until(lambda: "HERM" in bench_station.accepted)

    at_capacitor(tmp_path, SPEC, body)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MB."""
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("no right to mount a small file system")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def fill(disk: Path) -> None:
    with (disk / "ballast").open("wb", buffering=0) as ballast, suppress(OSError):
        while True:
            ballast.write(bytes(4096))


@pytest.mark.fault("disk-full")
async def test_a_disk_that_fills_up_in_a_visit_is_said_and_nothing_accepted_is_lost(small_disk: Path) -> None:
    async with ensure_daemon(small_disk) as daemon:
        client = await daemon.connect()
        views: dict[str, Any] = {}
        watching = asyncio.create_task(_keep_newest(client, views))
        begin = {"site": "Mill Lane bakery", "unit": "Condenser 1", "plan": "split-condenser"}
        assert await client.send(CommandName.BEGIN_VISIT, **begin) == ""

        async def type_in(microfarads: Decimal) -> None:
            fields = {"point": "run-capacitor-herm", "text": f"{microfarads} uF"}
            assert await client.send(CommandName.ENTER, **fields) == ""

        await type_in(Decimal("43.70"))
        await _until(lambda: _readings(views) == 1)
        fill(small_disk)
        typed = [Decimal("43.70")]
        while not views.get("notice", {}).get("text"):  # some writes still find room in the files
            typed.append(typed[-1] + Decimal("0.01"))
            await type_in(typed[-1])
        assert views["notice"]["text"].startswith("Readings are not being saved.")
        assert views["notice"]["level"] == "alarm"
        assert "is full. Free some space on it." in views["notice"]["text"]
        (small_disk / "ballast").unlink()
        await _until(lambda: views["notice"]["text"] == "")
        await _until(lambda: _readings(views) == len(typed))
        watching.cancel()
        await client.close()
    kept = [row.reading.digits for row in Reader(small_disk / DATABASE_FILE).history()]
    assert sorted(digits for digits in kept if digits) == typed


async def _keep_newest(client: LinkClient, views: dict[str, Any]) -> None:
    async for message in client:
        views[message["topic"]] = message


def _readings(views: dict[str, Any]) -> int:
    """Return the number of accepted readings on the screen, at the capacitor."""
    points = views["visit"]["points"] if "visit" in views else []
    shown = (point for point in points if point["key"] == "run-capacitor-herm" and point["accepted"])
    return sum(1 + point["repeats"] for point in shown)


async def _until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(60):  # s; a limit, not a wait
        while not condition():  # noqa: ASYNC110  # another process has no event
            await asyncio.sleep(0.02)
