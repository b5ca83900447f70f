"""The cost of settling per reading, with the longest history of the detector."""

import math
from decimal import Decimal
from random import Random
from time import perf_counter

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.settling.detector import SettlingDetector
from meterlink.settling.series import HISTORY_LENGTH

RATE = 10.0
READINGS = 4 * HISTORY_LENGTH  # four minutes, longer than the history


def display(counts: list[int]) -> list[Reading]:
    return [
        Reading(
            Quantity.CAPACITANCE,
            Decimal(count) / 100,
            "µF",
            Timestamp(0, round(n * 1e9 / RATE)),
            resolution=Decimal("0.01"),
        )
        for n, count in enumerate(counts)
    ]


def creep() -> list[int]:
    """Return counts that creep too slowly to settle in that time."""
    return [round(40_000 * (1 - math.exp(-n / RATE / 30))) + 10 for n in range(READINGS)]


def unrest() -> list[int]:
    """Return counts too noisy to settle, so that every reading is compared with all earlier readings."""
    rng = Random(3)
    return [4000 + round(rng.gauss(0, 40)) for _ in range(READINGS)]


def constant() -> list[int]:
    return [4500] * READINGS


@pytest.mark.parametrize("shape", [constant, creep, unrest])
def test_microseconds_per_reading(shape, capsys: pytest.CaptureFixture[str]) -> None:
    readings = display(shape())
    detector = SettlingDetector()
    begin = perf_counter()
    steps = [detector.feed(reading) for reading in readings]
    seconds = (perf_counter() - begin) / len(readings)
    assert any(step.settled_reading for step in steps) == (shape is constant)
    with capsys.disabled():
        print(  # noqa: T201 - the figure is the result of this benchmark
            f"\n{shape.__name__}: {seconds * 1e6:.1f} µs a reading; 8 meters at 10 Hz: {80 * seconds:.3%} of one core"
        )


def test_feed_benchmark(benchmark) -> None:
    readings = display(creep()[:400])

    def follow() -> None:
        detector = SettlingDetector()
        for reading in readings:
            detector.feed(reading)

    benchmark(follow)
