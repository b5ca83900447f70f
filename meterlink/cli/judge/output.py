"""Parsing of typed-in values and printing of answers, for the subcommands of ``meterlink judge``."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any, TypeVar

import click

from meterlink.cli.judge.questions import answer_option, settle
from meterlink.cli.output import verdict_colour
from meterlink.cli.table import styled
from meterlink.core.calibration import overdue_part
from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.core.verdicts import Judgement, Limits, Margin
from meterlink.judge.judging import MeasuredValue, format_decimal
from meterlink.judge.uncertainty import AccuracyLine, parse_accuracy

Function = TypeVar("Function", bound=Callable[..., Any])

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


def reading_options(function: Function) -> Function:
    """Add ``--reading``, ``--accuracy``, ``--answer`` and ``--json``."""
    for option in (
        json_option,
        answer_option,
        click.option("--accuracy", metavar="LINE", help='The meter\'s own accuracy line: "2 % + 5 digits".'),
        click.option("--reading", required=True, metavar="VALUE", help="The meter's reading with its unit, or OL."),
    ):
        function = option(function)
    return function


def require_positive(amount: Amount, option: str) -> Amount:
    """Return ``amount``, which is above zero.

    Raises:
        InputError: the amount is zero or below; the message names ``option``.
    """
    if amount.digits <= 0:
        raise InputError(f"{option} must be above zero, not {amount}.", "Check the number.")
    return amount


def parse_measured_value(text: str, quantity: Quantity) -> MeasuredValue:
    """Return the reading typed in ``text``: an amount of ``quantity``, or OL for an overload.

    Raises:
        InputError: the text is neither.
    """
    return replace(MeasuredValue.from_text(text, quantity), is_typed=True)


def settle_judgement(judgement: Judgement, answer: str | None, *, as_json: bool) -> Judgement:
    """Return the judgement; of one that asks a question, the one that follows from ``answer``.

    A question without an answer is printed.

    Raises:
        Exit: the question has no answer.
        InputError: ``answer`` names no choice, or nothing is asked.
    """
    return settle(judgement.question or judgement, answer, as_json=as_json)


def print_judgement(
    limits: Limits,
    judgement: Judgement,
    *,
    as_json: bool,
    fields: Mapping[str, Any] | None = None,
    lines: Sequence[str] = (),
) -> None:
    """Print a judgement; ``fields`` extend its JSON object, ``lines`` follow its text."""
    print_answer(
        {**judgement_fields(limits, judgement), **(fields or {})},
        [judgement_text(limits, judgement), *lines],
        as_json=as_json,
    )


def require_value(value: MeasuredValue) -> MeasuredValue:
    """Return ``value``, which is no overload.

    Raises:
        InputError: the value is an overload.
    """
    if value.digits is None:
        raise InputError(f"{value} is an overload: it gives no {value.quantity} to use.", "Use a higher range.")
    return value


def without_sign(value: MeasuredValue) -> MeasuredValue:
    """Return ``value`` without its sign, which on DC only depends on the order of the probes."""
    return value if value.digits is None else replace(value, digits=abs(value.digits))


def require_not_negative(value: MeasuredValue) -> MeasuredValue:
    """Return ``value``, which is not negative.

    Raises:
        InputError: an AC value is negative.
    """
    if value.digits is not None and value.digits < 0:
        message = f"An AC reading is never negative: {value.digits:f} {value.unit}."
        raise InputError(message, "Check the reading and the meter's function.")
    return value


def parse_percent(text: str, option: str) -> Decimal:
    """Return the percentage in ``text``, with or without ``%``.

    Raises:
        InputError: the text is not a number above zero.
    """
    return require_positive(parse_amount(text, Quantity.RATIO, unit="%"), option).digits


def parse_optional_accuracy(text: str | None) -> AccuracyLine | None:
    """Return the accuracy line in ``text``, None without text.

    Raises:
        InputError: the text is not an accuracy line.
    """
    return None if text is None else parse_accuracy(text)


def print_answer(fields: Mapping[str, Any], lines: Sequence[str], *, as_json: bool) -> None:
    """Print an answer as one JSON object or as lines of text."""
    click.echo(json.dumps(fields, ensure_ascii=False) if as_json else "\n".join(lines))


def judgement_fields(limits: Limits, judgement: Judgement) -> dict[str, Any]:
    """Return a judgement as JSON fields: numbers in ``unit``, deviation in percent, probability from 0 to 1."""
    return {
        "verdict": str(judgement.verdict),
        "low": json_number(limits.low),
        "high": json_number(limits.high),
        "reading": json_number(judgement.digits),
        "unit": limits.unit,
        "deviation_percent": json_number(judgement.deviation_percent, places=4),
        "margin": None if judgement.margin is None else str(judgement.margin),
        "expanded_uncertainty": None
        if judgement.expanded_uncertainty is None
        else json_significant(float(judgement.expanded_uncertainty)),
        "coverage_factor": json_number(judgement.coverage_factor, places=4),
        "probability": json_number(judgement.probability, places=6),
        "prior": judgement.prior or None,
        "accuracy": judgement.accuracy,
        "calibration": judgement.calibration or None,
        "rule": judgement.rule,
        "basis": limits.basis,
        "reason": judgement.reason,
        "next_measurement": judgement.next_measurement,
    }


def json_number(value: Decimal | float | None, places: int | None = None) -> float | int | None:
    """Return a number for JSON, rounded to ``places`` decimals; whole numbers become integers."""
    if value is None:
        return None
    rounded = float(value) if places is None else round(float(value), places)
    return int(rounded) if rounded.is_integer() else rounded


def json_significant(value: float | None) -> float | int | None:
    """Return a calculated number for JSON, rounded to six significant figures; None stays None."""
    return None if value is None else json_number(float(f"{value:.6g}"))


def judgement_text(limits: Limits, judgement: Judgement) -> str:
    """Return a judgement as lines: verdict, reason, next measurement if any, limits with accuracy and rule."""
    margin = f", {judgement.margin}" if judgement.margin is Margin.CLOSE_CALL else ""
    deviation = "" if judgement.deviation_percent is None else f", {judgement.deviation_percent:+.1f} %"
    known = f" ({judgement.prior} spread of such parts)" if judgement.prior else ""
    probability = (
        "" if judgement.probability is None else f", {_probability_text(judgement.probability)} to be within{known}"
    )
    overdue = overdue_part(judgement.calibration)
    accuracy = ", ".join(filter(None, (judgement.accuracy, overdue)))
    return "\n".join(
        [
            styled(
                f"{judgement.verdict.upper()}{margin}{deviation}", verdict_colour(judgement.verdict, judgement.margin)
            ),
            judgement.reason,
            *([judgement.next_measurement] if judgement.next_measurement else []),
            f"limits {limits_text(limits)}; meter accuracy {accuracy}; {judgement.rule}{probability}",
        ]
    )


def limits_text(limits: Limits) -> str:
    """Return limits as text, with their basis: ``42.3 to 47.7 µF (45 µF ±6 %)``."""
    range_text = _range_text(limits)
    return range_text if range_text == limits.basis else f"{range_text} ({limits.basis})"


def _probability_text(probability: float) -> str:
    # Never rounded to certainty: a meter's errors are not known to a tenth of a percent.
    if probability > 0.999:
        return "over 99.9 % probable"
    return "under 0.1 % probable" if probability < 0.001 else f"{100 * probability:.1f} % probable"


def _range_text(limits: Limits) -> str:
    if limits.low is None or limits.high is None:
        side, limit = ("at most", limits.high) if limits.low is None else ("at least", limits.low)
        return "none" if limit is None else f"{side} {format_decimal(limit)} {limits.unit}"
    return f"{format_decimal(limits.low)} to {format_decimal(limits.high)} {limits.unit}"
