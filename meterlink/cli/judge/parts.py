"""``meterlink judge capacitor`` and ``coil``: a part's reading against what is printed on it."""

import click

from meterlink.cli.judge.output import json_option, measured, positive, report
from meterlink.cli.judge.rule_options import Ruling, ruling_options
from meterlink.core.equipment import Check, Rating
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Limits
from meterlink.judge.judging import Measured, judge
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.plans import make_span

_READING = click.option("--reading", required=True, metavar="VALUE", help="What the meter shows, with its unit; or OL.")


@click.command()
@click.option("--rated", required=True, metavar="VALUE", help="Rated capacitance of the section: 45uF, 45 MFD.")
@click.option(
    "--tolerance",
    default=DEFAULT_CAPACITOR_TOLERANCE,
    show_default=True,
    metavar="TOL",
    help='"6 %", "-10/+30 %", "±0.5 uF" or an IEC 60062 letter.',
)
@_READING
@ruling_options
@json_option
def capacitor(*, rated: str, tolerance: str, reading: str, ruling: Ruling, as_json: bool) -> None:
    """Judge one section of a run capacitor against its rating.

    The default tolerance is common practice in the trade; the one printed on the part is better.
    """
    value = positive(parse_amount(rated, Quantity.CAPACITANCE), "--rated")
    limits = rated_limits(Rating(value, tolerance))
    _judge(Check.CAPACITOR, limits, measured(reading, Quantity.CAPACITANCE), ruling, as_json=as_json)


@click.command()
@click.option("--low", required=True, metavar="VALUE", help="Lowest resistance still good: 10ohm, 1.2k.")
@click.option("--high", required=True, metavar="VALUE", help="Highest resistance still good.")
@_READING
@ruling_options
@json_option
def coil(*, low: str, high: str, reading: str, ruling: Ruling, as_json: bool) -> None:
    """Judge a contactor coil's resistance, read at its two terminals with the wires off, against two limits."""
    span = make_span(
        positive(parse_amount(low, Quantity.RESISTANCE), "--low"),
        positive(parse_amount(high, Quantity.RESISTANCE), "--high"),
    )
    assert span is not None  # noqa: S101  # both are given
    _judge(Check.COIL, span_limits(span), measured(reading, Quantity.RESISTANCE), ruling, as_json=as_json)


def _judge(check: Check, limits: Limits, shown: Measured, ruling: Ruling, *, as_json: bool) -> None:
    judgement = judge(check, limits, shown, ruling.accuracy, rule=ruling.rule, celsius=ruling.celsius)
    report(limits, judgement, as_json=as_json)
