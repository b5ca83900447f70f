"""``meterlink judge conformity`` and ``risk``: how sure a verdict is, and how often a rule goes wrong."""

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
from meterlink.cli.judge.rule_options import RuleOptions, with_rule_options
from meterlink.core.equipment import PointKind, Span
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, parse_amount, parse_number, quantity_of, resolution_of
from meterlink.judge.accuracy import accuracy_line_for
from meterlink.judge.conformity import global_risks, guard_band_for_risk
from meterlink.judge.judging import format_decimal, judge
from meterlink.judge.limits import span_limits
from meterlink.judge.measured_value import MeasuredValue
from meterlink.judge.uncertainty import TrapezoidalDistribution, parse_accuracy
from meterlink.plans import make_span

_LIMIT_OPTIONS = (
    click.option("--low", metavar="VALUE", help="Lowest value still good: 42.3uF."),
    click.option("--high", metavar="VALUE", help="Highest value still good."),
)


@click.command()
@_LIMIT_OPTIONS[0]
@_LIMIT_OPTIONS[1]
@click.option("--reading", required=True, metavar="VALUE", help="What the meter shows: 42.5uF.")
@click.option("--coupling", type=click.Choice([*Coupling], case_sensitive=False), help="For --meter: AC or DC.")
@click.option("--most-risk", metavar="PERCENT", help="Work out the guard band that keeps the risk below this: 5 %.")
@with_rule_options
@json_option
def conformity(
    *,
    low: str | None,
    high: str | None,
    reading: str,
    coupling: str | None,
    most_risk: str | None,
    rule_options: RuleOptions,
    as_json: bool,
) -> None:
    """Say how probable it is that the true value lies within the limits (JCGM 106), for any quantity.

    The risk is that of this one reading being on the other side of a limit than it says.
    """
    span = _parse_span(low, high)
    limits = span_limits(span)
    quantity = quantity_of(span.unit)
    shown = parse_measured_value(reading, quantity)
    shown = MeasuredValue(
        quantity, shown.digits, shown.unit, shown.resolution, None if coupling is None else Coupling(coupling.upper())
    )
    judgement = judge(
        PointKind.RANGE, limits, shown, rule_options.accuracy, rule=rule_options.rule, celsius=rule_options.celsius
    )
    fields: dict[str, float | int | None] = {}
    lines = []
    if most_risk is not None:
        if shown.digits is None:
            raise InputError("An overload has no guard band.", "Take a higher range.")
        risk = parse_percent(most_risk, "--most-risk") / 100
        line = accuracy_line_for(rule_options.accuracy, shown, rule_options.celsius)
        error = TrapezoidalDistribution(
            float(line.half_width(shown.digits, shown.resolution)), float(shown.resolution) / 2
        )
        band = guard_band_for_risk(error, float(risk))
        fields = {"guard_band": json_significant(band), "guard_factor": json_significant(band / error.half_width())}
        lines = [f"a guard band of {band:.3g} {shown.unit} keeps the risk at {format_decimal(risk * 100)} %, or less"]
    print_judgement(limits, judgement, as_json=as_json, fields=fields, lines=lines)


@click.command()
@_LIMIT_OPTIONS[0]
@_LIMIT_OPTIONS[1]
@click.option("--mean", required=True, metavar="VALUE", help="Mean of the parts that will be measured: 44.1uF.")
@click.option("--spread", required=True, metavar="VALUE", help="Their standard deviation, in the same quantity: 1.2uF.")
@click.option("--u", "standard", metavar="VALUE", help="Standard uncertainty of the meter: 0.4uF.")
@click.option("--accuracy", metavar="LINE", help="Or its accuracy line, taken at the mean as it is written.")
@click.option("--guard", default="0", show_default=True, metavar="FACTOR", help="Guard band, times U = 2 u.")
@json_option
def risk(
    *,
    low: str | None,
    high: str | None,
    mean: str,
    spread: str,
    standard: str | None,
    accuracy: str | None,
    guard: str,
    as_json: bool,
) -> None:
    """Say how often a rule goes wrong over many parts: the consumer's and the producer's global risk (JCGM 106, 9.5).

    Parts and the meter's errors are taken as normally distributed. A negative guard widens the limits: guarded
    rejection.
    """
    span = _parse_span(low, high)
    quantity = quantity_of(span.unit)
    middle = parse_amount(mean, quantity)
    scatter = _parse_interval(spread, span.unit)
    if (standard is None) == (accuracy is None):
        raise InputError("The meter's doubt is wanted once.", "Give --u or --accuracy.")
    u = float(
        _standard_uncertainty(middle, accuracy, span.unit) if standard is None else _parse_interval(standard, span.unit)
    )
    factor, rest = parse_number(guard)
    if rest:
        raise InputError(f"{guard!r} is no guard factor.", "Give a number: 1 is w = U.")
    low_edge, high_edge = (None if edge is None else float(edge) for edge in (span.low, span.high))
    parts = NormalDist(float(middle.to(span.unit)), float(scatter))
    risks = global_risks(parts, NormalDist(0, u), low_edge, high_edge, 2 * u * float(factor))
    fields = {
        "out_percent": json_significant(100 * risks.nonconforming),
        "consumer_percent": json_significant(100 * risks.consumers_risk),
        "producer_percent": json_significant(100 * risks.producers_risk),
        "u": json_significant(u),
        "guard_band": json_significant(2 * u * float(factor)),
        "unit": span.unit,
    }
    print_answer(
        fields,
        [
            f"{100 * risks.nonconforming:.3g} % of the parts are out of limits",
            f"{100 * risks.consumers_risk:.3g} % are out and accepted (consumer's risk)",
            f"{100 * risks.producers_risk:.3g} % are within and not accepted (producer's risk)",
        ],
        as_json=as_json,
    )


def _parse_span(low: str | None, high: str | None) -> Span:
    bottom = None if low is None else parse_amount(low)
    quantity = None if bottom is None else quantity_of(bottom.unit)
    span = make_span(bottom, None if high is None else parse_amount(high, quantity))
    if span is None:
        raise InputError("There is nothing to hold it against.", "Give --low, --high or both.")
    return span


def _parse_interval(text: str, unit: str) -> Decimal:
    amount = parse_amount(text, quantity_of(unit))
    width = amount.to(unit) - Amount(Decimal(0), amount.unit).to(unit)  # °F has an offset
    if width <= 0:
        raise InputError(f"{amount} cannot be: parts scatter, and every meter errs.", "Give one above zero.")
    return width


def _standard_uncertainty(mean: Amount, accuracy: str | None, unit: str) -> Decimal:
    """Return the standard uncertainty that an accuracy line makes at ``middle``, in ``unit``."""
    step = resolution_of(mean.digits)
    half_width = parse_accuracy(accuracy or "").half_width(mean.digits, step)
    u = Decimal(repr(TrapezoidalDistribution(float(half_width), float(step) / 2).standard_uncertainty))
    return _parse_interval(f"{u:f} {mean.unit}", unit)
