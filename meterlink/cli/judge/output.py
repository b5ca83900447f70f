"""What the subcommands of ``meterlink judge`` share: how values are typed in, and how an answer is printed."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any, TypeVar

import click

from meterlink.core.errors import InputError
from meterlink.core.units import BASE_UNIT, Amount, Quantity, parse_amount
from meterlink.core.verdicts import Judgement, Limits, Margin
from meterlink.judge.judging import MeasuredValue, format_decimal
from meterlink.judge.uncertainty import AccuracyLine, parse_accuracy

# What displays print when a reading is above their range.
_OVERLOAD_TEXTS = {"ol", "o.l", "o.l.", "overload"}

Function = TypeVar("Function", bound=Callable[..., Any])

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


def reading_options(function: Function) -> Function:
    """Add ``--reading``, ``--accuracy`` and ``--json``."""
    for option in (
        json_option,
        click.option("--accuracy", metavar="LINE", help='The meter\'s own accuracy line: "2 % + 5 digits".'),
        click.option("--reading", required=True, metavar="VALUE", help="What the meter shows, with its unit; or OL."),
    ):
        function = option(function)
    return function


def require_positive(amount: Amount, option: str) -> Amount:
    """Return ``amount``; InputError naming ``option`` when it is not above zero."""
    if amount.digits <= 0:
        raise InputError(f"{option} {amount} cannot be: no part is rated at or below nothing.", "Check the number.")
    return amount


def parse_measured_value(text: str, quantity: Quantity) -> MeasuredValue:
    """Return what the meter showed: an amount of ``quantity``, or OL for an overload; InputError otherwise."""
    if text.strip().split(" ")[0].lower() in _OVERLOAD_TEXTS:
        return MeasuredValue(quantity, None, BASE_UNIT[quantity], Decimal(0))
    return MeasuredValue.from_amount(quantity, parse_amount(text, quantity))


def print_judgement(
    limits: Limits,
    judgement: Judgement,
    *,
    as_json: bool,
    fields: Mapping[str, Any] | None = None,
    lines: Sequence[str] = (),
) -> None:
    """Print a judgement, with ``fields`` added to its JSON object and ``lines`` below its words."""
    print_answer(
        {**judgement_fields(limits, judgement), **(fields or {})},
        [judgement_text(limits, judgement), *lines],
        as_json=as_json,
    )


def require_value(value: MeasuredValue) -> MeasuredValue:
    """Return ``shown``; InputError for an overload, where the answer is worked out from the value."""
    if value.digits is None:
        raise InputError(f"An overload on {value.quantity} has no value to work with.", "Take a higher range.")
    return value


def without_sign(value: MeasuredValue) -> MeasuredValue:
    """Return ``shown`` without its sign, which on DC tells only how the probes lay."""
    return value if value.digits is None else replace(value, digits=abs(value.digits))


def require_not_negative(value: MeasuredValue) -> MeasuredValue:
    """Return ``shown``; InputError for a negative value of an alternating quantity."""
    if value.digits is not None and value.digits < 0:
        raise InputError(f"{value.digits:f} {value.unit} AC cannot be.", "Check the reading and the meter's function.")
    return value


def parse_percent(text: str, option: str) -> Decimal:
    """Return the number of percent in ``text``, with or without the sign; InputError when not above zero."""
    return require_positive(parse_amount(text, Quantity.RATIO, unit="%"), option).digits


def parse_optional_accuracy(text: str | None) -> AccuracyLine | None:
    """Return the accuracy line in ``text``, None where none was given; InputError for what is none."""
    return None if text is None else parse_accuracy(text)


def print_answer(fields: Mapping[str, Any], lines: Sequence[str], *, as_json: bool) -> None:
    """Print an answer as one JSON object or as lines of text."""
    click.echo(json.dumps(fields, ensure_ascii=False) if as_json else "\n".join(lines))


def judgement_fields(limits: Limits, judgement: Judgement) -> dict[str, Any]:
    """Return a judgement as JSON: numbers are in ``unit``, percentages in percent, a probability is 0 to 1."""
    return {
        "verdict": str(judgement.verdict),
        "low": json_number(limits.low),
        "high": json_number(limits.high),
        "reading": json_number(judgement.digits),
        "unit": limits.unit,
        "deviation_percent": json_number(judgement.deviation_percent, places=4),
        "margin": str(judgement.margin),
        "uncertainty": None
        if judgement.expanded_uncertainty is None
        else json_significant(float(judgement.expanded_uncertainty)),
        "k": json_number(judgement.coverage_factor, places=4),
        "probability": json_number(judgement.probability, places=6),
        "accuracy": judgement.accuracy,
        "rule": judgement.rule,
        "basis": limits.basis,
        "reason": judgement.reason,
        "settle_it": judgement.next_measurement,
    }


def json_number(value: Decimal | float | None, places: int | None = None) -> float | int | None:
    """Return a number as JSON shows it: rounded to ``places``, whole numbers without a point."""
    if value is None:
        return None
    shown = float(value) if places is None else round(float(value), places)
    return int(shown) if shown.is_integer() else shown


def json_significant(value: float | None) -> float | int | None:
    """Return a worked-out number as JSON shows it: six significant figures, None where there is none."""
    return None if value is None else json_number(float(f"{value:.6g}"))


def judgement_text(limits: Limits, judgement: Judgement) -> str:
    """Return a judgement as text: the verdict, why, and what it rests on, a line each."""
    close = f", {judgement.margin}" if judgement.margin is Margin.CLOSE_CALL else ""
    deviation = "" if judgement.deviation_percent is None else f", {judgement.deviation_percent:+.1f} %"
    sure = "" if judgement.probability is None else f", {_probability_text(judgement.probability)} to be within"
    return "\n".join(
        [
            f"{judgement.verdict.upper()}{close}{deviation}",
            judgement.reason,
            *([judgement.next_measurement] if judgement.next_measurement else []),
            f"limits {limits_text(limits)}; meter accuracy {judgement.accuracy}; {judgement.rule}{sure}",
        ]
    )


def limits_text(limits: Limits) -> str:
    """Return limits as text, with where they came from: ``42.3 to 47.7 µF (45 µF ±6 %)``."""
    spelled = _range_text(limits)
    return spelled if spelled == limits.basis else f"{spelled} ({limits.basis})"


def _probability_text(probability: float) -> str:
    # Never 'certain' by rounding: nobody knows a meter's errors to a tenth of a percent.
    if probability > 0.999:
        return "over 99.9 % probable"
    return "under 0.1 % probable" if probability < 0.001 else f"{100 * probability:.1f} % probable"


def _range_text(limits: Limits) -> str:
    if limits.low is None or limits.high is None:
        side, edge = ("at most", limits.high) if limits.low is None else ("at least", limits.low)
        return "none" if edge is None else f"{side} {format_decimal(edge)} {limits.unit}"
    return f"{format_decimal(limits.low)} to {format_decimal(limits.high)} {limits.unit}"
