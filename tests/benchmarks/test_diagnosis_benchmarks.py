"""The cost of an accepted reading for the diagnosis of its visit, early and late in a long visit."""

from decimal import Decimal
from random import Random
from time import perf_counter

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Site
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.plans import load_plan
from meterlink.station.diagnosis import VisitDiagnosis
from meterlink.station.visit import AcceptedReading, ActiveVisit

EARLY, LATE = 400, 2_800  # accepted readings
ROUND = 40
# Seven times the readings cost 4.6 times as much while each reading diagnosed the whole visit anew (105 ms at the end),
# and twice as much since only new readings are looked at: the rest is the listing of readings in sentences.
LARGEST_RATIO = 3.0

TYPICAL = {
    Quantity.VOLTAGE: ("V", 240),
    Quantity.RESISTANCE: ("Ω", 12),
    Quantity.CAPACITANCE: ("µF", 44),
    Quantity.CURRENT: ("A", 9),
    Quantity.TEMPERATURE: ("°C", 20),
}


def test_milliseconds_per_accepted_reading(capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest) -> None:
    visit = ActiveVisit(
        Site("Mill Lane bakery", "Condenser 1"), load_plan("split-condenser").with_usual_answers({}), 0, "6 %"
    )
    visit.set_rating("run-capacitor-herm", "45+5 uF 440 V")
    visit.set_rating("contactor-coil", "10 to 18 ohm")
    points, rng, count = list(visit.points.values()), Random(1), 0
    diagnosis = VisitDiagnosis(visit)

    def accept(number: int, *, update: bool) -> None:
        nonlocal count
        for _ in range(number):
            point = points[count % len(points)]
            unit, value = TYPICAL[point.quantity]
            digits = Decimal(f"{value * (0.97 + 0.06 * rng.random()):.2f}")
            stamp = Timestamp(count * 10**9, count * 10**9)
            reading = Reading(point.quantity, digits, unit, stamp, coupling=point.coupling)
            judgement = judge(point.kind, visit.limits[point.key], MeasuredValue.from_reading(reading))
            visit.add_accepted(point.key, AcceptedReading(reading, judgement, "bench meter", 1.0))
            count += 1
            if update:
                diagnosis.update()

    milliseconds = {}
    for goal in (EARLY, LATE):
        accept(goal - ROUND - count, update=False)
        diagnosis.update()
        begin = perf_counter()
        accept(ROUND, update=True)
        milliseconds[goal] = (perf_counter() - begin) / ROUND * 1e3
    ratio = milliseconds[LATE] / milliseconds[EARLY]
    with capsys.disabled():
        print(  # noqa: T201 - the figure is the result of this benchmark
            f"\ndiagnosis of an accepted reading: {milliseconds[EARLY]:.1f} ms after {EARLY}, "
            f"{milliseconds[LATE]:.1f} ms after {LATE}: {ratio:.1f} times"
        )
    if request.config.getoption("benchmark_enable"):
        assert ratio < LARGEST_RATIO
