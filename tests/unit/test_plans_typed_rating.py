"""Ratings and readings as they are typed at the unit: decimal commas, implied units, the amps of a nameplate."""

from decimal import Decimal

import pytest

from meterlink.capture.manual_entry import parse_manual_entry
from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, PointKind, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, with_decimal_point
from meterlink.plans import implied_unit, load_plan, parse_typed_rating

POINTS = {point.key: point for point in load_plan("split-condenser").points}


@pytest.mark.parametrize(
    ("key", "typed", "meant"),
    [
        # The rated current on a nameplate is the most that the motor draws at work (common practice, no source).
        ("compressor-amps", "14.1", "at most 14.1 A"),
        ("compressor-amps", "14,1 A", "at most 14.1 A"),
        ("compressor-amps", "RLA 14.1", "at most 14.1 A"),
        ("condenser-fan-amps", "1.4 FLA", "at most 1.4 A"),
        ("compressor-amps", "RLA 14,1, LRA 77", "at most 14.1 A, locked rotor 77 A"),
        ("compressor-amps", "10 to 14", "10 to 14 A"),
        ("contactor-coil", "10 to 18", "10 to 18 Ω"),
        ("contactor-coil", "10,5-18,5", "10.5 to 18.5 Ω"),
        ("compressor-run-winding", "at most 2", "at most 2 Ω"),
        ("supply-volts", "208/240", "208/240 V supply"),
        ("contactor-coil-volts", "24", "24 V coil"),
    ],
)
def test_the_unit_is_optional_where_the_point_implies_it(key: str, typed: str, meant: str) -> None:
    assert str(parse_typed_rating(POINTS[key], typed)) == meant


@pytest.mark.parametrize(
    ("key", "typed"),
    [
        ("compressor-ground", "at least 1"),  # kΩ, MΩ or GΩ: a thousandfold error
        ("compressor-amps", "0"),
        ("compressor-amps", "banana"),
        ("contactor-coil", "1,000 to 2,000"),  # 1 or 1000
        ("contactor-coil", "14"),  # one number is no limits of a coil's ohms
    ],
)
def test_a_doubtful_rating_is_refused(key: str, typed: str) -> None:
    with pytest.raises(InputError):
        parse_typed_rating(POINTS[key], typed)


def test_a_comma_before_three_digits_is_not_guessed() -> None:
    with pytest.raises(InputError, match=r"'1,000' may be 1000 or 1\.000\."):
        with_decimal_point("1,000 ohm")
    assert with_decimal_point("1,0000") == "1.0000"
    assert with_decimal_point("4,70 to 5,30 uF, 440 V") == "4.70 to 5.30 uF, 440 V"


@pytest.mark.parametrize(
    ("key", "typed", "shown"),
    [
        ("run-capacitor-herm", "43,7", "43.7 µF"),
        ("contactor-coil", "14.2", "14.2 Ω"),
        ("supply-volts", "240", "240 V"),
        ("supply-volts", "240 V AC", "240 V AC"),
        ("run-capacitor-herm", "4700 nF", "4700 nF"),
    ],
)
def test_a_typed_reading_needs_no_unit_where_the_point_implies_it(key: str, typed: str, shown: str) -> None:
    point = POINTS[key]
    assert parse_manual_entry(typed, Timestamp(0, 0), point.quantity, implied_unit(point)).text == shown


def test_insulation_and_temperature_are_typed_with_their_unit() -> None:
    air = TestPoint(
        "air", "air", "return air", ("a", "b"), Quantity.TEMPERATURE, CircuitState.ENERGIZED, PointKind.RANGE
    )
    for point in (POINTS["compressor-ground"], air):
        assert implied_unit(point) == ""
        with pytest.raises(InputError, match="The unit is missing"):
            parse_manual_entry("98", Timestamp(0, 0), point.quantity, implied_unit(point))


def test_a_rated_current_has_no_lower_limit() -> None:
    assert parse_typed_rating(POINTS["compressor-amps"], "14.1") == Span(None, Decimal("14.1"), "A")
