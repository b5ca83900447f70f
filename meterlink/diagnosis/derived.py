"""Judgements worked out of several held readings: unbalance, capacitance under load, windings, temperature split.

Which readings belong together, and what they are held against, is a plan's `DerivedCheck`; each is judged by the
function that judges the same numbers typed in. The rule is simple acceptance, as there.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.equipment import Derivation, DerivedCheck, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.units import BASE_UNIT, Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.diagnosis.observations import Observation, Takes
from meterlink.judge.electrical.capacitance import ASSUMED_FREQUENCY_HALF_WIDTH, judge_under_load
from meterlink.judge.electrical.split import DEFAULT_SPLIT, judge_split
from meterlink.judge.electrical.unbalance import DEFAULT_LIMIT, derating, derating_words, judge_unbalance, unbalance
from meterlink.judge.electrical.windings import read_windings
from meterlink.judge.estimates import Estimate, significant
from meterlink.judge.judging import plain
from meterlink.judge.limits import rated_limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.judge.uncertainty import AccuracyLine

FAILED = {Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED}


@dataclass(frozen=True, slots=True)
class Derived:
    """What a check says of the readings held so far.

    ``verdict`` is None where it says nothing: inputs are ``missing``, or the readings cannot be or do not tell, which
    ``text`` then says. ``value`` is the figure in a few words (``2.41 %``), ``text`` one or two sentences with the
    numbers, ``basis`` what it is held against and how it is worked out. ``margin`` is None where none was taken.
    """

    check: DerivedCheck
    verdict: Verdict | None
    margin: Margin | None
    value: str
    text: str
    basis: str
    missing: tuple[str, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether it is outside, open or shorted."""
        return self.verdict in FAILED


@dataclass(frozen=True, slots=True)
class Inputs:
    """What there is to work with: the test points with their readings by key, and what each is held against."""

    takes: Mapping[str, Takes]
    limits: Mapping[str, Limits | None]
    capacitor_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE

    @property
    def points(self) -> dict[str, TestPoint]:
        """The test points by key."""
        return {key: takes.point for key, takes in self.takes.items()}


def derive(checks: Sequence[DerivedCheck], inputs: Inputs) -> tuple[Derived, ...]:
    """Return what each check says, in their order; KeyError where one names a test point that is not in ``inputs``."""
    return tuple(_derived(check, inputs) for check in checks)


def _derived(check: DerivedCheck, inputs: Inputs) -> Derived:
    basis = basis_of(check, inputs.points)
    taken = {role: inputs.takes[key].latest for role, key in check.of if role != "capacitor"}
    missing = tuple(_named(check, role, inputs.points) for role, latest in taken.items() if latest is None)
    if missing:
        return Derived(check, None, None, "", f"Needs {', '.join(missing)}.", basis, missing)
    try:
        return _JUDGES[check.kind](check, {role: each for role, each in taken.items() if each}, inputs)
    except InputError as error:  # readings that cannot be, or have no value
        return Derived(check, None, None, "", str(error), basis)


def _named(check: DerivedCheck, role: str, points: Mapping[str, TestPoint]) -> str:
    """Return what a reading is called among the others of its check: ``L2–L3``, ``amps HERM–S``, ``supply air``."""
    point = points[check.point(role) or ""]
    where = "–".join(point.terminals)
    match check.kind:
        case Derivation.UNDER_LOAD:
            return f"{role} {where}"
        case Derivation.SPLIT:
            return point.title
    return where


def basis_of(check: DerivedCheck, points: Mapping[str, TestPoint]) -> str:
    """Return what a check is held against and how it is worked out, in words, before there is any reading."""
    match check.kind, check.against:
        case Derivation.UNBALANCE, against:
            quantity = points[check.of[0][1]].quantity
            limit = str(against) if against else f"at most {DEFAULT_LIMIT[quantity]:f} %, common practice"
            return f"{limit}; largest deviation from the mean, by the mean (NEMA MG-1, 14.36)"
        case Derivation.UNDER_LOAD, against:
            capacitor = points.get(check.point("capacitor") or "")
            rating = str(against) if against else f"the rating of the {capacitor.title}" if capacitor else "no rating"
            at = check.frequency or "the frequency read"
            return f"{rating}; I/(2πfV) at {at}, from amps in its own lead and volts across its own terminals"
        case Derivation.SPLIT, against:
            usual = " or ".join(map(str, DEFAULT_SPLIT.values()))
            return f"{against or f'{usual}, common practice'}; return air less supply air"
    return "each other: R–S is C–S + C–R in a single-phase motor, the three are equal in a three-phase one"


def _unbalance(check: DerivedCheck, taken: Mapping[str, Observation], inputs: Inputs) -> Derived:
    read = list(taken.values())
    quantity, shown = read[0].measured.quantity, [each.measured for each in read]
    most = check.against.high if isinstance(check.against, Span) else None
    steps = {each.in_unit(BASE_UNIT[quantity])[1] for each in shown}
    apart = None if _one_meter(read) and len(steps) == 1 else [each.accuracy for each in read]
    judgement = judge_unbalance(shown, most or DEFAULT_LIMIT[quantity], apart)
    unit = shown[0].unit
    first, second, third = (each.in_unit(unit)[0] or Decimal(0) for each in shown)
    result = unbalance(first, second, third)
    volts = quantity is Quantity.VOLTAGE
    text = (
        f"{judgement.reason} Mean {plain(significant(float(result.mean)))} {unit};"
        f" {'V2/V1' if volts else 'I2/I1'} {result.true_percent:.2f} %."
    )
    if volts and derating(float(result.nema_percent)) != 1:
        text += f" {derating_words(float(result.nema_percent))}"
    return _judged(check, judgement, text, basis_of(check, inputs.points))


def _under_load(check: DerivedCheck, taken: Mapping[str, Observation], inputs: Inputs) -> Derived:
    amps, volts = taken["amps"], taken["volts"]
    accuracy = f"{amps.accuracy} on amps, {volts.accuracy} on volts"
    if check.frequency is not None:
        frequency = Estimate.rectangular(float(check.frequency.base), ASSUMED_FREQUENCY_HALF_WIDTH)
        accuracy += f", ±{ASSUMED_FREQUENCY_HALF_WIDTH:g} Hz, assumed"
    else:
        frequency = _estimate(taken["frequency"])
        accuracy += f", {taken['frequency'].accuracy} on frequency"
    limits = _capacitor_limits(check, inputs)
    result = judge_under_load(_estimate(amps), _estimate(volts), frequency, limits, accuracy)
    figures = f"{amps.text} and {volts.text} at {frequency.value:.4g} Hz."
    if result.judgement is None:
        farads = result.capacitance
        value = f"{plain(significant(farads.value * 1e6))} µF"
        text = (
            f"{value} ± {farads.expanded * 1e6:.2g} µF from {figures} Nothing to hold it against yet: enter the rating."
        )
        text = " ".join((text, *result.warnings))
        return Derived(check, Verdict.NO_LIMITS, Margin.CLEAR, value, text, basis_of(check, inputs.points))
    text = " ".join((result.judgement.reason, f"From {figures}", *result.warnings))
    return _judged(check, result.judgement, text, basis_of(check, inputs.points))


def _capacitor_limits(check: DerivedCheck, inputs: Inputs) -> Limits | None:
    if isinstance(check.against, Rating):
        return rated_limits(check.against, inputs.capacitor_tolerance)
    key = check.point("capacitor") or ""
    return inputs.limits.get(key) or inputs.takes[key].limits


def _windings(check: DerivedCheck, taken: Mapping[str, Observation], inputs: Inputs) -> Derived:
    points = inputs.points
    read = [(*points[check.point(role) or ""].terminals, each.measured) for role, each in taken.items()]
    line, one_meter = _widest(list(taken.values())), _one_meter(list(taken.values()))
    result = read_windings(read, line, one_meter=one_meter)
    value = result.headline.removeprefix(f"{result.verdict}: ".upper()) if result.verdict else result.headline
    if result.terminals and all(role == name.upper() for role, name in result.terminals.items()):
        value = "as marked"  # C = C, S = S, R = R
    shown = ", ".join(f"{one}–{other} {each.text}" for (one, other, _), each in zip(read, taken.values(), strict=True))
    basis = f"{basis_of(check, points)}; meter accuracy {line}" + ("" if one_meter else ", more than one meter")
    return Derived(check, result.verdict, None, value, f"{shown}. {result.reason}", basis)


def _split(check: DerivedCheck, taken: Mapping[str, Observation], inputs: Inputs) -> Derived:
    back, supply = taken["return"], taken["supply"]
    span = check.against if isinstance(check.against, Span) else None
    line = None if back.accuracy.assumed or supply.accuracy.assumed else _widest([back, supply])
    judgement = judge_split(back.measured, supply.measured, span, line)
    text = f"{judgement.reason} Return air {back.text}, supply air {supply.text}."
    return _judged(check, judgement, text, basis_of(check, inputs.points))


_JUDGES: dict[Derivation, Callable[[DerivedCheck, Mapping[str, Observation], Inputs], Derived]] = {
    Derivation.UNBALANCE: _unbalance,
    Derivation.UNDER_LOAD: _under_load,
    Derivation.WINDINGS: _windings,
    Derivation.SPLIT: _split,
}


def _judged(check: DerivedCheck, judgement: Judgement, text: str, basis: str) -> Derived:
    unit = judgement.limits.unit if judgement.limits else ""
    value = "" if judgement.digits is None else f"{plain(judgement.digits)} {unit}"
    rests_on = f"{basis}; meter accuracy {judgement.accuracy}"
    return Derived(check, judgement.verdict, judgement.margin, value, text, rests_on)


def _estimate(observation: Observation) -> Estimate:
    estimate = observation.estimate
    if estimate is None:
        raise InputError(f"{observation.text} has no value to work with.", "Take a higher range.")
    return estimate


def _one_meter(read: Sequence[Observation]) -> bool:
    return len({each.meter for each in read}) == 1


def _widest(read: Sequence[Observation]) -> AccuracyLine:
    """Return the accuracy line that leaves the most doubt: what goes for all where one line is asked for."""
    return max((each.accuracy for each in read), key=lambda line: _half_width(line, read))


def _half_width(line: AccuracyLine, read: Sequence[Observation]) -> Decimal:
    values = [each.measured.in_unit(BASE_UNIT[each.measured.quantity]) for each in read]
    return max(line.half_width(digits or Decimal(0), step) for digits, step in values)
