"""Nothing flowing is neither within nor outside."""

from decimal import Decimal

import pytest

from meterlink.core.equipment import CircuitState, PointKind, Span, TestPoint
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Limits, Verdict
from meterlink.judge.flow import Flow, expected_flow
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.judge.limits import span_limits

SUPPLY = span_limits(Span(Decimal(207), Decimal(253), "V"))
DROP = span_limits(Span(None, Decimal(100), "mV"))
LOAD = span_limits(Span(None, Decimal(14), "A"))
FLAME = span_limits(Span(Decimal(1), None, "µA"))


@pytest.mark.parametrize(
    ("text", "limits", "flow", "verdict", "words"),
    [
        ("0.0 A", LOAD, Flow.EXPECTED, Verdict.NOTHING_FLOWS, "does not run"),
        ("0.0 µA", FLAME, Flow.EXPECTED, Verdict.NOTHING_FLOWS, "circuit through the meter is open"),
        ("2.1 µA", FLAME, Flow.EXPECTED, Verdict.WITHIN, "at least 1 µA"),
        ("0.4 A", LOAD, Flow.EXPECTED, Verdict.NOTHING_FLOWS, "less than this meter can show"),
        ("0.8 A", LOAD, Flow.EXPECTED, Verdict.WITHIN, "at most 14 A"),
        ("0.0 A", LOAD, None, Verdict.WITHIN, ""),  # where nothing has to run
        ("0.0 A", None, Flow.EXPECTED, Verdict.NOTHING_FLOWS, "does not run"),
        ("0.00 V", DROP, Flow.EXPECTED, Verdict.NOTHING_FLOWS, "read the amps"),
        ("0.00 V", DROP, Flow.PROVEN, Verdict.WITHIN, "100 mV"),
        ("0.12 V", DROP, Flow.EXPECTED, Verdict.OUTSIDE, "above the high limit"),
        ("0 V", SUPPLY, Flow.EXPECTED, Verdict.NOTHING_FLOWS, "Prove the meter"),
        ("180 V", SUPPLY, Flow.EXPECTED, Verdict.OUTSIDE, "below the low limit"),
    ],
)
def test_readings_that_show_nothing(
    text: str, limits: Limits | None, flow: Flow | None, verdict: Verdict, words: str
) -> None:
    # Less than the digits of the accuracy line and half a step is what the meter may show with nothing there.
    quantity = Quantity.CURRENT if text.endswith("A") else Quantity.VOLTAGE
    measured = MeasuredValue.from_amount(quantity, parse_amount(text, quantity))
    judgement = judge(PointKind.RANGE, limits, measured, flow=flow)
    assert judgement.verdict is verdict
    assert words in judgement.reason
    assert (judgement.margin is None) is (verdict is Verdict.NOTHING_FLOWS)


@pytest.mark.parametrize(
    ("quantity", "state", "kind", "expected"),
    [
        (Quantity.CURRENT, CircuitState.ENERGIZED, PointKind.RANGE, Flow.EXPECTED),
        (Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE, Flow.EXPECTED),
        (Quantity.VOLTAGE, CircuitState.ISOLATED, PointKind.RANGE, None),
        (Quantity.TEMPERATURE, CircuitState.ENERGIZED, PointKind.RANGE, None),
        (Quantity.CAPACITANCE, CircuitState.ISOLATED, PointKind.CAPACITOR, None),
    ],
)
def test_flow_is_expected_in_energized_circuits(
    quantity: Quantity, state: CircuitState, kind: PointKind, expected: Flow | None
) -> None:
    point = TestPoint("p", "circuit", "part", ("1", "2"), quantity, state, kind)
    assert expected_flow(point) is expected
