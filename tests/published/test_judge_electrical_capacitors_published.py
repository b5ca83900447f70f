"""Capacitors under load, in series and parallel, and discharging, against published or recomputed values.

Flags: S, seen in a text that quotes the source; M, from memory; C, recomputed. Rows without a published source are
textbook arithmetic (C).
"""

from decimal import Decimal
from math import e, pi

import pytest
from uncertainties import ufloat

from meterlink.core.equipment import Rating
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Verdict
from meterlink.judge.electrical.capacitance import (
    capacitance_under_load,
    capacitive_reactance,
    capacitor_current,
    judge_under_load,
    parallel_capacitance,
    series_capacitance,
)
from meterlink.judge.electrical.discharge import (
    DISCHARGE_TIME_LIMIT,
    RESIDUAL_VOLTAGE_LIMIT,
    bleed_down_time,
    max_bleed_resistance,
    peak_voltage,
    residual_voltage,
    stored_energy,
)
from meterlink.judge.estimates import Estimate
from meterlink.judge.limits import rated_limits


def microfarads(amps: float, volts: float, hertz: float) -> float:
    return capacitance_under_load(Estimate(amps), Estimate(volts), Estimate(hertz)).value * 1e6


@pytest.mark.parametrize(
    ("amps", "volts", "hertz", "expected"),
    [
        # Textbook C = I/(2πfV) (C). One amp and one volt give the trade's constants 10⁶/(2πf).
        (1.0, 1.0, 60.0, 2652.5824),
        (1.0, 1.0, 50.0, 3183.0989),
        (4.0, 370.0, 60.0, 28.6766),
        (6.8, 398.0, 60.0, 45.3205),
        (3.0, 230.0, 50.0, 41.5187),
    ],
)
def test_capacitance_under_load(amps: float, volts: float, hertz: float, expected: float) -> None:
    assert microfarads(amps, volts, hertz) == pytest.approx(expected, abs=5e-5)


def test_lead_current_and_reactance_of_45_microfarad() -> None:
    # Textbook (C).
    assert capacitor_current(45e-6, 370.0, 60.0) == pytest.approx(6.27690, abs=5e-6)
    assert capacitive_reactance(45e-6, 60.0) == pytest.approx(58.9463, abs=5e-5)


def test_uncertainty_under_load() -> None:
    # JCGM 100, 5.1.2 and 4.3.7 (C): I ± 0.05 A and V ± 0.5 V rectangular, f known to 0.02 Hz standard uncertainty.
    result = capacitance_under_load(
        Estimate.rectangular(6.28, 0.05), Estimate.rectangular(370.0, 0.5), Estimate(60.0, 0.02)
    )
    assert result.value * 1e6 == pytest.approx(45.0222, abs=5e-5)
    assert result.standard_uncertainty * 1e6 == pytest.approx(0.21045, abs=5e-6)
    assert result.expanded_uncertainty * 1e6 == pytest.approx(0.42090, abs=1e-5)
    # An independent propagation, by the package `uncertainties`.
    reference = ufloat(6.28, 0.05 / 3**0.5) / (2 * pi * ufloat(60.0, 0.02) * ufloat(370.0, 0.5 / 3**0.5))
    assert result.standard_uncertainty == pytest.approx(reference.std_dev, rel=1e-9)


def test_the_other_mains_frequency_looks_like_a_drift_of_a_sixth() -> None:
    # Textbook (C): a 45 µF part at 50 Hz taken for 60 Hz reads 37.5 µF, 17 % low; at 60 Hz taken for 50 it reads 54 µF,
    # 20 % high. Both are outside ±6 % (common practice, no source) and both are warned about.
    limits = rated_limits(Rating(parse_amount("45 uF", Quantity.CAPACITANCE), "6 %"))
    for true_hertz, assumed_hertz, text in ((50.0, 60.0, "37.50"), (60.0, 50.0, "54.00")):
        amps = capacitor_current(45e-6, 370.0, true_hertz)
        result = judge_under_load(Estimate(amps), Estimate(370.0), Estimate(assumed_hertz), limits, "")
        assert result.judgement is not None
        assert result.judgement.verdict is Verdict.OUTSIDE
        assert result.judgement.digits == Decimal(text)
        assert result.fits_other_mains_frequency


def test_series_and_parallel() -> None:
    # Textbook (C).
    assert float(series_capacitance([Decimal(40), Decimal(5)])) == pytest.approx(4.44444, abs=5e-6)
    assert parallel_capacitance([Decimal(40), Decimal(5)]) == 45
    # A dual 45/5 µF read across HERM and FAN shows both sections in series (C).
    assert series_capacitance([Decimal(45), Decimal(5)]) == Decimal("4.5")


@pytest.mark.parametrize(("times_tau", "left"), [(1, 0.367879), (3, 0.049787), (5, 0.006738)])
def test_rc_decay(times_tau: int, left: float) -> None:
    # Textbook (C): e⁻¹, e⁻³, e⁻⁵ after 1, 3, 5 time constants.
    tau = 20e3 * 45e-6
    assert residual_voltage(1.0, 45e-6, 20e3, times_tau * tau) == pytest.approx(left, abs=5e-7)
    assert left == pytest.approx(e**-times_tau, abs=5e-7)


def test_peak_and_energy() -> None:
    # Textbook (C).
    assert peak_voltage(370.0) == pytest.approx(523.259, abs=5e-4)
    assert stored_energy(45e-6, peak_voltage(370.0)) == pytest.approx(6.1605, abs=5e-5)


@pytest.mark.parametrize(
    ("farads", "ohms", "seconds"),
    [
        # From the peak of 370 V RMS to 50 V (C); the trade discharges with 15 to 20 kΩ (M).
        (45e-6, 15e3, 1.5849),
        (45e-6, 20e3, 2.1132),
        (80e-6, 20e3, 3.7569),
        (5e-6, 15e3, 0.17610),
    ],
)
def test_time_to_50_volts(farads: float, ohms: float, seconds: float) -> None:
    assert bleed_down_time(peak_voltage(370.0), farads, ohms) == pytest.approx(seconds, abs=5e-5)


@pytest.mark.parametrize(("farads", "volts", "kilohms"), [(45e-6, 370.0, 567.85), (80e-6, 440.0, 297.46)])
def test_largest_resistor_for_a_minute(farads: float, volts: float, kilohms: float) -> None:
    # C.
    ohms = max_bleed_resistance(peak_voltage(volts), farads)
    assert ohms / 1e3 == pytest.approx(kilohms, abs=5e-3)
    assert bleed_down_time(peak_voltage(volts), farads, ohms) == pytest.approx(60.0)


def test_defaults_are_50_volts_within_a_minute() -> None:
    # NEC 460.6, low voltage: 50 V or less within 1 minute (S).
    assert (RESIDUAL_VOLTAGE_LIMIT, DISCHARGE_TIME_LIMIT) == (50.0, 60.0)


def test_five_minutes_for_high_voltage_is_a_setting() -> None:
    # A state's high-voltage electrical safety orders (California, Title 8, 2893) give 5 minutes (S): five times the
    # resistor of one minute.
    assert max_bleed_resistance(5000.0, 1e-6, 300.0) == pytest.approx(5 * max_bleed_resistance(5000.0, 1e-6, 60.0))
