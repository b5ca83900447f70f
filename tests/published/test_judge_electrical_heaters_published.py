"""Heaters against published values. Flags: S, seen quoted; M, from memory; C, recomputed."""

import pytest

from meterlink.judge.electrical.heaters import heater_current_limits, heater_resistance_limits, parse_heater_rating


@pytest.mark.parametrize(
    ("marking", "ohms", "amps"),
    [
        # U²/P and P/U (C): 57600 V²/5000 W, 5000 W/240 V and so on.
        ("5 kW 240 V", 11.52, 20.83),
        ("10 kW 240 V", 5.76, 41.67),
        ("4.8 kW 240 V", 12.0, 20.0),
        ("3.75 kW 208 V", 11.54, 18.03),
        ("70 W 240 V", 822.9, 0.2917),
    ],
)
def test_nominal_values(marking: str, ohms: float, amps: float) -> None:
    rating = parse_heater_rating(marking)
    assert rating is not None
    for limits, nominal in ((heater_resistance_limits(rating), ohms), (heater_current_limits(rating), amps)):
        assert limits.nominal is not None
        assert float(limits.nominal) == pytest.approx(nominal, rel=1e-3)
        assert limits.low is not None
        assert limits.high is not None
        assert limits.low < limits.nominal < limits.high


def test_power_tolerance() -> None:
    # IEC 60335-1, 10.1, table 1 (M): a heating appliance above 200 W, +5 % or 20 W, -10 %. Up to 200 W, ±10 %.
    for marking, most, least in (("5 kW 240 V", 5250, 4500), ("300 W 240 V", 320, 270), ("100 W 240 V", 110, 90)):
        rating = parse_heater_rating(marking)
        assert rating is not None
        limits = heater_resistance_limits(rating)
        assert limits.low is not None
        assert limits.high is not None
        assert 240**2 / float(limits.high) == pytest.approx(least, rel=1e-3)
        # Cold, an element has up to a tenth less resistance than at work (M).
        assert 240**2 / (float(limits.low) / 0.9) == pytest.approx(most, rel=1e-3)
