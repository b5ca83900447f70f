"""Windings of a three-phase motor: three equal windings in star or in delta.

In a sound motor the three readings are equal, in star and in delta. One fault shows in them so (circuit theory):

========================  ======================================  =============================================
fault                     star                                    delta
========================  ======================================  =============================================
winding or lead open      its terminal open to both others        the pair of the winding reads twice the others
shorted turns             the two pairs with its terminal low     the pair of the winding low
bad joint                 the two pairs with its terminal high    the pair of the winding high
star point, protector     all open                                -
========================  ======================================  =============================================
"""

from collections.abc import Sequence
from decimal import Decimal
from functools import partial

from meterlink.core.verdicts import Verdict
from meterlink.judge.electrical.winding_readings import (
    PairReading,
    alike,
    conducting_pair_missed,
    only_name,
    winding_sum,
)
from meterlink.judge.electrical.windings_result import WindingsResult
from meterlink.judge.estimates import difference_uncertainty
from meterlink.judge.judging import MOST_UNCERTAINTY
from meterlink.judge.uncertainty import COVERAGE_FACTOR

# The windings of a sound three-phase motor differ by less than this share of their mean. Common practice, no source.
MOST_SPREAD = 0.05


def judge_three_phase(pairs: Sequence[PairReading], shorted_below: Decimal) -> WindingsResult:
    """Judge three readings as those of a three-phase motor; ``shorted_below`` is in Ω."""
    conducting = [pair for pair in pairs if pair.ohms is not None]
    if len(conducting) < len(pairs):
        return _with_overload(pairs, conducting)
    low, middle, high = sorted(pairs, key=lambda pair: pair.ohms or Decimal(0))
    if low.ohms is not None and low.ohms <= shorted_below:
        return _near_zero(low, high, shorted_below)
    return _conducting(low, middle, high)


def _with_overload(pairs: Sequence[PairReading], conducting: Sequence[PairReading]) -> WindingsResult:
    if not conducting:
        reason = (
            "Nothing conducts between any two terminals: the star point or the internal protector is open, the leads "
            "are off, or the probes are not on the terminals. If the motor is hot, let it cool, which can take hours, "
            "and read again before condemning it."
        )
        return WindingsResult(Verdict.OPEN, "OPEN BETWEEN ALL TERMINALS", reason)
    if missed := conducting_pair_missed(pairs, or_above_range=False):
        return missed
    (left,) = conducting
    alone = only_name(frozenset().union(*(pair.ends for pair in pairs)) - left.ends)
    reason = f"Only {left} reads: the winding of {alone}, its lead or its connection to the star point is open."
    return WindingsResult(Verdict.OPEN, f"OPEN TO {alone}", reason)


def _near_zero(low: PairReading, high: PairReading, shorted_below: Decimal) -> WindingsResult:
    if high.ohms is not None and high.ohms <= shorted_below:
        reason = (
            "All three read no more than the test leads alone: the windings of a large motor, or probes that touch. "
            "A meter that shows milliohms with four leads tells."
        )
        return WindingsResult(Verdict.CANNOT_TELL, "CANNOT TELL", reason)
    reason = f"{low} reads {low.shown}, no more than the test leads alone: a shorted winding, or probes that touch."
    return WindingsResult(Verdict.SHORTED, f"SHORTED BETWEEN {low}", reason)


def _conducting(low: PairReading, middle: PairReading, high: PairReading) -> WindingsResult:
    ohms = [pair.ohms or Decimal(0) for pair in (low, middle, high)]
    error, sum_allowed, *_ = winding_sum(high.reading, (low.reading, middle.reading))
    say = partial(WindingsResult, sum_error=error, sum_uncertainty=sum_allowed)
    mean = float(sum(ohms, Decimal(0))) / 3
    spread = float(ohms[2] - ohms[0]) / mean
    doubt = COVERAGE_FACTOR * difference_uncertainty(low.reading, high.reading) / mean
    shares = f"they differ by {100 * spread:.2g} % of their mean; up to {100 * MOST_SPREAD:.0f} % is sound"
    # Beyond the spread of sound windings by more than the doubt, they are unequal on any display: 0.6, 0.6, 1.2.
    may_be_equal = spread - doubt <= MOST_SPREAD
    if may_be_equal and (doubt > float(MOST_UNCERTAINTY) * MOST_SPREAD or (spread > MOST_SPREAD and alike(low, high))):
        reason = (
            f"The display is too coarse for these readings: it alone may make {100 * doubt:.2g} % between them, and "
            f"{shares}. Use a finer ohms range, leads zeroed."
        )
        return say(Verdict.CANNOT_TELL, "CANNOT TELL", reason)
    if spread <= MOST_SPREAD:
        reason = f"Three equal windings: {shares}. Turns shorted in all phases alike would not show."
        return say(Verdict.WITHIN, "WITHIN: THREE EQUAL WINDINGS", reason)
    if _equal(low, middle) and abs(error) <= max(sum_allowed, MOST_SPREAD * mean):
        reason = (
            f"{high} reads {high.shown}, the sum of the other two, which are equal: in delta the winding between "
            f"{high} is open, and these are the other two windings in series."
        )
        return say(Verdict.OPEN, f"OPEN: WINDING {high}", reason)
    return say(Verdict.OUTSIDE, *_unequal(low, middle, high, shares))


def _equal(one: PairReading, other: PairReading) -> bool:
    """Return whether two windings may be equal: within the meter's repeatability or the spread of sound ones."""
    apart = abs(one.value - other.value)
    return alike(one, other) or apart <= MOST_SPREAD * (one.value + other.value) / 2


def _unequal(low: PairReading, middle: PairReading, high: PairReading, shares: str) -> tuple[str, str]:
    """Return ``(headline, reason)`` of three readings that conduct and are not equal."""
    if _equal(middle, high):
        at = only_name(middle.ends & high.ends)
        causes = f"in delta, turns of the winding between {low} are shorted; in star, a joint of {at} is bad"
        return f"OUTSIDE: {low} LOW", f"{low} reads {low.shown}, the others {high.shown}: {causes}. In all, {shares}."
    if _equal(low, middle):
        at = only_name(low.ends & middle.ends)
        causes = f"in star, turns of the winding of {at} are shorted; in delta, a joint of the winding {high} is bad"
        return (
            f"OUTSIDE: {high} HIGH",
            f"{high} reads {high.shown}, the others {low.shown}: {causes}. In all, {shares}.",
        )
    reason = f"{low.shown}, {middle.shown} and {high.shown}: turns are shorted, or a joint is bad. In all, {shares}."
    return "OUTSIDE: NOT EQUAL", reason
