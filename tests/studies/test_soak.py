"""Soak: a station records two meters for hours of virtual time, over a radio link that drops now and then."""

import asyncio
import gc
import random
import sqlite3
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.equipment import Meter, Plan, Site
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station.station import Station, StationConfig
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.presented import DescribedFunction, PresentedEncoder
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

RATE = 2.0  # refreshes a second; a day of two meters is then a third of a million readings
DROP_INTERVAL = 600.0  # s between two losses of a link, on average
WARM_UP = 120.0  # s until both meters are connected and every cache is filled once
# Objects that caches may still take after the warm-up. The smallest soak has 2,880 readings: one object kept of each is
# more than that.
MOST_NEW_OBJECTS = 2_000


class Counting:
    """A meter whose display counts its refreshes in volts: a gap in the counts is a lost reading."""

    rate = RATE

    def __init__(self, name: str) -> None:
        self.name = name
        self.count = 0

    def show(self, _now: float) -> DisplayState:
        self.count += 1
        return DisplayState(Quantity.VOLTAGE, Decimal(self.count).scaleb(-3), "V", coupling=Coupling.DC)


@pytest.mark.study(everyday=0, sample=0.5, full=24.0)  # virtual hours
def test_hours_of_readings_with_drops_lose_nothing_and_grow_nothing(tmp_path: Path, study_size: float) -> None:
    stations: list[Station] = []
    shown: list[int] = []
    drops: list[int] = []
    objects: list[int] = []

    async def body() -> None:
        rng = random.Random(20260504)
        async with Air() as air:
            described = [DescribedFunction(Quantity.VOLTAGE, Coupling.DC)]
            meters = [Counting("Alder"), Counting("Birch")]
            on_air: list[Any] = [await air.add_meter(meter, encoder=PresentedEncoder(described)) for meter in meters]
            station = Station(
                StationConfig(
                    tmp_path,
                    settings=Settings("soak"),
                    site=Site("Mill Lane bakery", "condenser"),
                    plan=Plan("soak", load_plan(DEFAULT_PLAN).points[:1]),
                    meters=tuple(Meter(one.address, meter.name) for one, meter in zip(on_air, meters, strict=True)),
                    boot_id="boot",
                    serve=False,
                    clock=VirtualClock(),
                    scanner_backend=air.scanner_backend,
                    client_backend=air.client_backend,
                )
            )
            stations.append(station)
            task = asyncio.create_task(station.run())
            await station.started.wait()
            await asyncio.sleep(WARM_UP)
            tasks = len(asyncio.all_tasks())
            gc.collect()
            objects.append(len(gc.get_objects()))
            end = asyncio.get_running_loop().time() + study_size * 3600
            while asyncio.get_running_loop().time() < end:
                await asyncio.sleep(rng.uniform(0.5, 1.5) * DROP_INTERVAL / 4)
                meter = rng.choice(on_air)
                meter.set_out_of_range(True)
                await asyncio.sleep(rng.uniform(1, 60))
                meter.set_out_of_range(False)
                drops.append(1)
            await asyncio.sleep(WARM_UP)
            gc.collect()
            objects.append(len(gc.get_objects()))
            # A commit may be under way at one of the two moments; a leak would leave a task for each of the drops.
            assert abs(len(asyncio.all_tasks()) - tasks) <= 1
            shown.extend(meter.count for meter in meters)
            station.stop()
            await task

    run_in_virtual_time(body(), busy=lambda: any(station.busy for station in stations))
    assert len(drops) >= study_size * 3600 / (3 * DROP_INTERVAL)
    assert objects[1] - objects[0] < MOST_NEW_OBJECTS
    with closing(sqlite3.connect(tmp_path / DATABASE_FILE)) as connection:
        rows = connection.execute("SELECT meter_id, digits FROM readings WHERE unit = 'V' ORDER BY id").fetchall()
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    for number, meter_id in enumerate(sorted({meter_id for meter_id, _ in rows})):
        counts = [int(Decimal(digits).scaleb(3)) for owner, digits in rows if owner == meter_id]
        assert counts == sorted(set(counts))  # in order, none twice
        # Lost are the readings of the drops only: a link is out of reach for half a minute on average, of the two and
        # a half between drops of either meter, and takes some seconds to come back.
        assert len(counts) > 0.6 * shown[number]
