"""Windings and insulation against published values. Flags: S, seen quoted; M, from memory; C, recomputed."""

from decimal import Decimal

import pytest

from meterlink.core.verdicts import Verdict
from meterlink.judge.electrical.insulation import WindingType, ieee43_minimum, insulation_limits, judge_insulation
from meterlink.judge.electrical.winding_temperature import WindingMetal, resistance_at_temperature, winding_temperature
from meterlink.judge.electrical.windings import identify_windings
from support.measured_values import ohms


def test_constants_of_the_winding_metals() -> None:
    # UL appliance standards, resistance method: 234.5 copper, 225 electrical-conductor aluminium (S).
    # IEC 60034-1: 235 copper (M).
    assert WindingMetal.COPPER.value == 234.5
    assert WindingMetal.ALUMINIUM.value == 225
    assert WindingMetal.COPPER_IEC.value == 235


def test_copper_coefficient_at_20_degrees() -> None:
    # α20 = 1/254.5 = 0.003 929 3 per K, published as 0.003 93 (S).
    per_kelvin = resistance_at_temperature(1.0, 20.0, 21.0, WindingMetal.COPPER.value) - 1
    assert per_kelvin == pytest.approx(0.0039293, abs=5e-8)
    assert round(per_kelvin, 5) == 0.00393


@pytest.mark.parametrize(("k", "ratio"), [(234.5, 1.216110), (235.0, 1.215686), (1 / 0.00393 - 20, 1.216150)])
def test_copper_from_20_to_75_degrees(k: float, ratio: float) -> None:
    # C; 235 is IEC 60034-1's (M).
    assert resistance_at_temperature(1.0, 20.0, 75.0, k) == pytest.approx(ratio, abs=5e-7)


def test_the_copper_conventions_differ_by_at_most_0_04_percent() -> None:
    # The choice of constant matters little (C).
    ratios = [resistance_at_temperature(1.0, 20.0, 75.0, k) for k in (234.5, 235.0, 1 / 0.00393 - 20)]
    assert max(ratios) / min(ratios) - 1 < 0.0004


@pytest.mark.parametrize(("metal", "expected"), [(WindingMetal.COPPER, 9.80732), (WindingMetal.COPPER_IEC, 9.80769)])
def test_ten_ohms_at_25_degrees_brought_to_20(metal: WindingMetal, expected: float) -> None:
    # C.
    assert resistance_at_temperature(10.0, 25.0, 20.0, metal.value) == pytest.approx(expected, abs=5e-6)


@pytest.mark.parametrize(
    ("metal", "temperature", "rise"), [(WindingMetal.COPPER, 70.9, 45.9), (WindingMetal.COPPER_IEC, 71.0, 46.0)]
)
def test_winding_temperature_by_resistance(metal: WindingMetal, temperature: float, rise: float) -> None:
    # 1.50 Ω at 20 °C, 1.80 Ω hot, ambient 25 °C (C).
    celsius = winding_temperature(1.50, 20.0, 1.80, metal.value)
    assert round(celsius, 1) == temperature
    assert round(celsius - 25.0, 1) == rise


def test_ieee_43_minimum_of_older_windings_is_kilovolts_plus_one() -> None:
    # IEEE 43-2013 (S): 480 V → 1.48 MΩ, so 0.9 MΩ fails; 11 kV → 12 MΩ.
    low = ieee43_minimum(WindingType.BEFORE_1970, Decimal("0.48"))
    assert low.to("MΩ") == Decimal("1.48")
    assert judge_insulation(insulation_limits(low), ohms("0.9Mohm")).verdict is Verdict.OUTSIDE
    assert judge_insulation(insulation_limits(low), ohms("1.48Mohm")).verdict is Verdict.WITHIN
    assert ieee43_minimum(WindingType.BEFORE_1970, Decimal(11)).to("MΩ") == 12


def test_ieee_43_minimum_by_construction() -> None:
    # IEEE 43-2013: 5 MΩ random-wound and below 1 kV, 100 MΩ form-wound (split M; that 2013 changed it S).
    assert ieee43_minimum(WindingType.RANDOM_WOUND, Decimal("0.46")).to("MΩ") == 5
    assert ieee43_minimum(WindingType.FORM_WOUND, Decimal("4.16")).to("MΩ") == 100


def test_terminals_of_a_single_phase_compressor() -> None:
    # The series identity R–S = C–S + C–R is exact; the order R–S > C–S > C–R and the names are the trade's (M).
    result = identify_windings([("3", "1", ohms("5.0ohm")), ("2", "3", ohms("1.0ohm")), ("1", "2", ohms("4.0ohm"))])
    assert result.verdict is Verdict.WITHIN
    assert result.terminals_by_role == {"C": "2", "S": "1", "R": "3"}
    assert result.sum_error == 0
