"""The options of ``meterlink judge`` for the decision rule and the meter's accuracy."""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import wraps
from typing import Any

import click

from meterlink.cli.judge.output import json_significant, settle_judgement
from meterlink.core.calibration import Calibration, local_day
from meterlink.core.clock import SystemClock
from meterlink.core.equipment import PointKind
from meterlink.core.errors import InputError
from meterlink.core.text import did_you_mean
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Judgement, Limits
from meterlink.judge.accuracy import Accuracy, AccuracySheet, accuracy_line_for
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule, parse_decision_rule
from meterlink.judge.judging import judge
from meterlink.judge.measured_value import MeasuredValue, MeterReading
from meterlink.judge.repeats import combine_readings
from meterlink.judge.uncertainty import check_operating_temperature, parse_accuracy

_METER = "this meter"


@dataclass(frozen=True, slots=True)
class RuleOptions:
    """The arguments of `meterlink.judge.judging.judge`: accuracy, decision rule, ambient temperature in °C.

    ``again`` are the texts of further readings with the same meter, ``other_meters`` those of readings with others.
    ``calibration`` is that of the meter in the settings.
    """

    accuracy: Accuracy | None
    rule: DecisionRule
    celsius: Decimal | None
    again: tuple[str, ...] = ()
    other_meters: tuple[str, ...] = ()
    calibration: Calibration | None = None

    def judge(
        self, kind: PointKind, limits: Limits, value: MeasuredValue, answer: str | None, *, as_json: bool
    ) -> tuple[Judgement, dict[str, Any]]:
        """Judge ``value``; return the judgement, and the JSON fields of the readings together if there are several.

        A question without an ``answer`` is printed.

        Raises:
            Exit: the question has no answer.
            InputError: a reading or the answer cannot be used.
        """
        earlier = self._earlier(value.quantity)
        judgement = judge(
            kind, limits, value, self.accuracy, rule=self.rule, celsius=self.celsius, meter=_METER, earlier=earlier
        )
        if self.calibration is not None:
            today = local_day(SystemClock().now().utc_ns)
            judgement = judgement.with_calibration(self.calibration.describe(today))
        judgement = settle_judgement(judgement, answer, as_json=as_json)
        if judgement.resolution is not None:
            value = value.with_resolution(judgement.resolution)
        if not earlier or value.digits is None:
            return judgement, {}
        newest = MeterReading(value, accuracy_line_for(self.accuracy, value, self.celsius), _METER)
        combined = combine_readings((*earlier, newest), limits.unit)
        return judgement, {
            "readings_agree": combined.agree,
            "combined_reading": json_significant(combined.value),
            "combined_standard_uncertainty": json_significant(combined.standard_uncertainty),
        }

    def _earlier(self, quantity: Quantity) -> tuple[MeterReading, ...]:
        same = [MeasuredValue.from_text(text, quantity) for text in self.again]
        readings = [
            MeterReading(value, accuracy_line_for(self.accuracy, value, self.celsius), _METER) for value in same
        ]
        for number, text in enumerate(self.other_meters):
            reading, comma, line = text.partition(",")
            value = MeasuredValue.from_text(reading, quantity)
            own = accuracy_line_for(parse_accuracy(line) if comma else None, value, self.celsius)
            readings.append(MeterReading(value, own, f"other meter {number}"))
        return tuple(readings)


RULE_OPTIONS = (
    click.option(
        "--rule",
        default=str(SIMPLE_ACCEPTANCE),
        show_default=True,
        help="Decision rule: also guarded-acceptance, guarded-rejection, guarded (both).",
    ),
    click.option(
        "--guard-factor",
        metavar="FACTOR",
        help="Guard band as a multiple of the expanded uncertainty (95 %), with a guarded rule; default 1.",
    ),
)


def with_rule_options(function: Callable[..., None]) -> Callable[..., None]:
    """Add the options for the decision rule and the meter's accuracy; the command gets them as ``rule_options``."""

    @wraps(function)
    def wrapper(
        *,
        accuracy: str | None,
        meter: str | None,
        data: str | None,
        rule: str,
        guard_factor: str | None,
        ambient_temperature: str | None,
        again: tuple[str, ...],
        other_meter: tuple[str, ...],
        **command_options: Any,  # the command's own options, passed on unchanged
    ) -> None:
        if accuracy is not None and meter is not None:
            raise InputError("--accuracy and --meter each set the accuracy.", "Give one of them.")
        accuracy_line = None if accuracy is None else parse_accuracy(accuracy)
        sheet, calibration = (None, None) if meter is None else _find_meter(meter, data)
        rule_options = RuleOptions(
            sheet or accuracy_line,
            parse_decision_rule(rule, guard_factor),
            None
            if ambient_temperature is None
            else check_operating_temperature(parse_amount(ambient_temperature, Quantity.TEMPERATURE).base_value),
            again,
            other_meter,
            calibration,
        )
        function(rule_options=rule_options, **command_options)

    options = (
        click.option("--accuracy", metavar="LINE", help='The meter\'s own accuracy line: "2 % + 5 digits".'),
        click.option("--meter", metavar="NAME", help="Use the accuracy of this meter (see meterlink meter)."),
        click.option("--data", metavar="DIR", help="Data folder, for --meter."),
        *RULE_OPTIONS,
        click.option(
            "--again",
            multiple=True,
            metavar="VALUE",
            help="Another reading of the same part with the same meter; --reading is the newest. May be repeated.",
        ),
        click.option(
            "--other-meter",
            multiple=True,
            metavar="VALUE,LINE",
            help='A reading of it with another meter, and its line: "43.4uF, 1 % + 3 digits". May be repeated.',
        ),
        click.option(
            "--ambient-temperature", metavar="VALUE", help="The meter's temperature, if outside 18 to 28 °C: 35C, 95F."
        ),
    )
    for option in reversed(options):
        wrapper = option(wrapper)
    return wrapper


def _find_meter(name: str, data: str | None) -> tuple[AccuracySheet, Calibration | None]:
    # Imported only where a meter is named: the readers of settings and database cost more than the judgement.
    from meterlink.cli.stored_meters import load_known_meters  # noqa: PLC0415
    from meterlink.settings import existing_data_dir  # noqa: PLC0415

    meters = list(load_known_meters(existing_data_dir(data)))
    wanted = name.casefold()
    matches = [
        meter for meter in meters if wanted in {meter.name.casefold(), *map(str.casefold, meter.addresses)} - {""}
    ]
    if not matches:
        known = [known for meter in meters for known in (meter.name, meter.address)]
        remedy = did_you_mean(name, filter(None, known)) or "List them: meterlink meter list"
        raise InputError(f"No meter {name!r} is known.", remedy)
    if len(matches) > 1:
        raise InputError(f"{len(matches)} meters have the name {name!r}.", "Give the address of one of them.")
    if matches[0].sheet is None:
        raise InputError(f"No accuracy is known for {name!r}.", f"Enter it: meterlink meter accuracy {name!r} LINE")
    return matches[0].sheet, matches[0].calibration
