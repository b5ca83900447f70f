"""Three resistances between a motor's three terminals, and their uncertainty."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import hypot

from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity
from meterlink.judge.estimates import COVERAGE_FACTOR, Estimate, repeatability_uncertainty
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine

# Zeroed test leads read less than this; the run winding of even a large compressor reads more. Common practice, no
# source: a setting.
SHORTED_BELOW = Amount(Decimal("0.1"), "Ω")


@dataclass(frozen=True, slots=True)
class PairReading:
    """One reading between two terminals, in Ω; ``ohms`` and ``estimate`` are None for an overload.

    Readings with the same ``origin`` are of one meter on one range.
    """

    ends: frozenset[str]
    ohms: Decimal | None
    step: Decimal
    origin: tuple[Decimal, int]
    estimate: Estimate | None

    @property
    def value(self) -> Estimate:
        """The value with its uncertainty; the reading is no overload."""
        assert self.estimate is not None  # noqa: S101  # overloads are dealt with before values are compared
        return self.estimate

    @property
    def shown(self) -> str:
        """The reading as text."""
        return "OL" if self.ohms is None else f"{self.ohms:f} Ω"

    def __str__(self) -> str:
        return "–".join(sorted(self.ends))


def pair_readings(
    readings: Sequence[tuple[str, str, MeasuredValue]], line: AccuracyLine, *, one_meter: bool
) -> list[PairReading]:
    """Return the readings ``(terminal, terminal, value)`` of the three pairs of three terminals.

    Raises:
        InputError: there are not three terminals with each pair read once, a value is not in ohms, or it is negative.
    """
    pairs = []
    for number, (one, other, measured) in enumerate(readings):
        if measured.quantity is not Quantity.RESISTANCE:
            raise InputError(f"{one}–{other} is no resistance.", "Give it in ohms: 1-2=4.0ohm.")
        ohms, step = measured.in_unit("Ω")
        if ohms is not None and ohms < 0:
            raise InputError(
                f"{one}–{other} reads {ohms:f} Ω: resistance is never negative.",
                "Zero the leads; make sure the terminals carry no voltage.",
            )
        origin = (step, 0 if one_meter else number)
        pairs.append(
            PairReading(frozenset((one, other)), ohms, step, origin, Estimate.from_measured_value(measured, line))
        )
    ends = {pair.ends for pair in pairs}
    if len(pairs) != 3 or len(ends) != 3 or any(len(each) != 2 for each in ends) or len(frozenset().union(*ends)) != 3:
        raise InputError(
            "Windings need one reading between each two of three terminals.", "Write 1-2=4.0ohm 2-3=1.0ohm 1-3=5.0ohm."
        )
    return pairs


def alike(one: PairReading, other: PairReading) -> bool:
    """Return whether the uncertainty of the meter covers the difference of the two readings."""
    u = [
        repeatability_uncertainty(each.step) if one.origin == other.origin else each.value.standard_uncertainty
        for each in (one, other)
    ]
    return abs(other.value.value - one.value.value) <= COVERAGE_FACTOR * hypot(*u)


def sum_uncertainty(pairs: Sequence[PairReading], error: float, line: AccuracyLine) -> float:
    """Return the standard uncertainty in Ω of the largest reading minus the other two (JCGM 100, 5.2.2)."""
    step = pairs[0].step
    if any(pair.origin != pairs[0].origin for pair in pairs):
        return hypot(*(pair.value.standard_uncertainty for pair in pairs))
    # On one range the gain error applies to the sum error alone, and of the three zero errors 1 - 1 - 1 = -1 remains.
    gain = abs(error) * float(line.percent) / 100
    zero = float(line.digits * step)
    return hypot(
        Estimate.rectangular(0.0, gain, zero).standard_uncertainty,
        *(repeatability_uncertainty(pair.step) for pair in pairs),
    )


def only_name(names: frozenset[str]) -> str:
    """Return the one name in a set of one."""
    (name,) = names
    return name
