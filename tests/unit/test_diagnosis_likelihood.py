"""Likelihood of two explanations of a capacitance: by hand, by integration, and over many random parts."""

from dataclasses import replace
from decimal import Decimal
from math import sqrt
from random import Random

import pytest

from meterlink.core.equipment import CircuitState, PointKind, Rating, TestPoint
from meterlink.core.units import Amount, Quantity
from meterlink.diagnosis.causes import Confidence
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.likelihood import (
    agree,
    faulty_part_density,
    likelihood_weight,
    odds_text,
    readings_agree,
    series_estimate,
)
from meterlink.diagnosis.observations import Case, Observation, PointReadings, observe
from meterlink.judge.estimates import Estimate
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.limits import rated_limits
from meterlink.station.rules import shipped_rules

RATINGS = {"HERM": Decimal(45), "FAN": Decimal(5)}


def section(name: str) -> TestPoint:
    rating = Rating(Amount(RATINGS[name], "µF"), "6 %")
    return TestPoint(
        name.lower(),
        "x",
        "run capacitor",
        ("C", name),
        Quantity.CAPACITANCE,
        CircuitState.ISOLATED,
        PointKind.CAPACITOR,
        rating,
        name,
    )


def read(name: str, microfarads: float, number: int = 1, meter: str = "one") -> Observation:
    measured = MeasuredValue.from_amount(Quantity.CAPACITANCE, Amount(Decimal(f"{microfarads:.2f}"), "µF"))
    return replace(observe(section(name), measured, number), meter=meter)


def test_series_value_of_45_and_5_microfarad():
    # C1·C2/(C1 + C2) = 4.5; slopes (C2/ΣC)² = 0.01 and (C1/ΣC)² = 0.81 (first derivatives).
    series = series_estimate(Estimate(45.0, 1.0), Estimate(5.0, 0.1))
    assert series.value == pytest.approx(4.5)
    assert series.standard_uncertainty == pytest.approx(sqrt(0.01**2 + 0.081**2))


def test_agreement_is_two_standard_uncertainties():
    assert agree(Estimate(10.0, 0.3), Estimate(11.0, 0.4))
    assert not agree(Estimate(10.0, 0.3), Estimate(11.01, 0.4))


@pytest.mark.parametrize(("low", "high"), [(0.94, 1.06), (0.9, 1.3), (0.5, 1.05)])
def test_spread_of_bad_sections_is_a_density_on_each_side(low, high):
    step = 1e-4
    below = sum(faulty_part_density((n + 0.5) * step, low, high) * step for n in range(round(low / step)))
    above = sum(faulty_part_density(high + (n + 0.5) * step, low, high) * step for n in range(round(20 / step)))
    assert below == pytest.approx(1, abs=1e-3)
    assert above == pytest.approx(1, abs=1e-3)


def test_fit_of_a_reading():
    limits = rated_limits(Rating(Amount(Decimal(45), "µF"), "6 %"))
    series = Estimate(4.5e-6, 0.15e-6)
    # Density of the expected value: 1/(u√2π) with u = √(0.15² + 0.1²)/45. Of a bad section: 0.5/0.94 and almost nothing
    # of the exponential part. Their ratio is 187; its weight 2·lg 187 = 4.5 is cut to 4.
    assert likelihood_weight(Estimate(4.5e-6, 0.1e-6), series, limits) == 4
    # Two standard uncertainties away, the density is lower by e^-2: ratio 25.
    assert likelihood_weight(Estimate(4.14e-6, 0.1e-6), series, limits) == 2
    assert likelihood_weight(Estimate(5.2e-6, 0.1e-6), series, limits) is None
    assert likelihood_weight(Estimate(44e-6, 0.1e-6), Estimate(44e-6, 1e-6), limits) is None  # within its limits


def test_odds_as_text():
    assert [odds_text(weight) for weight in (1, 2, 4)] == ["about 3 to 1", "about 10 to 1", "about 100 to 1"]


def test_one_meter_must_agree_better_than_two():
    assert readings_agree(read("HERM", 45.0), read("HERM", 44.5))
    assert not readings_agree(read("HERM", 45.0), read("HERM", 43.9))
    assert readings_agree(read("HERM", 45.0), read("HERM", 43.9, meter="two"))


def test_an_overload_agrees_only_with_an_overload():
    overload = replace(read("HERM", 45.0), measured=MeasuredValue(Quantity.CAPACITANCE, None, "µF", Decimal(0)))
    assert readings_agree(overload, overload)
    assert readings_agree(overload, read("HERM", 45.0)) is None


# Many random parts: sections anywhere within ±6 %, a meter anywhere within its assumed line of ±3 %.

RUNS = 400


def leads_across(herm: float, fan: float | None) -> list[Confidence]:
    point_readings = (
        PointReadings(section("HERM"), (read("HERM", herm, 1),)),
        PointReadings(section("FAN"), () if fan is None else (read("FAN", fan, 2),)),
    )
    causes = diagnose(Case(point_readings), shipped_rules()).causes
    return [cause.confidence for cause in causes if cause.rule == "leads-across-both-sections"]


def test_leads_across_both_sections_are_nearly_always_found():
    rng = Random(1)
    found = 0
    for _ in range(RUNS):
        herm, fan = (float(value) * rng.uniform(0.94, 1.06) for value in RATINGS.values())
        displayed = herm * fan / (herm + fan) * rng.uniform(0.97, 1.03)
        found += bool({Confidence.LIKELY, Confidence.VERY_LIKELY}.intersection(leads_across(displayed, None)))
    assert found >= 0.97 * RUNS


def test_a_weak_compressor_section_is_rarely_mistaken_for_leads_across():
    rng = Random(2)
    wrong = sum(bool(leads_across(rng.uniform(1.0, 42.0), 5.0)) for _ in range(RUNS))
    # The window about 4.5 µF is some 0.6 µF wide, of 41 µF.
    assert wrong <= 0.04 * RUNS


def test_a_weak_fan_section_is_at_most_possibly_leads_across():
    rng = Random(3)
    for _ in range(RUNS):
        point_readings = (
            PointReadings(section("HERM"), (read("HERM", 45 * rng.uniform(0.95, 1.05), 1),)),
            PointReadings(section("FAN"), (read("FAN", rng.uniform(1.0, 4.69), 2),)),
        )
        for cause in diagnose(Case(point_readings), shipped_rules()).causes:
            if cause.rule == "leads-across-both-sections":
                assert cause.confidence is Confidence.POSSIBLE
