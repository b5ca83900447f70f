"""Test points of parts for recorded visits."""

from decimal import Decimal

from meterlink.core.equipment import CircuitState, PointKind, Rating, Span, TestPoint
from meterlink.core.units import Quantity, parse_amount


def capacitor(rated: str = "45 uF", section: str = "HERM") -> TestPoint:
    """Return the point of a section of a run capacitor, ±6 %; without ``rated``, the rating is not known."""
    rating = Rating(parse_amount(rated), "±6 %") if rated else None
    return TestPoint(
        section.lower(), "compressor", "run capacitor", ("C", section), Quantity.CAPACITANCE, CircuitState.ISOLATED,
        PointKind.CAPACITOR, rating, section,
    )  # fmt: skip


COIL = TestPoint(
    "coil", "control", "contactor coil", ("A1", "A2"), Quantity.RESISTANCE, CircuitState.ISOLATED, PointKind.COIL,
    Span(Decimal(10), Decimal(18), "Ω"),
)  # fmt: skip
