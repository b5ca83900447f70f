"""Three resistances between a motor's three terminals, and their uncertainty."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Verdict
from meterlink.judge.close_calls import TEST_LEAD_OHMS
from meterlink.judge.electrical.windings_result import WindingsResult
from meterlink.judge.estimates import Estimate, closing_error, difference_uncertainty
from meterlink.judge.measured_value import MeterReading
from meterlink.judge.uncertainty import COVERAGE_FACTOR

# Zeroed test leads read less than this; the run winding of even a large compressor reads more. Common practice, no
# source: a setting.
SHORTED_BELOW = Amount(Decimal("0.1"), "Ω")


@dataclass(frozen=True, slots=True)
class PairReading:
    """One reading between two terminals, in Ω; ``ohms`` is None for an overload."""

    ends: frozenset[str]
    reading: MeterReading
    ohms: Decimal | None

    @property
    def value(self) -> float:
        """The value in Ω; the reading is no overload."""
        assert self.ohms is not None  # noqa: S101  # overloads are dealt with before values are compared
        return float(self.ohms)

    @property
    def shown(self) -> str:
        """The reading as text."""
        return "OL" if self.ohms is None else f"{self.ohms:f} Ω"

    def __str__(self) -> str:
        return "–".join(sorted(self.ends))


def pair_readings(readings: Sequence[tuple[str, str, MeterReading]]) -> list[PairReading]:
    """Return the readings ``(terminal, terminal, reading)`` of the three pairs of three terminals.

    Raises:
        InputError: there are not three terminals with each pair read once, a value is not in ohms, or it is negative.
    """
    pairs = []
    for one, other, reading in readings:
        if reading.measured.quantity is not Quantity.RESISTANCE:
            raise InputError(f"{one}–{other} is no resistance.", "Give it in ohms: 1-2=4.0ohm.")
        ohms, _ = reading.measured.in_unit("Ω")
        if ohms is not None and ohms < 0:
            raise InputError(
                f"{one}–{other} reads {ohms:f} Ω: resistance is never negative.",
                "Zero the leads; make sure the terminals carry no voltage.",
            )
        pairs.append(PairReading(frozenset((one, other)), reading, ohms))
    ends = {pair.ends for pair in pairs}
    if len(pairs) != 3 or len(ends) != 3 or any(len(each) != 2 for each in ends) or len(frozenset().union(*ends)) != 3:
        given = ", ".join("–".join(sorted(each)) for each in (pair.ends for pair in pairs)) or "none"
        raise InputError(
            f"Windings need one reading between each two of three terminals, not {given}.",
            "Write 1-2=4.0ohm 2-3=1.0ohm 1-3=5.0ohm.",
        )
    return pairs


def alike(one: PairReading, other: PairReading) -> bool:
    """Return whether the uncertainty of the meter covers the difference of the two readings."""
    return windings_alike(one.reading, other.reading)


def windings_alike(one: MeterReading, other: MeterReading) -> bool:
    """Return whether the uncertainty of the meter covers the difference of two windings' resistances.

    Raises:
        InputError: a reading is an overload.
    """
    first, second = (Estimate.from_measured_value(reading.measured, reading.line) for reading in (one, other))
    allowed = COVERAGE_FACTOR * difference_uncertainty(one, other)
    return first is not None and second is not None and abs(second.value - first.value) <= allowed


class WindingSum(NamedTuple):
    """Whether the readings of two windings make up that of both in series, in Ω.

    ``error`` is the series reading minus the other two, ``allowed`` its expanded uncertainty (k = 2, JCGM 100, 6.3.3).
    ``lead_ohms`` is the resistance of leads that were not zeroed, which every reading contains once, so that it is
    C–S + C–R − R–S; 0 where the uncertainty covers the error. ``adds_up`` is also true with such leads, while the
    windings remain the larger part of each reading.
    """

    error: float
    allowed: float
    lead_ohms: float
    adds_up: bool


def winding_sum(series: MeterReading, windings: Sequence[MeterReading]) -> WindingSum:
    """Compare the reading across two windings in series with the readings of the two.

    The same for the judge, the derived points and the diagnosis, so that one sum has one uncertainty.

    Raises:
        InputError: a reading is an overload.
    """
    closing = closing_error(series, windings)
    error, allowed = closing.value, closing.expanded_uncertainty
    lead_ohms = -error if -error > allowed else 0.0
    lowest = min(float(reading.measured.in_unit("Ω")[0] or 0) for reading in windings)
    adds_up = error <= allowed and lead_ohms <= min(float(TEST_LEAD_OHMS), lowest / 2)
    return WindingSum(error, allowed, lead_ohms, adds_up)


def conducting_pair_missed(pairs: Sequence[PairReading], *, or_above_range: bool) -> WindingsResult | None:
    """Return the result where one pair reads an overload though the other two conduct; None for other readings.

    ``or_above_range``: that pair is the sum of the others, which the meter's range may not reach.
    """
    conducting = [pair for pair in pairs if pair.ohms is not None]
    if len(conducting) != 2:
        return None
    (dead,) = (pair for pair in pairs if pair.ohms is None)
    range_text = ", or the sum is above the meter's range" if or_above_range else ""
    return WindingsResult(
        Verdict.NO_CONTACT,
        f"NO CONTACT ON {dead}",
        f"{dead} cannot be open while {conducting[0]} and {conducting[1]} conduct: a probe was off its terminal"
        f"{range_text}. Read it again.",
    )


def only_name(names: frozenset[str]) -> str:
    """Return the one name in a set of one."""
    (name,) = names
    return name
