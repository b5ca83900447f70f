"""The options of ``meterlink judge`` that say by which rule, and by whose accuracy, a reading is judged."""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import wraps
from typing import Any

import click

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount
from meterlink.judge.accuracy import Accuracy, AccuracySheet
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule, parse_decision_rule
from meterlink.judge.uncertainty import check_operating_temperature, parse_accuracy
from meterlink.settings import data_dir, load_settings


@dataclass(frozen=True, slots=True)
class RuleOptions:
    """What a judgement is taken by; `meterlink.judge.judging.judge` takes each of the three."""

    accuracy: Accuracy | None
    rule: DecisionRule
    celsius: Decimal | None


def with_rule_options(function: Callable[..., None]) -> Callable[..., None]:
    """Add ``--accuracy``, ``--meter``, ``--data``, ``--rule``, ``--guard``, ``--temperature``; pass one ``ruling``."""

    @wraps(function)
    def with_ruling(
        *,
        accuracy: str | None,
        meter: str | None,
        data: str | None,
        rule: str,
        guard: str | None,
        temperature: str | None,
        **others: Any,  # the command's own options, passed on as they are
    ) -> None:
        if accuracy is not None and meter is not None:
            raise InputError("--accuracy and --meter both say how good the meter is.", "Give one of them.")
        line = None if accuracy is None else parse_accuracy(accuracy)
        ruling = RuleOptions(
            line if meter is None else _find_sheet(meter, data),
            parse_decision_rule(rule, guard),
            None
            if temperature is None
            else check_operating_temperature(parse_amount(temperature, Quantity.TEMPERATURE).base_value),
        )
        function(ruling=ruling, **others)

    options = (
        click.option("--accuracy", metavar="LINE", help='The meter\'s own accuracy line: "2 % + 5 digits".'),
        click.option("--meter", metavar="NAME", help="Take the accuracy sheet of this meter, by its name in settings."),
        click.option("--data", metavar="DIR", help="Data folder with settings.toml, for --meter."),
        click.option(
            "--rule",
            default=str(SIMPLE_ACCEPTANCE),
            show_default=True,
            help="Decision rule: also guarded-acceptance, guarded-rejection, guarded (both).",
        ),
        click.option("--guard", metavar="FACTOR", help="Guard band, times the expanded uncertainty; default 1."),
        click.option("--temperature", metavar="VALUE", help="How warm the meter is, outside 18 to 28 °C: 35C, 95F."),
    )
    for option in reversed(options):
        with_ruling = option(with_ruling)
    return with_ruling


def _find_sheet(name: str, data: str | None) -> AccuracySheet:
    meters = load_settings(data_dir(data)).meters
    found = [meter for meter in meters if name.casefold() in {meter.name.casefold(), meter.address.casefold()}]
    if not found:
        raise InputError(f"The settings know no meter {name!r}.", "Add it to settings.toml as [[meter]].")
    sheet = found[0].accuracy_sheet
    if sheet is None:
        raise InputError(f"The settings list no accuracy for {name!r}.", "Add [[meter.accuracy]] rows below it.")
    return sheet
