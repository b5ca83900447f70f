"""Facts about the windings of a motor, between C, S and R and to the frame."""

from collections.abc import Callable
from decimal import Decimal

from meterlink.core.units import BASE_UNIT, Quantity, to_base
from meterlink.core.verdicts import Limits, Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence, make_positive_evidence
from meterlink.diagnosis.facts_readings import describe_point, earlier_reading_agrees
from meterlink.diagnosis.observations import Observation, PointReadings, is_in_doubt
from meterlink.diagnosis.subjects import TERMINAL_PAIRS, MotorWindings
from meterlink.judge.electrical.insulation import insulation_limits
from meterlink.judge.electrical.winding_readings import SHORTED_BELOW, WindingSum, winding_sum, windings_alike
from meterlink.judge.estimates import Estimate
from meterlink.judge.judging import DAMP_FACTOR, format_decimal
from meterlink.judge.repeats import combine_readings

_OHM = BASE_UNIT[Quantity.RESISTANCE]


def _latest(windings: MotorWindings, pair: str) -> Observation | None:
    point_readings = windings.pairs.get(pair)
    return point_readings.latest if point_readings else None


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
        return make_evidence(latest.measured.digits is None, f"{pair} reads overload: nothing conducts there.", latest)

    conducts.__doc__ = f"The newest reading between {pair} is a value."
    overloads.__doc__ = f"The newest reading between {pair} is an overload."
    fact(MotorWindings, f"{pair} conducts")(conducts)
    fact(MotorWindings, f"{pair} reads overload")(overloads)


for _pair in TERMINAL_PAIRS:
    _register_pair_facts(_pair)


@fact(MotorWindings, "only one pair reads overload")
def _one_pair_overloads(windings: MotorWindings) -> Evidence:
    """One of the three pairs reads overload, and the other two conduct."""
    by_pair = {pair: _latest(windings, pair) for pair in TERMINAL_PAIRS}
    readings = [reading for reading in by_pair.values() if reading is not None]
    if len(readings) < len(TERMINAL_PAIRS):
        return UNKNOWN
    listed = ", ".join(f"{pair} {reading.text}" for pair, reading in by_pair.items() if reading)
    overloads = [reading for reading in readings if reading.measured.digits is None]
    return make_evidence(len(overloads) == 1, f"{listed}.", *readings)


@fact(MotorWindings, "an earlier reading of every open pair agrees")
def _earlier_opens_agree(windings: MotorWindings) -> Evidence:
    """Every pair that reads overload did so in an earlier reading, too."""
    open_pairs = [pair for pair in windings.pairs.values() if pair.latest and pair.latest.measured.digits is None]
    agreements = [earlier_reading_agrees(pair) for pair in open_pairs]
    if not agreements or any(evidence.holds is None for evidence in agreements):
        return UNKNOWN
    reading_numbers = frozenset[int]().union(*(evidence.reading_numbers for evidence in agreements))
    return Evidence(
        all(evidence.holds for evidence in agreements), "Each open pair read open before, too.", reading_numbers
    )


@fact(MotorWindings, "a winding reads almost zero")
def _shorted(windings: MotorWindings) -> Evidence:
    """A pair reads 0.1 Ω or less, like zeroed test leads alone, or is judged shorted."""
    return _any_pair(
        windings,
        lambda _, reading: reading.verdict is Verdict.SHORTED or _ohms(reading) <= SHORTED_BELOW.to(_OHM),
        "no more than the test leads alone",
    )


@fact(MotorWindings, "a winding reads below its low limit")
def _low(windings: MotorWindings) -> Evidence:
    """A pair reads below its low limit from the maker's sheet."""
    return _any_pair(
        windings,
        lambda point_readings, reading: _is_outside(point_readings, reading, low=True),
        "below its low limit",
    )


@fact(MotorWindings, "a winding reads above its high limit")
def _high(windings: MotorWindings) -> Evidence:
    """A pair reads above its high limit from the maker's sheet."""
    return _any_pair(
        windings,
        lambda point_readings, reading: _is_outside(point_readings, reading, low=False),
        "above its high limit",
    )


@fact(MotorWindings, "a winding outside its limits is a close call")
def _close(windings: MotorWindings) -> Evidence:
    """A pair is outside its limits by no more than the meter's error."""
    return _any_pair(windings, lambda _, reading: _is_close(reading), "a close call for this meter")


def _is_close(observation: Observation) -> bool:
    return observation.verdict is not Verdict.WITHIN and is_in_doubt(observation)


def _ohms(observation: Observation) -> Decimal:
    """Return the resistance in Ω; infinity for an overload."""
    digits = observation.measured.digits
    return Decimal("Infinity") if digits is None else to_base(digits, observation.measured.unit)


def _is_outside(point_readings: PointReadings, observation: Observation, *, low: bool) -> bool:
    limits, judgement = point_readings.limits, observation.judgement
    if limits is None or judgement is None or judgement.digits is None:
        return False
    edge = limits.low if low else limits.high
    return edge is not None and (judgement.digits < edge if low else judgement.digits > edge)


def _any_pair(
    windings: MotorWindings, holds: Callable[[PointReadings, Observation], bool], description: str
) -> Evidence:
    for pair, point_readings in windings.pairs.items():
        latest = point_readings.latest
        if latest is not None and latest.measured.digits is not None and holds(point_readings, latest):
            limits = f" (limits: {point_readings.limits.basis})" if point_readings.limits else ""
            return make_positive_evidence(f"{pair} reads {latest.text}, {description}{limits}.", latest)
    return DOES_NOT_HOLD if windings.pairs else UNKNOWN


@fact(MotorWindings, "C–S plus C–R is more than R–S")
def _sum_high(windings: MotorWindings) -> Evidence:
    """C–S + C–R is above R–S by more than the meter's error, and by more than leads that were not zeroed can add:
    0.5 Ω, or half the lowest reading.
    """
    return _sum_evidence(windings, lambda result: not result.adds_up and result.error < 0)


@fact(MotorWindings, "C–S plus C–R is less than R–S")
def _sum_low(windings: MotorWindings) -> Evidence:
    """C–S + C–R is below R–S by more than the meter's error."""
    return _sum_evidence(windings, lambda result: not result.adds_up and result.error > 0)


@fact(MotorWindings, "C–S plus C–R equals R–S")
def _sum_holds(windings: MotorWindings) -> Evidence:
    """C–S + C–R equals R–S (both windings in series), within the meter's error or with leads that were not zeroed:
    at most 0.5 Ω, and half the lowest reading.
    """
    return _sum_evidence(windings, lambda result: result.adds_up)


def _sum_evidence(windings: MotorWindings, holds: Callable[[WindingSum], bool]) -> Evidence:
    readings = [_latest(windings, pair) for pair in TERMINAL_PAIRS]
    start, run, series = (reading.meter_reading if reading and reading.estimate else None for reading in readings)
    if start is None or run is None or series is None:
        return UNKNOWN
    result = winding_sum(series, (start, run))
    ohms = [reading.estimate.value for reading in readings if reading and reading.estimate]
    text = (
        f"C–S {ohms[0]:.3g} Ω and C–R {ohms[1]:.3g} Ω make {ohms[0] + ohms[1]:.3g} Ω; R–S reads {ohms[2]:.3g} Ω."
        f" The meter's error here is up to {result.allowed:.2g} Ω."
    )
    return make_evidence(holds(result), text, *readings)


@fact(MotorWindings, "C–S reads less than C–R")
def _order(windings: MotorWindings) -> Evidence:
    """The start winding reads less than the run winding, though it has the higher resistance by the trade's rule."""
    start, run = (_latest(windings, pair) for pair in ("C–S", "C–R"))
    if start is None or run is None or start.estimate is None or run.estimate is None:
        return UNKNOWN
    lower = start.estimate.value < run.estimate.value
    text = f"C–S reads {start.text} and C–R {run.text}, but the start winding should have the higher resistance."
    return make_evidence(lower and not windings_alike(start.meter_reading, run.meter_reading), text, start, run)


# To the frame.


def _minimum(windings: MotorWindings, point_readings: PointReadings) -> Limits:
    limits = point_readings.limits
    return limits if limits and limits.low is not None else insulation_limits(windings.case.ground_minimum)


def _readings_below_minimum(windings: MotorWindings) -> list[tuple[PointReadings, Observation, Estimate, float]]:
    """Return ``[(point, reading, its value, the minimum in Ω)]`` of every path to the frame below the minimum."""
    below = []
    for point_readings in windings.to_ground:
        latest, limits = point_readings.latest, _minimum(windings, point_readings)
        if latest is None or latest.estimate is None:
            continue  # an overload: no path within the meter's range
        minimum = float(to_base(limits.low or Decimal(0), limits.unit))
        if latest.estimate.value < minimum:
            below.append((point_readings, latest, latest.estimate, minimum))
    return below


@fact(MotorWindings, "a winding reads to ground below the minimum")
def _to_ground(windings: MotorWindings) -> Evidence:
    """A resistance to the frame is below the low limit of its test point, else below the minimum setting (1 MΩ)."""
    if not windings.to_ground:
        return UNKNOWN
    for point_readings, latest, _, _ in _readings_below_minimum(windings):
        minimum = _minimum(windings, point_readings)
        text = (
            f"{describe_point(point_readings)} reads {latest.text}, below the minimum of"
            f" {format_decimal(minimum.low or Decimal(0))} {minimum.unit}."
        )
        return make_positive_evidence(text, latest)
    return DOES_NOT_HOLD


@fact(MotorWindings, "the path to ground is below a tenth of the minimum")
def _far_below(windings: MotorWindings) -> Evidence:
    """A resistance to the frame is below a tenth of the minimum by more than the meter's error."""
    for point_readings, latest, value, minimum in _readings_below_minimum(windings):
        uncertainty = combine_readings([latest.meter_reading], _OHM).expanded_uncertainty
        if value.value + uncertainty < minimum / DAMP_FACTOR:
            text = f"{latest.text} at {point_readings.terminals_text} is below a tenth of the minimum."
            return make_positive_evidence(text, latest)
    return DOES_NOT_HOLD


@fact(MotorWindings, "the path to ground is above a tenth of the minimum")
def _damp(windings: MotorWindings) -> Evidence:
    """Every resistance to the frame below the minimum is still above a tenth of it: damp, or flooded."""
    low = _readings_below_minimum(windings)
    if not low or any(value.value < minimum / DAMP_FACTOR for _, _, value, minimum in low):
        return DOES_NOT_HOLD
    listed = ", ".join(f"{latest.text} at {point_readings.terminals_text}" for point_readings, latest, _, _ in low)
    text = (
        f"{listed}: below the minimum, but above a tenth of it. Damp or liquid refrigerant on the windings can cause"
        " this."
    )
    return make_positive_evidence(text, *(latest for _, latest, _, _ in low))


@fact(MotorWindings, "two terminals read low to ground")
def _two_to_ground(windings: MotorWindings) -> Evidence:
    """Two terminals or more read to ground below the minimum."""
    if len(windings.to_ground) < 2:
        return UNKNOWN
    low = _readings_below_minimum(windings)
    listed = " and ".join(f"{point_readings.terminals_text} {latest.text}" for point_readings, latest, _, _ in low)
    return make_evidence(len(low) > 1, f"Low to ground: {listed}.", *(latest for _, latest, _, _ in low))


@fact(MotorWindings, "another terminal reads no path to ground")
def _another_has_no_path(windings: MotorWindings) -> Evidence:
    """One terminal reads low to ground, and another one, connected to it by a winding that conducts, does not."""
    low = {point_readings.terminals_text for point_readings, *_ in _readings_below_minimum(windings)}
    good = [
        point_readings
        for point_readings in windings.to_ground
        if point_readings.terminals_text not in low and point_readings.latest
    ]
    connected = bool(windings.pairs) and all(
        pair.latest and pair.latest.measured.digits is not None for pair in windings.pairs.values()
    )
    if not low or not good or not connected:
        return UNKNOWN
    latest = good[0].latest
    text = (
        f"{good[0].terminals_text} reads {latest.text if latest else ''} to ground, though the windings connect the two"
        " terminals."
    )
    return make_positive_evidence(text, latest)
