"""The papers on which Meterlink prints."""

from decimal import Decimal
from enum import StrEnum


class Paper(StrEnum):
    """A paper: A4 of ISO 216, Letter of ANSI/ASME Y14.1."""

    A4 = "a4"
    LETTER = "letter"

    @property
    def size(self) -> tuple[Decimal, Decimal]:
        """Width and height, mm."""
        return (Decimal(210), Decimal(297)) if self is Paper.A4 else (Decimal("215.9"), Decimal("279.4"))

    @property
    def typesetters_name(self) -> str:
        """The name of this paper in a template of the typesetter."""
        return "a4" if self is Paper.A4 else "us-letter"
