"""``meterlink judge conformity`` and ``risk``: how probable a verdict is, and how often a decision rule errs."""

from dataclasses import replace
from decimal import Decimal
from statistics import NormalDist

import click

from meterlink.cli.judge.output import (
    json_option,
    json_significant,
    parse_measured_value,
    parse_percent,
    print_answer,
    print_judgement,
)
from meterlink.cli.judge.questions import answer_option
from meterlink.cli.judge.rule_options import RULE_OPTIONS, RuleOptions, with_rule_options
from meterlink.core.equipment import PointKind, Span
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, parse_amount, quantity_of
from meterlink.judge.accuracy import accuracy_line_for
from meterlink.judge.conformity import global_risks, guard_band_for_risk
from meterlink.judge.decision_rules import GuardedSide, parse_decision_rule
from meterlink.judge.judging import format_decimal
from meterlink.judge.limits import span_limits
from meterlink.judge.measured_value import MeasuredValue, MeterReading
from meterlink.judge.repeats import combine_readings
from meterlink.judge.uncertainty import Distribution, NormalDistribution, TrapezoidalDistribution, parse_accuracy
from meterlink.plans import make_span

_LIMIT_OPTIONS = (
    click.option("--low", metavar="VALUE", help="Low limit: 42.3uF."),
    click.option("--high", metavar="VALUE", help="High limit: 47.7uF."),
)


@click.command()
@_LIMIT_OPTIONS[0]
@_LIMIT_OPTIONS[1]
@click.option("--reading", required=True, metavar="VALUE", help="The meter's reading with its unit: 42.5uF.")
@click.option(
    "--coupling",
    type=click.Choice([*Coupling], case_sensitive=False),
    help="AC or DC, to choose a line of the accuracy sheet of --meter.",
)
@click.option("--max-risk", metavar="PERCENT", help="Also calculate the guard band for this risk: 5 %.")
@with_rule_options
@answer_option
@json_option
def conformity(
    *,
    low: str | None,
    high: str | None,
    reading: str,
    coupling: str | None,
    max_risk: str | None,
    rule_options: RuleOptions,
    answer: str | None,
    as_json: bool,
) -> None:
    """Calculate the probability that the true value is within the limits (JCGM 106), for any quantity.

    \b
        meterlink judge conformity --low 228V --high 252V --reading 230.1V

    The risk is the probability that the true value and the reading are on different sides of a limit.

    \f

    Raises:
        InputError: the limits or the reading cannot be used; --max-risk is given with an overload.
    """
    span = _parse_span(low, high)
    limits = span_limits(span)
    quantity = quantity_of(span.unit)
    value = parse_measured_value(reading, quantity)
    value = replace(value, coupling=None if coupling is None else Coupling(coupling.upper()))
    judgement, fields = rule_options.judge(PointKind.RANGE, limits, value, answer, as_json=as_json)
    if judgement.resolution is not None:
        value = value.with_resolution(judgement.resolution)
    lines = []
    if max_risk is not None:
        if value.digits is None:
            raise InputError("An overload has no guard band.", "Use a higher range.")
        risk = parse_percent(max_risk, "--max-risk") / 100
        line = accuracy_line_for(rule_options.accuracy, value, rule_options.celsius)
        error = combine_readings([MeterReading(value, line)], value.unit).error
        band = guard_band_for_risk(error, float(risk))
        fields |= {"guard_band": json_significant(band), "guard_factor": json_significant(band / error.half_width())}
        lines = [f"A guard band of {band:.3g} {value.unit} keeps the risk at {format_decimal(risk * 100)} % or less."]
    print_judgement(limits, judgement, as_json=as_json, fields=fields, lines=lines)


@click.command()
@_LIMIT_OPTIONS[0]
@_LIMIT_OPTIONS[1]
@click.option("--mean", required=True, metavar="VALUE", help="Mean of the parts to be measured: 44.1uF.")
@click.option("--spread", required=True, metavar="VALUE", help="Standard deviation of the parts: 1.2uF.")
@click.option("--standard-uncertainty", metavar="VALUE", help="Standard uncertainty of the meter: 0.4uF.")
@click.option(
    "--accuracy", metavar="LINE", help="Or the meter's accuracy line, at the mean with its digits as written."
)
@RULE_OPTIONS[0]
@RULE_OPTIONS[1]
@json_option
def risk(
    *,
    low: str | None,
    high: str | None,
    mean: str,
    spread: str,
    standard_uncertainty: str | None,
    accuracy: str | None,
    rule: str,
    guard_factor: str | None,
    as_json: bool,
) -> None:
    """Calculate how often a decision rule errs over many parts: the global risks of JCGM 106, 9.5.

    \b
        meterlink judge risk --low 42.3uF --high 47.7uF --mean 44uF \\
            --spread 1.2uF --accuracy "1 % + 2 digits"

    Parts and the meter's errors are assumed to be normally distributed. Guarded acceptance accepts within the limits
    narrowed by the guard band, and so does the guarded rule for both sides; guarded rejection accepts within the limits
    widened by it.

    \f

    Raises:
        InputError: an option cannot be used; the meter's uncertainty is missing or given twice.
    """
    span = _parse_span(low, high)
    quantity = quantity_of(span.unit)
    mean_amount = parse_amount(mean, quantity)
    deviation = _parse_interval(spread, span.unit)
    if (standard_uncertainty is None) == (accuracy is None):
        raise InputError(
            "The meter's uncertainty is missing or given twice.", "Give --standard-uncertainty or --accuracy."
        )
    decision_rule = parse_decision_rule(rule, guard_factor)
    error: Distribution = (
        _error_of_line(mean_amount, accuracy or "", span.unit)
        if standard_uncertainty is None
        else NormalDistribution(float(_parse_interval(standard_uncertainty, span.unit)))
    )
    band = float(decision_rule.guard_band(Decimal(repr(error.half_width()))))
    if decision_rule.guarded_side is GuardedSide.REJECTION:
        band = -band
    low_limit, high_limit = (None if limit is None else float(limit) for limit in (span.low, span.high))
    parts = NormalDist(float(mean_amount.to(span.unit)), float(deviation))
    risks = global_risks(parts, NormalDist(0, error.standard_uncertainty), low_limit, high_limit, band)
    fields = {
        "nonconforming_percent": json_significant(100 * risks.nonconforming),
        "consumers_risk_percent": json_significant(100 * risks.consumers_risk),
        "producers_risk_percent": json_significant(100 * risks.producers_risk),
        "standard_uncertainty": json_significant(error.standard_uncertainty),
        "guard_band": json_significant(band),
        "unit": span.unit,
        "rule": str(decision_rule),
    }
    print_answer(
        fields,
        [
            f"{100 * risks.nonconforming:.3g} % of the parts are outside the limits",
            f"{100 * risks.consumers_risk:.3g} % are outside but accepted (consumer's risk)",
            f"{100 * risks.producers_risk:.3g} % are within but not accepted (producer's risk)",
            f"{decision_rule}" + (f": a guard band of {abs(band):.3g} {span.unit}" if band else ""),
        ],
        as_json=as_json,
    )


def _parse_span(low: str | None, high: str | None) -> Span:
    low_amount = None if low is None else parse_amount(low)
    quantity = None if low_amount is None else quantity_of(low_amount.unit)
    span = make_span(low_amount, None if high is None else parse_amount(high, quantity))
    if span is None:
        raise InputError("There are no limits to judge by.", "Give --low, --high or both.")
    return span


def _parse_interval(text: str, unit: str) -> Decimal:
    amount = parse_amount(text, quantity_of(unit))
    width = amount.to(unit) - Amount(Decimal(0), amount.unit).to(unit)  # °F has an offset
    if width <= 0:
        raise InputError(f"A spread or an uncertainty must be above zero, not {amount}.", "Check the number.")
    return width


def _error_of_line(mean: Amount, accuracy: str, unit: str) -> TrapezoidalDistribution:
    """Return the error of an accuracy line at ``mean``, in ``unit``.

    Raises:
        InputError: the text is no accuracy line, or allows no error.
    """
    reading = MeterReading(MeasuredValue.from_amount(quantity_of(mean.unit), mean), parse_accuracy(accuracy))
    return combine_readings([reading], unit).error
