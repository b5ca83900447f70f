"""Windings from three resistances between a motor's three terminals: C, S and R, open and shorted windings.

In a single-phase compressor the start winding lies between C and S, the run winding between C and R; between R and S
both are in series. So R–S = C–S + C–R exactly, and because the start winding has the higher resistance,
R–S > C–S > C–R (the names are the trade's, from memory). Where the readings leave a role open, it is not guessed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import partial
from math import hypot

from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Verdict
from meterlink.judge.estimates import COVERAGE_FACTOR, Estimate, repeatability_uncertainty
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy

# Zeroed test leads read less than this; the run winding of even a large compressor reads more. Common practice, no
# source: a setting.
SHORTED_BELOW = Amount(Decimal("0.1"), "Ω")

# The phases of a sound three-phase motor differ by less than this share of their mean. Common practice, no source.
_BALANCED = 0.05

_ROLES = ("C", "S", "R")
_SHORT_BETWEEN = {
    frozenset("CS"): "the start winding is shorted",
    frozenset("CR"): "the run winding is shorted",
    frozenset("SR"): "S and R are bridged",
}
_NOT_SEEN = "Turns shorted among themselves keep this sum: compare with the maker's resistances."


@dataclass(frozen=True, slots=True)
class WindingsResult:
    """The result of three readings.

    ``verdict`` is None where they do not decide it. ``terminals_by_role`` maps each identified role (C, S, R) to the
    name of its terminal. ``sum_error`` is the largest reading minus the sum of the other two, ``sum_uncertainty`` its
    expanded uncertainty from the meter, both in Ω; None where a reading is an overload.
    """

    verdict: Verdict | None
    headline: str
    reason: str
    terminals_by_role: Mapping[str, str] = field(default_factory=dict)
    sum_error: float | None = None
    sum_uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class _Between:
    """One reading between two terminals; ``ohms`` and ``estimate`` are None for an overload.

    Readings with the same ``origin`` are of one meter on one range.
    """

    ends: frozenset[str]
    ohms: Decimal | None
    step: Decimal
    origin: tuple[Decimal, int]
    estimate: Estimate | None

    @property
    def value(self) -> Estimate:
        if self.estimate is None:
            raise AssertionError("overloads are dealt with before values are compared")
        return self.estimate

    @property
    def shown(self) -> str:
        return "OL" if self.ohms is None else f"{self.ohms:f} Ω"

    def __str__(self) -> str:
        return "–".join(sorted(self.ends))


def identify_windings(
    measurements: Sequence[tuple[str, str, MeasuredValue]],
    accuracy: AccuracyLine | None = None,
    shorted_below: Amount = SHORTED_BELOW,
    *,
    same_meter: bool = True,
) -> WindingsResult:
    """Identify the windings from three resistances: ``(terminal, terminal, value)`` each, in any order, with any names.

    The sum adds up when its error is at most the meter's expanded uncertainty (k = 2, JCGM 100, 6.3.3). Readings on one
    range share the meter's gain and zero error: two of them differ when their difference exceeds the repeatability of
    the display, and one zero error stays in the sum. Readings on several ranges are taken as independent, and so are
    all readings without ``same_meter``. With the names C, S and R, an open or shorted winding is named by them. Up to
    ``shorted_below`` a pair is shorted.

    Three equal readings are a sound three-phase motor, unless the terminals are marked C, S and R.

    Raises:
        InputError: there are not three terminals with each pair read once, a value is not in ohms, or it is negative.
    """
    line = accuracy or assumed_accuracy(Quantity.RESISTANCE)
    pairs = _pairs(measurements, line, one_meter=same_meter)
    names = sorted(set().union(*(pair.ends for pair in pairs)))
    marked = {name.upper(): name for name in names} if {name.upper() for name in names} == set(_ROLES) else {}
    conducting = [pair for pair in pairs if pair.ohms is not None]
    if len(conducting) < len(pairs):
        return _with_overload(pairs, conducting, names, marked)
    low, middle, high = sorted(pairs, key=lambda pair: pair.ohms or Decimal(0))
    if low.ohms is not None and low.ohms <= shorted_below.to("Ω"):
        return _shorted(low, middle, marked)
    return _conducting(low, middle, high, marked, line)


def _pairs(
    readings: Sequence[tuple[str, str, MeasuredValue]], line: AccuracyLine, *, one_meter: bool
) -> list[_Between]:
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
            _Between(frozenset((one, other)), ohms, step, origin, Estimate.from_measured_value(measured, line))
        )
    ends = {pair.ends for pair in pairs}
    if len(pairs) != 3 or len(ends) != 3 or any(len(each) != 2 for each in ends) or len(frozenset().union(*ends)) != 3:
        raise InputError(
            "Windings need one reading between each two of three terminals.", "Write 1-2=4.0ohm 2-3=1.0ohm 1-3=5.0ohm."
        )
    return pairs


def _with_overload(
    pairs: Sequence[_Between], conducting: Sequence[_Between], names: Sequence[str], marked: Mapping[str, str]
) -> WindingsResult:
    if not conducting:
        return WindingsResult(
            Verdict.OPEN,
            "OPEN BETWEEN ALL TERMINALS",
            "Nothing conducts between any two terminals: both windings open, or the probes are not on the terminals. "
            "An open internal protector alone would leave R–S reading.",
        )
    if len(conducting) == 2:
        (dead,) = (pair for pair in pairs if pair.ohms is None)
        return WindingsResult(
            Verdict.NO_CONTACT,
            f"NO CONTACT ON {dead}",
            f"{dead} cannot be open while {conducting[0]} and {conducting[1]} conduct: a probe was off its terminal, "
            "or the sum is above the meter's range. Read it again.",
        )
    (left,) = conducting
    (alone,) = set(names) - left.ends
    role = next((role for role, name in marked.items() if name == alone), None)
    headline = f"OPEN TO {alone}"
    protector = (
        "an open internal protector (or its common lead): let the motor cool, which can take hours, and read again "
        "before condemning it"
    )
    match role:
        case "C":
            reason = f"R–S reads, and every path through C is open: {protector}."
        case "S":
            reason = "C–R reads, and every path to S is open: open start winding."
        case "R":
            reason = "C–S reads, and every path to R is open: open run winding."
        case _:
            reason = (
                f"Only {left} reads. If {alone} is C, this is {protector}. If {alone} is S or R, its winding is open. "
                "The diagram on the terminal cover tells which."
            )
    return WindingsResult(Verdict.OPEN, headline, reason)


def _shorted(low: _Between, middle: _Between, marked: Mapping[str, str]) -> WindingsResult:
    if _alike(low, middle):
        what = "and so does another pair: do the probes touch each other?"
    else:
        roles = frozenset(role for role, name in marked.items() if name in low.ends)
        what = f"{_SHORT_BETWEEN.get(roles, 'a winding there is shorted, or S and R are bridged')}."
    reason = f"{low} reads {low.shown}, what the test leads alone read: {what}"
    return WindingsResult(Verdict.SHORTED, f"SHORTED BETWEEN {low}", reason)


def _conducting(
    low: _Between, middle: _Between, high: _Between, marked: Mapping[str, str], line: AccuracyLine
) -> WindingsResult:
    ohms = [pair.ohms or Decimal(0) for pair in (low, middle, high)]
    error = float(ohms[2] - ohms[1] - ohms[0])
    allowed = COVERAGE_FACTOR * _sum_u((low, middle, high), error, line)
    adds_up = abs(error) <= allowed
    mean = float(sum(ohms, Decimal(0))) / 3
    all_alike = _alike(low, high) or float(ohms[2] - ohms[0]) <= _BALANCED * mean
    say = partial(WindingsResult, sum_error=error, sum_uncertainty=allowed)
    total = f"{middle} and {low} make {ohms[0] + ohms[1]:f} Ω"
    if all_alike and not adds_up:
        return say(
            Verdict.OUTSIDE if marked else Verdict.WITHIN,
            "THREE EQUAL READINGS",
            "Three equal readings fit a balanced three-phase motor. A single-phase one never reads so: its R–S is the "
            "sum of the other two. Turns shorted in all phases alike would not show.",
        )
    if not adds_up:
        leads = "Leads that were not zeroed add their own resistance to each reading. " if error < 0 else ""
        return say(
            Verdict.OUTSIDE,
            "OUTSIDE: DOES NOT ADD UP",
            f"{high} reads {high.shown}, but {total}; the meter may be off by {allowed:.2g} Ω on this. {leads}"
            "Read all three again with the leads zeroed. If it stays, this is no C–S–R set, or a three-phase motor "
            "with a winding off.",
        )
    if all_alike or _alike(middle, high):
        return say(
            None,
            "CANNOT TELL",
            f"These readings lie too close for this meter: it may be off by {allowed:.2g} Ω on their sum. Use one with "
            "a finer ohms range, leads zeroed.",
        )
    terminals = {"C": _only(low.ends & middle.ends)}
    adds = f"{total}, and {high} reads {high.shown}: it adds up (the meter may be off by {allowed:.2g} Ω on this)"
    if _alike(low, middle):
        return say(
            Verdict.WITHIN,
            f"WITHIN: C = {terminals['C']}, S AND R NOT TOLD APART",
            f"{adds}. {middle} and {low} read alike, so which of them is the start winding these readings do not say. "
            f"{_NOT_SEEN}",
            terminals,
        )
    swapped = ""
    terminals |= {"S": _only(middle.ends & high.ends), "R": _only(low.ends & high.ends)}
    reason = f"{adds}, and {middle} is the larger of the two: the start winding. {_NOT_SEEN}"
    if marked and terminals != marked:
        swapped = ", NOT AS MARKED"
        reason = f"The readings contradict the marking of the terminals: is a lead or a name swapped? {reason}"
    shown = ", ".join(f"{role} = {terminals[role]}" for role in _ROLES)
    return say(Verdict.WITHIN, f"WITHIN: {shown}{swapped}", reason, terminals)


def _alike(one: _Between, other: _Between) -> bool:
    """Return whether the uncertainty of the meter covers the difference of the two readings."""
    u = [
        repeatability_uncertainty(each.step) if one.origin == other.origin else each.value.standard_uncertainty
        for each in (one, other)
    ]
    return abs(other.value.value - one.value.value) <= COVERAGE_FACTOR * hypot(*u)


def _sum_u(pairs: Sequence[_Between], error: float, line: AccuracyLine) -> float:
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


def _only(names: frozenset[str]) -> str:
    (name,) = names
    return name
