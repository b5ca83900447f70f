"""Facts about a motor's windings: between C, S and R, and to the frame."""

from collections.abc import Callable
from decimal import Decimal
from math import hypot

from meterlink.core.units import BASE_UNIT, Quantity, to_base
from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence, make_positive_evidence
from meterlink.diagnosis.facts_readings import describe_point, earlier_reading_agrees
from meterlink.diagnosis.observations import Observation, PointReadings
from meterlink.diagnosis.subjects import TERMINAL_PAIRS, MotorWindings
from meterlink.judge.electrical.insulation import insulation_limits
from meterlink.judge.electrical.windings import SHORTED_BELOW
from meterlink.judge.estimates import COVERAGE_FACTOR, Estimate

_OHM = BASE_UNIT[Quantity.RESISTANCE]

# Leads that were not zeroed add their own resistance once to R–S and twice to the sum of the other two. Common
# practice, no source: a pair of test leads has 0.1 to 0.3 Ω.
_LEAD_OHMS = 0.3
# What the insulation of a cold, flooded or damp compressor may lose without a fault that stays: a factor of ten.
# Common practice, no source.
_DAMP_FACTOR = 10


def _latest(windings: MotorWindings, pair: str) -> Observation | None:
    takes = windings.pairs.get(pair)
    return takes.latest if takes else None


def _register_pair_facts(pair: str) -> None:
    def conducts(windings: MotorWindings) -> Evidence:
        latest = _latest(windings, pair)
        if latest is None:
            return UNKNOWN
        return make_evidence(latest.measured.digits is not None, f"{pair} reads {latest.text}.", latest)

    def overloads(windings: MotorWindings) -> Evidence:
        latest = _latest(windings, pair)
        if latest is None:
            return UNKNOWN
        return make_evidence(latest.measured.digits is None, f"{pair} overloads: nothing conducts there.", latest)

    conducts.__doc__ = f"The newest reading between {pair} has a value."
    overloads.__doc__ = f"The newest reading between {pair} is an overload."
    fact(MotorWindings, f"{pair} conducts")(conducts)
    fact(MotorWindings, f"{pair} overloads")(overloads)


for _pair in TERMINAL_PAIRS:
    _register_pair_facts(_pair)


@fact(MotorWindings, "one pair alone overloads")
def _one_pair_overloads(windings: MotorWindings) -> Evidence:
    """One of the three pairs is an overload, and the other two conduct."""
    read = [_latest(windings, pair) for pair in TERMINAL_PAIRS]
    if None in read:
        return UNKNOWN
    shown = ", ".join(f"{pair} {each.text}" for pair, each in zip(TERMINAL_PAIRS, read, strict=True) if each)
    return make_evidence(
        sum(each is not None and each.measured.digits is None for each in read) == 1, f"{shown}.", *read
    )


@fact(MotorWindings, "an earlier take of every open pair agrees")
def _earlier_opens_agree(windings: MotorWindings) -> Evidence:
    """Every pair that overloads did so in an earlier take as well."""
    dead = [takes for takes in windings.pairs.values() if takes.latest and takes.latest.measured.digits is None]
    told = [earlier_reading_agrees(takes) for takes in dead]
    if not told or any(each.holds is None for each in told):
        return UNKNOWN
    rests_on = frozenset[int]().union(*(each.reading_numbers for each in told))
    return Evidence(all(each.holds for each in told), "Each open pair was read open before as well.", rests_on)


@fact(MotorWindings, "a winding reads next to nothing")
def _shorted(windings: MotorWindings) -> Evidence:
    """A pair reads 0.1 Ω or less, or is judged shorted: what zeroed test leads read."""
    return _any_pair(
        windings,
        lambda _, each: each.verdict is Verdict.SHORTED or _ohms(each) <= SHORTED_BELOW.to(_OHM),
        "what the test leads alone read",
    )


@fact(MotorWindings, "a winding reads below its low limit")
def _low(windings: MotorWindings) -> Evidence:
    """A pair reads below the limits somebody took from the maker's sheet, but more than the leads alone."""
    return _any_pair(windings, lambda takes, each: _outside(takes, each, low=True), "below its low limit")


@fact(MotorWindings, "a winding reads above its high limit")
def _high(windings: MotorWindings) -> Evidence:
    """A pair reads above the limits somebody took from the maker's sheet."""
    return _any_pair(windings, lambda takes, each: _outside(takes, each, low=False), "above its high limit")


@fact(MotorWindings, "a winding that is out is a close call")
def _close(windings: MotorWindings) -> Evidence:
    """The meter's own uncertainty straddles the limit of a pair that is outside."""
    return _any_pair(windings, lambda _, each: _is_close(each), "a close call for this meter")


def _is_close(observation: Observation) -> bool:
    judgement = observation.judgement
    out = {Verdict.OUTSIDE, Verdict.UNDECIDED}
    return judgement is not None and judgement.verdict in out and judgement.margin is Margin.CLOSE_CALL


def _ohms(observation: Observation) -> Decimal:
    """Return ohms; more than any winding for an overload."""
    digits = observation.measured.digits
    return Decimal("Infinity") if digits is None else to_base(digits, observation.measured.unit)


def _outside(point_readings: PointReadings, observation: Observation, *, low: bool) -> bool:
    limits, judgement = point_readings.limits, observation.judgement
    if limits is None or judgement is None or judgement.digits is None:
        return False
    edge = limits.low if low else limits.high
    return edge is not None and (judgement.digits < edge if low else judgement.digits > edge)


def _any_pair(
    windings: MotorWindings, holds: Callable[[PointReadings, Observation], bool], description: str
) -> Evidence:
    for pair, takes in windings.pairs.items():
        latest = takes.latest
        if latest is not None and latest.measured.digits is not None and holds(takes, latest):
            basis = f" ({takes.limits.basis})" if takes.limits else ""
            return make_positive_evidence(f"{pair} reads {latest.text}, {description}{basis}.", latest)
    return DOES_NOT_HOLD if windings.pairs else UNKNOWN


@fact(MotorWindings, "C–S and C–R make more than R–S")
def _sum_high(windings: MotorWindings) -> Evidence:
    """C–S + C–R is above R–S by more than the meter's uncertainty and 0.3 Ω of test leads that were not zeroed."""
    return _sum_evidence(windings, lambda error, allowed: error > allowed + _LEAD_OHMS)


@fact(MotorWindings, "C–S and C–R make less than R–S")
def _sum_low(windings: MotorWindings) -> Evidence:
    """C–S + C–R is below R–S by more than the meter's uncertainty."""
    return _sum_evidence(windings, lambda error, allowed: error < -allowed)


@fact(MotorWindings, "C–S and C–R make R–S")
def _sum_holds(windings: MotorWindings) -> Evidence:
    """C–S + C–R equals R–S within the meter's uncertainty (both windings in series), leads not zeroed allowed for."""
    return _sum_evidence(windings, lambda error, allowed: -allowed <= error <= allowed + _LEAD_OHMS)


def _sum_evidence(windings: MotorWindings, holds: Callable[[float, float], bool]) -> Evidence:
    read = [_latest(windings, pair) for pair in TERMINAL_PAIRS]
    values = [each.estimate for each in read if each is not None and each.estimate is not None]
    if len(values) < len(TERMINAL_PAIRS):
        return UNKNOWN
    start, run, both = values
    error, allowed = start.value + run.value - both.value, _allowed_error(values)
    text = (
        f"C–S {start.value:.3g} Ω and C–R {run.value:.3g} Ω make {start.value + run.value:.3g} Ω; R–S reads"
        f" {both.value:.3g} Ω, and the meter may be off by {allowed:.2g} Ω on this."
    )
    return make_evidence(holds(error, allowed), text, *read)


def _allowed_error(values: list[Estimate]) -> float:
    return COVERAGE_FACTOR * hypot(*(each.standard_uncertainty for each in values))


@fact(MotorWindings, "C–S reads less than C–R")
def _order(windings: MotorWindings) -> Evidence:
    """The start winding, which has the higher resistance by the trade's rule, reads less than the run winding."""
    start, run = (_latest(windings, pair) for pair in ("C–S", "C–R"))
    if start is None or run is None or start.estimate is None or run.estimate is None:
        return UNKNOWN
    apart = _allowed_error([start.estimate, run.estimate])
    text = f"C–S reads {start.text} and C–R {run.text}; the start winding has the higher resistance."
    return make_evidence(run.estimate.value - start.estimate.value > apart, text, start, run)


# To the frame.


def _minimum(windings: MotorWindings, point_readings: PointReadings) -> Limits:
    limits = point_readings.limits
    return limits if limits and limits.low is not None else insulation_limits(windings.case.ground_minimum)


def _readings_below_minimum(windings: MotorWindings) -> list[tuple[PointReadings, Observation, Estimate, float]]:
    """Return (point, reading, its value, the minimum in Ω) of every path to the frame below the minimum."""
    found = []
    for takes in windings.to_ground:
        latest, limits = takes.latest, _minimum(windings, takes)
        if latest is None or latest.estimate is None:
            continue  # an overload: as far as this meter's range reaches, no path
        least = float(to_base(limits.low or Decimal(0), limits.unit))
        if latest.estimate.value < least:
            found.append((takes, latest, latest.estimate, least))
    return found


@fact(MotorWindings, "a winding reads to ground below the minimum")
def _to_ground(windings: MotorWindings) -> Evidence:
    """A resistance to the frame is below the test point's low limit, else below the minimum set (1 MΩ)."""
    if not windings.to_ground:
        return UNKNOWN
    for takes, latest, _, _ in _readings_below_minimum(windings):
        return make_positive_evidence(
            f"{describe_point(takes)} reads {latest.text}, below {_minimum(windings, takes).basis}.", latest
        )
    return DOES_NOT_HOLD


@fact(MotorWindings, "the path to ground is below a tenth of the minimum")
def _far_below(windings: MotorWindings) -> Evidence:
    """A resistance to the frame is below a tenth of the minimum by more than the meter's uncertainty."""
    for takes, latest, value, least in _readings_below_minimum(windings):
        if value.value + value.expanded_uncertainty < least / _DAMP_FACTOR:
            return make_positive_evidence(
                f"{latest.text} at {takes.terminals_text} is below a tenth of the minimum.", latest
            )
    return DOES_NOT_HOLD


@fact(MotorWindings, "the path to ground is above a tenth of the minimum")
def _damp(windings: MotorWindings) -> Evidence:
    """Every resistance to the frame that is too low is still above a tenth of the minimum: damp, or flooded."""
    low = _readings_below_minimum(windings)
    if not low or any(value.value < least / _DAMP_FACTOR for _, _, value, least in low):
        return DOES_NOT_HOLD
    texts = ", ".join(f"{latest.text} at {takes.terminals_text}" for takes, latest, _, _ in low)
    text = f"{texts} is low, but not a tenth of the minimum: damp or liquid refrigerant on the windings can do that."
    return make_positive_evidence(text, *(latest for _, latest, _, _ in low))


@fact(MotorWindings, "two terminals read low to ground")
def _two_to_ground(windings: MotorWindings) -> Evidence:
    """A second terminal reads to ground below the minimum as well."""
    if len(windings.to_ground) < 2:
        return UNKNOWN
    low = _readings_below_minimum(windings)
    text = " and ".join(f"{takes.terminals_text} {latest.text}" for takes, latest, _, _ in low)
    return make_evidence(len(low) > 1, f"To ground: {text}.", *(latest for _, latest, _, _ in low))


@fact(MotorWindings, "another terminal reads no path to ground")
def _another_has_no_path(windings: MotorWindings) -> Evidence:
    """One terminal reads low to ground while another, joined to it by a winding that conducts, does not."""
    low = {takes.terminals_text for takes, *_ in _readings_below_minimum(windings)}
    good = [takes for takes in windings.to_ground if takes.terminals_text not in low and takes.latest]
    joined = bool(windings.pairs) and all(
        takes.latest and takes.latest.measured.digits is not None for takes in windings.pairs.values()
    )
    if not low or not good or not joined:
        return UNKNOWN
    latest = good[0].latest
    text = (
        f"{good[0].terminals_text} reads {latest.text if latest else ''} to ground, though the windings join the two."
    )
    return make_positive_evidence(text, latest)
