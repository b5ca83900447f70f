"""Markings on capacitors with their right readings, and the files of those written by hand."""

import re
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class RightReading:
    """The numbers that a marking carries.

    ``sections`` are in µF, HERM before FAN; ``span`` is the marked range in µF; ``tolerance`` is ``(minus, plus)`` in
    %; ``volts`` is the highest AC voltage of one duty.
    """

    sections: tuple[Decimal, ...]
    span: tuple[Decimal, Decimal] | None = None
    tolerance: tuple[Decimal, Decimal] | None = None
    volts: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Marking:
    """A text and its right readings: ``is_clear`` if it has one; no reading if it marks no capacitance."""

    text: str
    readings: tuple[RightReading, ...]
    is_clear: bool


def load_markings(name: str) -> list[Marking]:
    """Return the markings of a file beside this module; the file states its notation."""
    lines = (HERE / name).read_text(encoding="utf-8").splitlines()
    return [_parse_line(line) for line in lines if line and not line.startswith("#")]


def _parse_line(line: str) -> Marking:
    match = re.fullmatch(r"(.+) ([=?])> (.+)", line)
    assert match is not None, line
    text, sign, readings = match.groups()
    text = text.replace(r"\n", "\n")
    if readings == "none":
        return Marking(text, (), is_clear=False)
    return Marking(text, tuple(_parse_reading(reading) for reading in readings.split(" | ")), is_clear=sign == "=")


def _parse_reading(text: str) -> RightReading:
    match = re.fullmatch(r"(\S+?)(?: ±(\S+)| -(\d+)\+(\d+))?(?: (\d+)V)?", text)
    assert match is not None, text
    values, both, minus, plus, volts = match.groups()
    low, dots, high = values.partition("..")
    return RightReading(
        () if dots else tuple(map(Decimal, values.split("+"))),
        (Decimal(low), Decimal(high)) if dots else None,
        (Decimal(both or minus), Decimal(both or plus)) if both or minus else None,
        None if volts is None else Decimal(volts),
    )
