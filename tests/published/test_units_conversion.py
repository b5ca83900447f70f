"""Conversions against pint and NIST SP 811.

Flags: S, seen in a text that quotes the source; M, from memory; C, recomputed here.
"""

from decimal import Decimal
from typing import Any

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.core.units import convert, to_base

untimed = settings(deadline=None)  # the speed of the machine proves nothing here


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry[Any]:
    return pint.UnitRegistry(cache_folder=None)


# NIST SP 811 (2008), B.8: t/°C = (t/°F - 32)/1.8, M; the values are C; the first two define the scale.
@pytest.mark.parametrize(
    ("fahrenheit", "celsius"),
    [("32", "0"), ("212", "100"), ("-40", "-40"), ("95", "35"), ("77.0", "25"), ("0", "-17.8")],
)
def test_fahrenheit(fahrenheit: str, celsius: str) -> None:
    assert round(to_base(Decimal(fahrenheit), "°F"), 1) == Decimal(celsius)
    assert round(convert(Decimal(celsius), "°C", "°F"), 0) == round(Decimal(fahrenheit), 0)


@untimed
@given(digits=st.decimals(-200, 2000, places=2))
def test_fahrenheit_agrees_with_pint(registry: pint.UnitRegistry[Any], digits: Decimal) -> None:
    expected = registry.Quantity(float(digits), "degF").to("degC").magnitude
    assert float(to_base(digits, "°F")) == pytest.approx(expected, abs=1e-9)
    assert convert(to_base(digits, "°F"), "°C", "°F") == pytest.approx(digits, abs=Decimal("1e-20"))


@pytest.mark.parametrize(
    ("unit", "name", "base"),
    [
        ("mV", "millivolt", "volt"),
        ("kV", "kilovolt", "volt"),
        ("µA", "microampere", "ampere"),
        ("mA", "milliampere", "ampere"),
        ("kΩ", "kiloohm", "ohm"),
        ("MΩ", "megaohm", "ohm"),
        ("pF", "picofarad", "farad"),
        ("nF", "nanofarad", "farad"),
        ("µF", "microfarad", "farad"),
        ("mF", "millifarad", "farad"),
        ("kHz", "kilohertz", "hertz"),
    ],
)
@untimed
@given(digits=st.decimals(-9999, 9999, places=3))
def test_prefixes_agree_with_pint(
    registry: pint.UnitRegistry[Any], unit: str, name: str, base: str, digits: Decimal
) -> None:
    """Pint gets the full names, so that a symbol mistaken for another unit fails here."""
    expected = registry.Quantity(float(digits), name).to(base).magnitude
    assert float(to_base(digits, unit)) == pytest.approx(expected, rel=1e-12)
