"""``meterlink judge split``: the temperature split across an indoor coil."""

import click

from meterlink.cli.judge.output import json_option, parse_measured_value, parse_optional_accuracy, print_judgement
from meterlink.core.equipment import Span
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Limits
from meterlink.judge.electrical.temperature_split import judge_split


@click.command()
@click.option("--return", "return_air", required=True, metavar="VALUE", help="Return air, dry bulb: 75F, 24C.")
@click.option("--supply", "supply_air", required=True, metavar="VALUE", help="Supply air, dry bulb.")
@click.option("--low", metavar="VALUE", help="Least split still good: 16F; with --high.")
@click.option("--high", metavar="VALUE", help="Largest split still good: 22F.")
@click.option("--accuracy", metavar="LINE", help='Accuracy line of the thermometers: "0 % + 5 digits".')
@json_option
def split(
    *,
    return_air: str,
    supply_air: str,
    low: str | None,
    high: str | None,
    accuracy: str | None,
    as_json: bool,
) -> None:
    """Judge the temperature split of a system in cooling: return less supply air, dry bulb.

    The default range, 16 to 22 °F or 9 to 12 °C, is common practice at about 50 % humidity, no source.
    """
    judgement = judge_split(
        parse_measured_value(return_air, Quantity.TEMPERATURE),
        parse_measured_value(supply_air, Quantity.TEMPERATURE),
        _parse_span(low, high),
        parse_optional_accuracy(accuracy),
    )
    limits = judgement.limits or Limits(None, None, "°C", "")
    lines = [
        "Dry bulb, in cooling, after a quarter of an hour of running; humid return air lowers it, dry air raises it."
    ]
    if judgement.digits is not None and judgement.digits < 0:
        lines.insert(0, "The supply air is warmer than the return air: probes swapped, or not cooling.")
    print_judgement(limits, judgement, as_json=as_json, lines=lines)


def _parse_span(low: str | None, high: str | None) -> Span | None:
    if low is None and high is None:
        return None
    if low is None or high is None:
        raise InputError("A range of splits has two ends.", "Give both --low and --high.")
    least, most = (parse_amount(text, Quantity.TEMPERATURE) for text in (low, high))
    if least.unit != most.unit:
        raise InputError(f"{least} and {most} are degrees of two kinds.", "Give both in one.")
    if least.digits > most.digits:
        raise InputError(f"The low limit {least} is above the high limit {most}.", "Swap them.")
    return Span(least.digits, most.digits, least.unit)
