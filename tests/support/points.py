"""Test points and their specifications."""

from decimal import Decimal

from meterlink.core.equipment import CircuitState, PointKind, Rating, Span, TestPoint
from meterlink.core.units import Amount, Quantity


def rated(microfarads: str) -> Rating:
    """Return the rating of a run capacitor with the usual tolerance."""
    return Rating(Amount(Decimal(microfarads), "µF"), "6 %")


def span(low: str | None, high: str | None, unit: str) -> Span:
    return Span(None if low is None else Decimal(low), None if high is None else Decimal(high), unit)


def point(
    circuit: str,
    component: str,
    terminals: str,
    quantity: Quantity,
    state: CircuitState,
    kind: PointKind,
    specification: Rating | Span | None = None,
    section: str = "",
) -> TestPoint:
    """Return a test point without a key; ``terminals`` are a pair like ``C-HERM``."""
    first, second = terminals.split("-")
    return TestPoint("", circuit, component, (first, second), quantity, state, kind, specification, section)
