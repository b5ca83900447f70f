"""``meterlink judge conformity`` and ``risk``: how sure a verdict is, and how often a rule goes wrong."""

from decimal import Decimal
from statistics import NormalDist

import click

from meterlink.cli.judge.output import answer, figures, json_option, measured, percent, report
from meterlink.cli.judge.rule_options import Ruling, ruling_options
from meterlink.core.equipment import Check, Span
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, parse_amount, parse_number, quantity_of, step_of
from meterlink.judge.accuracy import line_for
from meterlink.judge.conformity import global_risks, guard_for_risk
from meterlink.judge.judging import judge, plain
from meterlink.judge.limits import span_limits
from meterlink.judge.measured import Measured
from meterlink.judge.uncertainty import Trapezoid, parse_accuracy
from meterlink.plans import make_span

_SIDES = (
    click.option("--low", metavar="VALUE", help="Lowest value still good: 42.3uF."),
    click.option("--high", metavar="VALUE", help="Highest value still good."),
)


@click.command()
@_SIDES[0]
@_SIDES[1]
@click.option("--reading", required=True, metavar="VALUE", help="What the meter shows: 42.5uF.")
@click.option("--coupling", type=click.Choice([*Coupling], case_sensitive=False), help="For --meter: AC or DC.")
@click.option("--most-risk", metavar="PERCENT", help="Work out the guard band that keeps the risk below this: 5 %.")
@ruling_options
@json_option
def conformity(
    *,
    low: str | None,
    high: str | None,
    reading: str,
    coupling: str | None,
    most_risk: str | None,
    ruling: Ruling,
    as_json: bool,
) -> None:
    """Say how probable it is that the true value lies within the limits (JCGM 106), for any quantity.

    The risk is that of this one reading being on the other side of a limit than it says.
    """
    span = _span(low, high)
    limits = span_limits(span)
    quantity = quantity_of(span.unit)
    shown = measured(reading, quantity)
    shown = Measured(
        quantity, shown.digits, shown.unit, shown.step, None if coupling is None else Coupling(coupling.upper())
    )
    judgement = judge(Check.RANGE, limits, shown, ruling.accuracy, rule=ruling.rule, celsius=ruling.celsius)
    fields: dict[str, float | int | None] = {}
    lines = []
    if most_risk is not None:
        if shown.digits is None:
            raise InputError("An overload has no guard band.", "Take a higher range.")
        risk = percent(most_risk, "--most-risk") / 100
        line = line_for(ruling.accuracy, shown, ruling.celsius)
        error = Trapezoid(float(line.half_width(shown.digits, shown.step)), float(shown.step) / 2)
        band = guard_for_risk(error, float(risk))
        fields = {"guard_band": figures(band), "guard_factor": figures(band / error.half_width())}
        lines = [f"a guard band of {band:.3g} {shown.unit} keeps the risk at {plain(risk * 100)} %, or less"]
    report(limits, judgement, as_json=as_json, fields=fields, lines=lines)


@click.command()
@_SIDES[0]
@_SIDES[1]
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
    span = _span(low, high)
    quantity = quantity_of(span.unit)
    middle = parse_amount(mean, quantity)
    scatter = _width(spread, span.unit)
    if (standard is None) == (accuracy is None):
        raise InputError("The meter's doubt is wanted once.", "Give --u or --accuracy.")
    u = float(_at(middle, accuracy, span.unit) if standard is None else _width(standard, span.unit))
    factor, rest = parse_number(guard)
    if rest:
        raise InputError(f"{guard!r} is no guard factor.", "Give a number: 1 is w = U.")
    low_edge, high_edge = (None if edge is None else float(edge) for edge in (span.low, span.high))
    parts = NormalDist(float(middle.to(span.unit)), float(scatter))
    risks = global_risks(parts, NormalDist(0, u), low_edge, high_edge, 2 * u * float(factor))
    fields = {
        "out_percent": figures(100 * risks.out),
        "consumer_percent": figures(100 * risks.consumer),
        "producer_percent": figures(100 * risks.producer),
        "u": figures(u),
        "guard_band": figures(2 * u * float(factor)),
        "unit": span.unit,
    }
    answer(
        fields,
        [
            f"{100 * risks.out:.3g} % of the parts are out of limits",
            f"{100 * risks.consumer:.3g} % are out and accepted (consumer's risk)",
            f"{100 * risks.producer:.3g} % are within and not accepted (producer's risk)",
        ],
        as_json=as_json,
    )


def _span(low: str | None, high: str | None) -> Span:
    bottom = None if low is None else parse_amount(low)
    quantity = None if bottom is None else quantity_of(bottom.unit)
    span = make_span(bottom, None if high is None else parse_amount(high, quantity))
    if span is None:
        raise InputError("There is nothing to hold it against.", "Give --low, --high or both.")
    return span


def _width(text: str, unit: str) -> Decimal:
    amount = parse_amount(text, quantity_of(unit))
    width = amount.to(unit) - Amount(Decimal(0), amount.unit).to(unit)  # °F has an offset
    if width <= 0:
        raise InputError(f"{amount} cannot be: parts scatter, and every meter errs.", "Give one above zero.")
    return width


def _at(middle: Amount, accuracy: str | None, unit: str) -> Decimal:
    """Return the standard uncertainty that an accuracy line makes at ``middle``, in ``unit``."""
    step = step_of(middle.digits)
    half_width = parse_accuracy(accuracy or "").half_width(middle.digits, step)
    u = Decimal(repr(Trapezoid(float(half_width), float(step) / 2).u))
    return _width(f"{u:f} {middle.unit}", unit)
