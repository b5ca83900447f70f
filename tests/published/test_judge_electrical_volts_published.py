"""Voltage bands and unbalance against published values. Flags: S, seen quoted; M, from memory; C, recomputed."""

from decimal import Decimal

import pytest

from meterlink.core.equipment import MarkedVoltage, PointKind, VoltageBand
from meterlink.core.units import parse_amount
from meterlink.core.verdicts import Limits, Verdict
from meterlink.judge.electrical.bands import (
    CLASS_2_VOLT_AMPERES,
    CLASS_2_VOLTS,
    CoilTest,
    ServiceRange,
    coil_voltage_limits,
    control_voltage_limits,
    marked_voltage_limits,
    nameplate_voltage_limits,
    service_voltage_limits,
)
from meterlink.judge.electrical.unbalance import derating_factor, unbalance
from meterlink.judge.judging import judge
from support.measured_values import volts


def assert_band(limits: Limits, low: str, high: str) -> None:
    """Check the limits: both ends are within, a step beyond them is outside."""
    assert (limits.low, limits.high) == (Decimal(low), Decimal(high))
    for reading, verdict in (
        (Decimal(low), Verdict.WITHIN),
        (Decimal(high), Verdict.WITHIN),
        (Decimal(low) - Decimal("0.1"), Verdict.OUTSIDE),
        (Decimal(high) + Decimal("0.1"), Verdict.OUTSIDE),
    ):
        assert judge(PointKind.RANGE, limits, volts(f"{reading} V")).verdict is verdict, reading


def test_contactor_pick_up() -> None:
    # IEC 60947-4-1, NEMA ICS 2 (M): 85 to 110 % of the rated coil voltage.
    assert_band(coil_voltage_limits(parse_amount("24V"), CoilTest.PICK_UP), "20.4", "26.4")


def test_contactor_drop_out() -> None:
    # IEC 60947-4-1 (M): 20 to 75 % AC, 10 to 75 % DC.
    assert_band(coil_voltage_limits(parse_amount("24V"), CoilTest.DROP_OUT), "4.8", "18.0")
    assert_band(coil_voltage_limits(parse_amount("24V"), CoilTest.DROP_OUT, dc=True), "2.4", "18.0")


def test_contactor_with_a_range_of_volts() -> None:
    # IEC 60947-4-1 (M): where a range is declared, 85 % of its lower value and 110 % of its higher; drop-out at 20 % of
    # the higher and 75 % of the lower.
    assert_band(coil_voltage_limits("208/240V", CoilTest.PICK_UP), "176.8", "264")
    assert_band(coil_voltage_limits("208/240V", CoilTest.DROP_OUT), "48", "156")


@pytest.mark.parametrize(
    ("nominal", "service_range", "low", "high"),
    [
        # ANSI C84.1 service voltage. Range A, ±5 % (S); Range B (M).
        ("120V", ServiceRange.A, "114", "126"),
        ("240V", ServiceRange.A, "228", "252"),
        ("120V", ServiceRange.B, "110", "127"),
        ("240V", ServiceRange.B, "220", "254"),
    ],
)
def test_service_voltage(nominal: str, service_range: ServiceRange, low: str, high: str) -> None:
    assert_band(service_voltage_limits(parse_amount(nominal), service_range), low, high)


def test_equipment_nameplate() -> None:
    # AHRI 210/240 (M): ±10 % of the nameplate voltage, of both ratings of a range.
    assert_band(nameplate_voltage_limits("208/230"), "187.2", "253.0")


@pytest.mark.parametrize(
    ("marked", "low", "high"),
    [
        # A service runs equipment with the rating that ANSI C84.1 pairs with it (M), within AHRI 210/240's ±10 % (M).
        # A technician on a 208 V service must not call 235 V good, nor on a 240 V service 195 V.
        ((208,), "187.2", "228.8"),
        ((230,), "207", "253"),
        ((240,), "207", "253"),
        ((115,), "103.5", "126.5"),
        ((120,), "103.5", "126.5"),
        ((460,), "414", "506"),
        ((480,), "414", "506"),
        ((575,), "517.5", "632.5"),
        ((600,), "517.5", "632.5"),
        # A compressor maker's bulletin, quoted in an electricians' forum (S): 208/230 V three phase, 187 to 253 V. The
        # same bulletin has 197 to 253 V for welded single-phase compressors at their highest load: a maker's own range
        # counts, and is typed as two limits.
        ((208, 230), "187.2", "253"),
        ((208, 240), "187.2", "253"),
    ],
)
def test_supply_by_service(marked: tuple[int, ...], low: str, high: str) -> None:
    limits = marked_voltage_limits(MarkedVoltage(tuple(map(Decimal, marked)), VoltageBand.SUPPLY))
    assert_band(limits, low, high)
    # Where the band is not about the marked volts, it says about which.
    lowest, highest = limits.low, limits.high
    assert lowest is not None
    assert highest is not None
    about_marked = (lowest / Decimal("0.9"), highest / Decimal("1.1")) == (min(marked), max(marked))
    assert ("rated" in limits.basis) is not about_marked


@pytest.mark.parametrize(
    ("volts_marked", "low", "high"), [(24, "20.4", "26.4"), (120, "102", "132"), (230, "195.5", "253")]
)
def test_coil_as_marked(volts_marked: int, low: str, high: str) -> None:
    # IEC 60947-4-1 (M): a coil pulls in from 85 to 110 % of the voltage marked on it.
    limits = marked_voltage_limits(MarkedVoltage((Decimal(volts_marked),), VoltageBand.COIL))
    assert_band(limits, low, high)
    assert limits.basis == f"{volts_marked} V coil, 85 to 110 % by IEC 60947-4-1"


def test_class_2() -> None:
    # NEC chapter 9, table 11(A) (M): at most 30 V and 100 VA.
    assert (CLASS_2_VOLTS, CLASS_2_VOLT_AMPERES) == (30, 100)
    assert_band(control_voltage_limits(parse_amount("24V")), "20.4", "30")
    assert_band(marked_voltage_limits(MarkedVoltage((Decimal(24),), VoltageBand.CONTROL)), "20.4", "30")


@pytest.mark.parametrize(
    ("readings", "mean", "nema", "true"),
    [
        # NEMA MG-1, 14.36, worked example (S); true values recomputed with phasors (C).
        (("460", "467", "450"), 459, 1.9608, 2.1465),
        (("462", "463", "455"), 460, 1.0870, 1.0914),  # published as 1.1 % (S)
        (("480", "476", "472"), 476, 0.8403, 0.9704),  # published as 0.84 % (S)
        (("240", "240", "240"), 240, 0, 0),  # C
        (("10", "11", "9"), 10, 10, 11.6305),  # currents (C)
    ],
)
def test_unbalance(readings: tuple[str, str, str], mean: int, nema: float, true: float) -> None:
    first, second, third = map(Decimal, readings)
    result = unbalance(first, second, third)
    assert result.mean == mean
    assert float(result.nema_percent) == pytest.approx(nema, abs=5e-5)
    assert result.true_percent == pytest.approx(true, abs=5e-5)


def test_nema_percent_is_not_the_spread_over_the_mean() -> None:
    # 480/476/472: (max - min)/mean would be 1.68 % (S as a common mistake).
    result = unbalance(Decimal(480), Decimal(476), Decimal(472))
    assert round(float(result.nema_percent), 2) == 0.84
    assert round(8 / 476 * 100, 2) == 1.68


@pytest.mark.parametrize(("percent", "worst"), [(2, 2.3), (5, 5.8), (10, 11.6), (20, 23.8)])
def test_worst_case_of_the_true_factor(percent: int, worst: float) -> None:
    # Pillay & Manyage, "Definitions of voltage unbalance", table 1, upper ends (S): the pattern 1+d, 1, 1-d (C).
    d = Decimal(percent) / 100
    result = unbalance(1 + d, Decimal(1), 1 - d)
    assert result.nema_percent == percent
    assert round(result.true_percent, 1) == worst


@pytest.mark.parametrize(("percent", "factor"), [(1, 1), (2, 0.95), (3, 0.88), (4, 0.82), (5, 0.75), (1.9608, 0.95)])
def test_derating(percent: float, factor: float) -> None:
    # NEMA MG-1, 14.36: a graph, read off from memory (M); the worked example takes ≈ 0.95 at 1.96 % (S).
    share = derating_factor(percent)
    assert share is not None
    assert round(share, 2) == factor


def test_no_operation_above_five_percent() -> None:
    # NEMA MG-1, 14.36 (S).
    assert derating_factor(5.01) is None
