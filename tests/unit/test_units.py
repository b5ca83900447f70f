"""Amounts: spellings, prefixes, display steps, and text that is no amount."""

import itertools
import math
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.units import (
    BASE_UNIT,
    Amount,
    Quantity,
    convert,
    display_amount,
    parse_amount,
    parse_number,
    parse_unit,
    quantity_of,
    resolution_of,
    to_base,
)

untimed = settings(deadline=None)  # the speed of the machine proves nothing here

PREFIXES = {"p": -12, "n": -9, "µ": -6, "m": -3, "": 0, "k": 3, "M": 6}
SCALED = {
    Quantity.VOLTAGE: "V",
    Quantity.CURRENT: "A",
    Quantity.RESISTANCE: "Ω",
    Quantity.CAPACITANCE: "F",
    Quantity.FREQUENCY: "Hz",
}
UNITS = [prefix + base for base in SCALED.values() for prefix in PREFIXES] + ["°C", "°F", "%"]
ANY_TEXT = st.one_of(
    st.text(max_size=90),
    st.text("0123456789.,eE+- µμuUmMkKRΩΩohmsHzFfdDVvAaC°%\t\n", max_size=20),
    st.builds("{}{}".format, st.floats() | st.integers(), st.sampled_from(UNITS) | st.text(max_size=4)),
)


def test_all_spellings_of_one_capacitance_are_equal() -> None:
    spellings = ["45 µF", "45 μF", "45uF", "45 MFD", "45mfd", "0.000045 F", "45e-6F", "0.045 mF", "45000 nF"]
    assert {parse_amount(text, Quantity.CAPACITANCE).base_value for text in spellings} == {Decimal("0.000045")}


@untimed
@given(ANY_TEXT, st.sampled_from([None, *Quantity]), st.sampled_from([None, "µF", "V"]))
def test_any_text_is_an_amount_or_an_input_error(text: str, quantity: Quantity | None, unit: str | None) -> None:
    try:
        amount = parse_amount(text, quantity, unit=unit)
    except InputError:
        return
    assert amount.digits.is_finite()
    assert len(str(amount)) <= 80
    assert math.isfinite(float(amount.base_value))
    if quantity is not None and unit is None:
        assert quantity_of(amount.unit) is quantity


@untimed
@given(st.text(max_size=20), st.sampled_from([None, *Quantity]))
def test_any_unit_text_is_a_unit_or_an_input_error(text: str, quantity: Quantity | None) -> None:
    try:
        symbol = parse_unit(text, quantity)
    except InputError:
        return
    quantity_of(symbol)


@untimed
@given(st.text(max_size=6) | st.sampled_from(["xV", "ΩF", "mmV", "zF", "GHz", "", "K", "m°C", "k%"]))
def test_an_unknown_symbol_is_an_input_error(symbol: str) -> None:
    if symbol in UNITS:
        assert quantity_of(symbol) in Quantity
        return
    with pytest.raises(InputError, match="not a unit known here"):
        to_base(Decimal(1), symbol)


@pytest.mark.parametrize(("quantity", "base"), SCALED.items())
@pytest.mark.parametrize(("prefix", "power"), PREFIXES.items())
def test_prefixes_are_exact_powers_of_ten(quantity: Quantity, base: str, prefix: str, power: int) -> None:
    assert quantity_of(prefix + base) is quantity
    assert to_base(Decimal("42.30"), prefix + base) == Decimal("42.30").scaleb(power)


@pytest.mark.parametrize(
    ("unit", "quantity"), [("°C", Quantity.TEMPERATURE), ("°F", Quantity.TEMPERATURE), ("%", Quantity.RATIO)]
)
def test_units_without_prefixes(unit: str, quantity: Quantity) -> None:
    assert quantity_of(unit) is quantity


def test_every_pair_converts_or_is_refused() -> None:
    for unit, target in itertools.product(UNITS, repeat=2):
        if quantity_of(unit) is quantity_of(target):
            converted = convert(Decimal("12.50"), unit, target)
            assert convert(converted, target, unit) == pytest.approx(Decimal("12.50"), rel=Decimal("1e-25"))
        else:
            with pytest.raises(InputError, match="is wanted here"):
                convert(Decimal(1), unit, target)


@pytest.mark.parametrize(
    ("text", "quantity", "amount"),
    [
        ("4.7k", Quantity.RESISTANCE, "4.7 kΩ"),
        ("4.70M", Quantity.RESISTANCE, "4.70 MΩ"),
        ("5 K", Quantity.RESISTANCE, "5 kΩ"),
        ("14.2 ohms", Quantity.RESISTANCE, "14.2 Ω"),
        ("14.2 OHM", Quantity.RESISTANCE, "14.2 Ω"),
        ("1.2 MOhm", Quantity.RESISTANCE, "1.2 MΩ"),
        ("1.2 Mohms", Quantity.RESISTANCE, "1.2 MΩ"),
        ("3 mohm", Quantity.RESISTANCE, "3 mΩ"),
        ("2.2 kOhm", Quantity.RESISTANCE, "2.2 kΩ"),
        ("24 VAC", Quantity.VOLTAGE, "24 V"),
        ("370V", None, "370 V"),
        ("1.2 kv", Quantity.VOLTAGE, "1.2 kV"),
        ("20 ma", Quantity.CURRENT, "20 mA"),
        ("95 F", Quantity.TEMPERATURE, "95 °F"),
        ("95f", Quantity.TEMPERATURE, "95 °F"),
        ("35 C", Quantity.TEMPERATURE, "35 °C"),
        ("1 F", Quantity.CAPACITANCE, "1 F"),
        ("1 F", None, "1 F"),
        ("60 hz", None, "60 Hz"),
        ("4.70 µF", None, "4.70 µF"),
    ],
)
def test_spellings_of_the_trade(text: str, quantity: Quantity | None, amount: str) -> None:
    assert str(parse_amount(text, quantity)) == amount


@pytest.mark.parametrize(
    ("text", "quantity", "message"),
    [
        ("45 MF", Quantity.CAPACITANCE, "microfarad or megafarad"),
        ("45 f", None, "farad or degree Fahrenheit"),
        ("4.7k", None, "not a unit"),
        ("45", Quantity.CAPACITANCE, "unit is missing"),
        ("45", Quantity.RESISTANCE, "unit is missing"),
        ("45 V", Quantity.CAPACITANCE, "unit of voltage, not of capacitance"),
        ("1,5 µF", Quantity.CAPACITANCE, "comma"),
        ("1.5.2 µF", Quantity.CAPACITANCE, "second decimal sign"),
        ("nan µF", Quantity.CAPACITANCE, "does not start with a number"),
        ("٤٥ µF", Quantity.CAPACITANCE, "does not start with a number"),
        ("1e400 V", Quantity.VOLTAGE, "beyond the range of any meter"),
        ("0e999 V", Quantity.VOLTAGE, "beyond the range of any meter"),
        ("1e-31 V", Quantity.VOLTAGE, "beyond the range of any meter"),
        ("4" * 65, Quantity.VOLTAGE, "does not start with a number"),
    ],
)
def test_a_wrong_amount_gets_a_message_and_a_remedy(text: str, quantity: Quantity | None, message: str) -> None:
    with pytest.raises(InputError, match=message) as raised:
        parse_amount(text, quantity)
    assert raised.value.remedy


def test_a_number_alone_keeps_its_zeros() -> None:
    assert parse_number(" 4.70 ") == (Decimal("4.70"), "")
    assert str(parse_number("4.70")[0]) == "4.70"


@pytest.mark.parametrize(
    ("quantity", "base", "amount"),
    [
        (Quantity.CAPACITANCE, "0.000045", "45 µF"),
        (Quantity.CAPACITANCE, "0.00004500", "45.00 µF"),
        (Quantity.CAPACITANCE, "4.70E-9", "4.70 nF"),
        (Quantity.RESISTANCE, "14.2", "14.2 Ω"),
        (Quantity.RESISTANCE, "4700", "4.700 kΩ"),
        (Quantity.RESISTANCE, "4.700E+6", "4.700 MΩ"),
        (Quantity.VOLTAGE, "0.0241", "24.1 mV"),
        (Quantity.VOLTAGE, "240.0", "240.0 V"),
        (Quantity.VOLTAGE, "24.000000", "24.000000 V"),  # sent in µV: not 24000.000 mV
        (Quantity.CURRENT, "6.28", "6.28 A"),
        (Quantity.CURRENT, "0.0000123", "12.3 µA"),
        (Quantity.FREQUENCY, "60", "60 Hz"),  # not 0.060 kHz
        (Quantity.FREQUENCY, "59.98", "59.98 Hz"),
        (Quantity.FREQUENCY, "1.234E+4", "12.34 kHz"),
        (Quantity.TEMPERATURE, "25.00", "25.00 °C"),
        (Quantity.RATIO, "100", "100 %"),
        (Quantity.BATTERY, "80", "80 %"),
    ],
)
def test_display_unit(quantity: Quantity, base: str, amount: str) -> None:
    assert str(display_amount(quantity, Decimal(base))) == amount


@untimed
@given(
    st.sampled_from(list(SCALED)),
    st.integers(-(2**127), 2**127),
    st.integers(-12, 6),
    st.booleans(),
)
def test_the_display_unit_moves_the_point_and_loses_no_digit(
    quantity: Quantity, counts: int, exponent: int, resolution_known: bool
) -> None:
    base = Decimal(f"{counts}E{exponent}")
    amount = display_amount(quantity, base, resolution_known=resolution_known)
    assert amount.digits.as_tuple().digits == base.as_tuple().digits
    power = PREFIXES[amount.unit.removesuffix(BASE_UNIT[quantity])]
    assert int(amount.digits.as_tuple().exponent) + power == exponent


@untimed
@given(st.sampled_from(list(SCALED)), st.integers(-12, 3), st.integers(-99_999, 99_999), st.integers(-99_999, 99_999))
def test_the_prefix_does_not_flip_within_a_range(
    quantity: Quantity, exponent: int, first_counts: int, second_counts: int
) -> None:
    """100,000 counts are more than a hand-held meter has; it has no ranges of farads or kilovolts."""
    first, second = (display_amount(quantity, Decimal(f"{n}E{exponent}")).unit for n in (first_counts, second_counts))
    assert first == second


def test_amount() -> None:
    amount = Amount(Decimal("4.70"), "µF")
    assert amount.base_value == Decimal("0.0000047")
    assert amount.resolution == resolution_of(amount.digits) == Decimal("0.01")
    assert amount.to("nF") == 4700


@pytest.mark.parametrize("text", ["88-108uF", "189–227 µF"])
def test_a_range_is_no_value_and_no_unit(text: str) -> None:
    """A start capacitor is marked with two limits: '-108uF' is no unit."""
    with pytest.raises(InputError, match="a range, not one value"):
        parse_amount(text, Quantity.CAPACITANCE)
