"""Judge a part from a script: by its rating, or by two limits."""

from dataclasses import dataclass, fields
from decimal import Decimal
from typing import Any

from meterlink.core.equipment import PointKind
from meterlink.core.errors import InputError
from meterlink.core.questions import Choice, OpenQuestionError, Question
from meterlink.core.units import Amount, Quantity, pint_quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.decision_rules import parse_decision_rule
from meterlink.judge.judging import judge
from meterlink.judge.label.rated_part import RatedPart
from meterlink.judge.label.ratings import parse_rating
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.judge.uncertainty import check_operating_temperature, parse_accuracy
from meterlink.notebook.quantities import RatingLike, ReadingLike, parse_measured, parse_rated
from meterlink.plans.specification import make_rating, make_span

__all__ = [
    "Choice",
    "Judgement",
    "Limits",
    "Margin",
    "OpenQuestionError",
    "PartJudgement",
    "Question",
    "RatedPart",
    "Verdict",
    "judge_capacitor",
    "judge_coil",
    "parse_rating",
]


@dataclass(frozen=True, slots=True)
class PartJudgement(Judgement):
    """The judgement on one part: verdict, margin, limits, probability and reasons.

    It has the fields of `Judgement`; verdicts and margins compare equal to their words: ``verdict == "within"``.
    """

    @property
    def reading(self) -> Amount | None:
        """The reading in the unit of the limits; None for an overload."""
        if self.digits is None or self.limits is None:
            return None
        return Amount(self.digits, self.limits.unit)

    @property
    def reasons(self) -> tuple[str, ...]:
        """The sentences behind the verdict: the reason, then the measurement that would settle a close call."""
        return tuple(sentence for sentence in (self.reason, self.next_measurement) if sentence)

    def reading_as_pint(self, registry: Any = None) -> Any:
        """Return the reading as a quantity of pint in the unit of the limits; None for an overload.

        ``registry`` is the `pint.UnitRegistry` to use, by default pint's application registry.
        """
        return None if self.reading is None else pint_quantity(self.reading, registry)

    def limits_as_pint(self, registry: Any = None) -> tuple[Any, Any]:
        """Return ``(low, high)`` as quantities of pint; None for an open side.

        ``registry`` is the `pint.UnitRegistry` to use, by default pint's application registry.
        """
        return _limit_as_pint(self.limits, "low", registry), _limit_as_pint(self.limits, "high", registry)


def judge_capacitor(
    reading: ReadingLike,
    *,
    rated: RatingLike,
    tolerance: str = DEFAULT_CAPACITOR_TOLERANCE,
    accuracy: str | None = None,
    rule: str = "simple acceptance",
    guard_factor: str | None = None,
    ambient_temperature: RatingLike | None = None,
) -> PartJudgement:
    """Judge a run capacitor, or one of its sections, by the rating printed on it.

    ``reading`` is a text (``"4.70 uF"``, ``"OL"`` for an overload), an `Amount`, a `Reading` or a quantity of pint. A
    text gets the resolution that its digits show: ``"4.7 uF"`` was read to 0.1 µF, ``"4.70 uF"`` to 0.01 µF; a finer
    resolution makes a close call less likely. The same holds for a Decimal. An int or a float shows no resolution: it
    counts as four significant digits, and so does a Decimal of more than 12 digits, which no meter shows.

    ``rated`` is the rated capacitance, above zero. ``tolerance`` is ``"6 %"``, ``"-10/+30 %"``, ``"±0.5 uF"`` or an IEC
    60062 letter; the default, 6 %, is common practice, the one on the part is better. A value on a limit is within.

    ``accuracy`` is the meter's accuracy line (``"2 % + 5 digits"``); without it a usual one is assumed, and named so.
    ``rule`` is the decision rule: ``"simple acceptance"``, ``"guarded acceptance"``, ``"guarded rejection"`` or
    ``"guarded"`` (both), the guard band being ``guard_factor`` (above 0, at most 3; by default 1) times the expanded
    uncertainty. ``ambient_temperature`` is the meter's own, -40 to 70 °C; None for 18 to 28 °C.

    Raises:
        InputError: an argument cannot be used, or the reading is negative or of another quantity.
    """
    rating = make_rating(parse_rated(rated, Quantity.CAPACITANCE), tolerance, PointKind.CAPACITOR)
    return _judge(
        PointKind.CAPACITOR, rated_limits(rating), Quantity.CAPACITANCE, reading,
        accuracy, rule, guard_factor, ambient_temperature,
    )  # fmt: skip


def judge_coil(
    reading: ReadingLike,
    *,
    low: RatingLike | None = None,
    high: RatingLike | None = None,
    rated: RatingLike | None = None,
    tolerance: str | None = None,
    accuracy: str | None = None,
    rule: str = "simple acceptance",
    guard_factor: str | None = None,
    ambient_temperature: RatingLike | None = None,
) -> PartJudgement:
    """Judge a contactor coil's resistance, read with its wires off: by two limits, or by a rating and its tolerance.

    Give either ``low`` and ``high`` (both above zero) or ``rated`` and ``tolerance`` (``"10 %"``; there is no usual
    one). A single limit is refused: without a low limit, a shorted coil would pass. The other arguments are those of
    `judge_capacitor`; a text gets the resolution that its digits show.

    Raises:
        InputError: an argument is missing or cannot be used, or the reading is negative or of another quantity.
    """
    match low is not None, high is not None, rated is not None, tolerance is not None:
        case True, True, False, False:
            limits = _coil_span(low, high)
        case False, False, True, True:
            assert rated is not None  # noqa: S101  # matched above
            limits = rated_limits(make_rating(parse_rated(rated, Quantity.RESISTANCE), tolerance, PointKind.COIL))
        case _:
            raise InputError(
                "A coil is judged by two limits, or by a rating with its tolerance.",
                "Give low and high, or rated and tolerance.",
            )
    return _judge(
        PointKind.COIL, limits, Quantity.RESISTANCE, reading, accuracy, rule, guard_factor, ambient_temperature
    )


def _coil_span(low: RatingLike | None, high: RatingLike | None) -> Limits:
    assert low is not None and high is not None  # noqa: S101, PT018  # the caller has checked
    bottom, top = (parse_rated(edge, Quantity.RESISTANCE) for edge in (low, high))
    for name, edge in (("low", bottom), ("high", top)):
        if edge.digits <= 0:
            raise InputError(f"{name} must be above zero, not {edge}.", "Check the number.")
    span = make_span(bottom, top)
    assert span is not None  # noqa: S101  # of two limits there is a span
    return span_limits(span)


def _judge(
    kind: PointKind,
    limits: Limits,
    quantity: Quantity,
    reading: ReadingLike,
    accuracy: str | None,
    rule: str,
    guard_factor: str | None,
    ambient_temperature: RatingLike | None,
) -> PartJudgement:
    judgement = judge(
        kind,
        limits,
        parse_measured(reading, quantity),
        None if accuracy is None else parse_accuracy(accuracy),
        rule=parse_decision_rule(rule, guard_factor),
        celsius=_celsius(ambient_temperature),
    )
    return PartJudgement(**{field.name: getattr(judgement, field.name) for field in fields(Judgement)})


def _celsius(temperature: RatingLike | None) -> Decimal | None:
    if temperature is None:
        return None
    return check_operating_temperature(parse_rated(temperature, Quantity.TEMPERATURE).base_value)


def _limit_as_pint(limits: Limits | None, side: str, registry: Any) -> Any:
    edge: Decimal | None = None if limits is None else getattr(limits, side)
    return None if limits is None or edge is None else pint_quantity(Amount(edge, limits.unit), registry)
