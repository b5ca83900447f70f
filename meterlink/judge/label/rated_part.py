"""The rating of a run or start capacitor, and the limits that follow from it."""

from dataclasses import dataclass, field
from decimal import Decimal

from meterlink.core.equipment import Rating, Span
from meterlink.core.units import Amount
from meterlink.core.verdicts import Limits
from meterlink.judge.judging import format_decimal
from meterlink.judge.label.glued_digits import spell_glued_capacitance
from meterlink.judge.label.usual_values import (
    CONTINUOUS_VOLTS,
    USUAL_MICROFARADS,
    USUAL_VOLTS,
    CapacitorKind,
    is_made_dual,
    is_made_range,
    is_made_single,
    is_made_tolerance,
    is_made_volts,
)
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE, Tolerance, parse_tolerance

# The sections of a dual run capacitor: the larger one is the compressor's. Common practice, no source.
DUAL_SECTION_NAMES = ("HERM", "FAN")

# Tolerance of a start capacitor marked with one value and no tolerance. Common practice, no source.
DEFAULT_START_TOLERANCE = "-0/+20 %"

AS_PRINTED = "as printed"  # words behind a rating: its numbers are right, although they are on no usual part

# IEC 60252-1 counts a run capacitor as failed in its endurance test when it has drifted 10 % beyond its tolerance:
# a ±5 % part near -15 %. This is the end of its life, not its marked limit.
_BEYOND_TOLERANCE = Decimal(10)


@dataclass(frozen=True, slots=True)
class RatedPart:
    """A capacitor's rating as marked on it.

    ``sections`` are one or two rated values in µF, the larger first; empty for a capacitor marked with a range, which
    is then ``marked_range``. ``tolerance`` is None where none is printed. ``volts`` (AC) and ``hertz`` list every
    printed value, ascending; a part marked 370/440 V may be used at both, so its voltage rating is the highest.
    ``unused_words`` are words of the label that are not part of the rating, to be shown as unused.
    """

    sections: tuple[Amount, ...]
    marked_range: Span | None = None
    tolerance: Tolerance | None = None
    volts: tuple[Decimal, ...] = ()
    hertz: tuple[Decimal, ...] = ()
    kind: CapacitorKind | None = None
    unused_words: tuple[str, ...] = field(default=(), compare=False)

    @property
    def section_names(self) -> tuple[str, ...]:
        """``("HERM", "FAN")`` for a dual capacitor, otherwise one empty name."""
        return DUAL_SECTION_NAMES if len(self.sections) == 2 else ("",)

    @property
    def max_volts(self) -> Decimal | None:
        """The highest AC voltage for the part, None where none is printed."""
        return max(self.volts, default=None)

    def ratings(self) -> tuple[Rating, ...]:
        """Return the rating of each section, for a test point; empty for a marked range."""
        tolerance = None if self.tolerance is None else str(self.tolerance)
        if tolerance is None and self.kind is CapacitorKind.START:
            tolerance = DEFAULT_START_TOLERANCE
        return tuple(Rating(value, tolerance) for value in self.sections)

    def limits(self, default_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE) -> tuple[Limits, ...]:
        """Return the limits of each section, or of the marked range, in µF.

        ``default_tolerance`` applies where none is printed, unless the part is a start capacitor (-0/+20 %).

        Raises:
            InputError: ``default_tolerance`` is not understood.
        """
        if self.marked_range is not None:
            return (span_limits(self.marked_range),)
        return tuple(rated_limits(rating, default_tolerance) for rating in self.ratings())

    def end_of_life_limits(self, default_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE) -> tuple[Limits, ...]:
        """Return the limits in µF beyond which IEC 60252-1 counts a run capacitor as failed, for each section.

        Empty for a start capacitor, which the standard does not cover, for a marked range, and for a part of unknown
        kind above the values of run capacitors.

        Raises:
            InputError: ``default_tolerance`` is not understood.
        """
        largest = USUAL_MICROFARADS[CapacitorKind.RUN][1]
        if self.kind is CapacitorKind.START or self.marked_range is not None:
            return ()
        if self.kind is None and self.sections[0].digits > largest:
            return ()
        return tuple(_beyond(limits) for limits in self.limits(default_tolerance))

    @property
    def is_plausible(self) -> bool:
        """Whether parts are made with every one of these numbers; where not, a digit may have been read wrongly."""
        if self.marked_range is not None:
            low, high = self.marked_range.low, self.marked_range.high
            has_made_values = low is not None and high is not None and is_made_range(low, high)
        elif len(self.sections) == 2:
            has_made_values = is_made_dual(self.sections[0].digits, self.sections[1].digits)
        else:
            value = self.sections[0].digits
            is_run = (self.kind or implied_kind(self)) is CapacitorKind.RUN
            has_made_values = is_made_single(value) or (not is_run and _is_made_start(value))
        tolerance = self.tolerance
        has_made_tolerance = (
            tolerance is None or tolerance.unit != "%" or is_made_tolerance(tolerance.minus, tolerance.plus)
        )
        return has_made_values and has_made_tolerance and all(map(is_made_volts, self.volts))

    def unusual_values(self) -> tuple[str, ...]:
        """Return a sentence for each value outside the usual values of such parts, which may be a typing error."""
        kinds = [self.kind] if self.kind else list(CapacitorKind)
        low = min(USUAL_MICROFARADS[kind][0] for kind in kinds)
        high = max(USUAL_MICROFARADS[kind][1] for kind in kinds)
        what = f"{self.kind} capacitors" if self.kind else "run and start capacitors"
        values = [limits.nominal for limits in self.limits() if limits.nominal is not None]
        strange = [
            f"{format_decimal(value)} µF is unusual: {what} are mostly {low} to {high} µF."
            for value in values
            if not low <= value <= high
        ]
        least, most = USUAL_VOLTS
        strange += [
            f"{format_decimal(volts)} V is unusual for such a part."
            for volts in self.volts
            if not least <= volts <= most
        ]
        return tuple(strange)

    def __str__(self) -> str:
        if self.marked_range is not None:
            parts = [str(self.marked_range)]
        else:
            parts = ["+".join(format_decimal(value.digits) for value in self.sections) + " µF"]
        if self.tolerance is not None:
            parts.append(str(self.tolerance))
        if self.volts:
            parts.append("/".join(map(format_decimal, self.volts)) + " V")
        if self.hertz:
            parts.append("/".join(map(format_decimal, self.hertz)) + " Hz")
        if self.kind is not None and self.kind is not implied_kind(self):
            parts.append(self.kind)
        if not self.is_plausible:
            parts.append(AS_PRINTED)
        return " ".join(parts)


def _is_made_start(microfarads: Decimal) -> bool:
    # Of one value instead of a range, some are made with any number that is not a usual one with a sign lost: 455.
    low, high = USUAL_MICROFARADS[CapacitorKind.START]
    return (
        low <= microfarads <= high
        and microfarads % 1 == 0
        and not list(spell_glued_capacitance(f"{microfarads.normalize():f}"))
    )


def implied_kind(part: RatedPart) -> CapacitorKind | None:
    """Return the kind that the numbers imply, None where they imply none.

    Two sections or 370 V and more: run. A marked range or -0/+20 %: start; a marked range with 370 V and more: neither.
    Common practice, no source.
    """
    continuous = max(part.volts, default=Decimal(0)) >= CONTINUOUS_VOLTS
    if part.marked_range is not None:
        return None if continuous else CapacitorKind.START
    if len(part.sections) == 2 or continuous:
        return CapacitorKind.RUN
    if part.tolerance is not None and part.tolerance == parse_tolerance(DEFAULT_START_TOLERANCE, part.sections[0]):
        return CapacitorKind.START
    return None


def _beyond(limits: Limits) -> Limits:
    low, high, rated = limits.low, limits.high, limits.nominal
    assert low is not None and high is not None and rated is not None  # noqa: S101, PT018  # a rating or a range has all three
    more = rated * _BEYOND_TOLERANCE / 100
    basis = f"{limits.basis} and {_BEYOND_TOLERANCE} % beyond (IEC 60252-1)"
    return Limits(max(low - more, Decimal(0)), high + more, limits.unit, basis, rated)
