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
@click.option("--supply", "supply_air", required=True, metavar="VALUE", help="Supply air, dry bulb: 57F, 14C.")
@click.option("--low", metavar="VALUE", help="Lowest good split: 16F; needs --high.")
@click.option("--high", metavar="VALUE", help="Highest good split: 22F; needs --low.")
@click.option("--accuracy", metavar="LINE", help='Accuracy line of the thermometers: "0.5 °C".')
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
    """Judge the temperature split of a cooling system: return air minus supply air, dry bulb.

    \b
        meterlink judge split --return 75.0F --supply 57.0F

    The default range, 16 to 22 °F (8.89 to 12.22 °C), is common practice at about 50 % humidity, no source.
    """
    judgement = judge_split(
        parse_measured_value(return_air, Quantity.TEMPERATURE),
        parse_measured_value(supply_air, Quantity.TEMPERATURE),
        _parse_span(low, high),
        parse_optional_accuracy(accuracy),
    )
    limits = judgement.limits or Limits(None, None, "°C", "")
    lines = ["Read dry bulb after 15 minutes of cooling; humid return air lowers the split, dry return air raises it."]
    if judgement.digits is not None and judgement.digits < 0:
        lines.insert(0, "The supply air is warmer than the return air: the probes are swapped, or it is not cooling.")
    print_judgement(limits, judgement, as_json=as_json, lines=lines)


def _parse_span(low: str | None, high: str | None) -> Span | None:
    if low is None and high is None:
        return None
    if low is None or high is None:
        raise InputError("A range of splits needs two limits.", "Give both --low and --high.")
    low_amount, high_amount = (parse_amount(text, Quantity.TEMPERATURE) for text in (low, high))
    if low_amount.unit != high_amount.unit:
        raise InputError(
            f"--low and --high differ in unit: {low_amount} and {high_amount}.", "Give both in °F or both in °C."
        )
    if low_amount.digits > high_amount.digits:
        raise InputError(f"The low limit {low_amount} is above the high limit {high_amount}.", "Swap them.")
    return Span(low_amount.digits, high_amount.digits, low_amount.unit)
