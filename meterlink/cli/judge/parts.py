"""``meterlink judge capacitor`` and ``coil``: a part's reading against its rating or two limits."""

import click

from meterlink.cli.judge.output import (
    json_option,
    parse_measured_value,
    print_judgement,
    require_positive,
    settle_judgement,
)
from meterlink.cli.judge.questions import answer_option
from meterlink.cli.judge.rule_options import RuleOptions, with_rule_options
from meterlink.core.equipment import PointKind, Rating
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Limits, Verdict
from meterlink.judge.judging import MeasuredValue, format_decimal
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE

_READING = click.option("--reading", required=True, metavar="VALUE", help="The meter's reading with its unit, or OL.")


@click.command()
@click.option("--rated", required=True, metavar="VALUE", help="Rated capacitance of the section: 45uF, 45 MFD.")
@click.option(
    "--tolerance",
    default=DEFAULT_CAPACITOR_TOLERANCE,
    show_default=True,
    metavar="TOL",
    help='Tolerance: "6 %", "-10/+30 %", "±0.5 uF" or an IEC 60062 letter.',
)
@_READING
@with_rule_options
@answer_option
@json_option
def capacitor(
    *, rated: str, tolerance: str, reading: str, rule_options: RuleOptions, answer: str | None, as_json: bool
) -> None:
    """Judge one section of a run capacitor against its rating.

    \b
        meterlink judge capacitor --rated 45uF --tolerance "6 %" --reading 43.10uF

    The default tolerance is common practice in the trade; a tolerance printed on the part is better. An overload, and a
    reading whose left-out zeros change the verdict, raise a question: its choices are printed, and the exit status is
    3. Give the same command with --answer.
    """
    rated_value = require_positive(parse_amount(rated, Quantity.CAPACITANCE), "--rated")
    limits = rated_limits(Rating(rated_value, tolerance))
    value = parse_measured_value(reading, Quantity.CAPACITANCE)
    _judge(PointKind.CAPACITOR, limits, value, rule_options, answer, as_json=as_json)


@click.command()
@click.option("--low", metavar="VALUE", help="Lowest good resistance: 10ohm, 1.2k.")
@click.option("--high", metavar="VALUE", help="Highest good resistance: 18ohm.")
@click.option("--rated", metavar="RATING", help='The marking, without the maker\'s resistance: "24 V 9 VA".')
@_READING
@with_rule_options
@answer_option
@json_option
def coil(
    *,
    low: str | None,
    high: str | None,
    rated: str | None,
    reading: str,
    rule_options: RuleOptions,
    answer: str | None,
    as_json: bool,
) -> None:
    """Judge a coil's resistance, read at its two terminals with the wires off, against two limits.

    \b
        meterlink judge coil --low 10ohm --high 18ohm --reading 14.2ohm
        meterlink judge coil --rated "24 V 9 VA" --reading 14.2ohm

    The marking alone proves an open or a shorted coil; between them it cannot tell: an AC coil's ohms are well below
    U²/VA.

    \f

    Raises:
        InputError: the limits and the marking are both given or both missing, or a value cannot be used.
    """
    if rated is not None and low is None and high is None:
        _judge_by_rating(rated, reading, rule_options, answer, as_json=as_json)
        return
    if rated is not None or low is None or high is None:
        raise InputError("A coil is judged by two limits or by its marking.", "Give --low and --high, or --rated.")
    from meterlink.plans import make_span  # noqa: PLC0415  # a capacitor is judged without the reader of plans

    span = make_span(
        require_positive(parse_amount(low, Quantity.RESISTANCE), "--low"),
        require_positive(parse_amount(high, Quantity.RESISTANCE), "--high"),
    )
    assert span is not None  # noqa: S101  # both limits are required options
    value = parse_measured_value(reading, Quantity.RESISTANCE)
    _judge(PointKind.COIL, span_limits(span), value, rule_options, answer, as_json=as_json)


def _judge_by_rating(rated: str, reading: str, rule_options: RuleOptions, answer: str | None, *, as_json: bool) -> None:
    from meterlink.judge.electrical.coils import judge_coil_by_rating, parse_coil_rating  # noqa: PLC0415  # as above

    rating = parse_coil_rating(rated)
    if rating is None:
        raise InputError(f"{rated.strip()!r} is no marking of a coil.", "Write its volts and VA: 24 V 9 VA.")
    judgement = judge_coil_by_rating(
        rating, parse_measured_value(reading, Quantity.RESISTANCE), rule_options.accuracy, rule_options.celsius
    )
    judgement = settle_judgement(judgement, answer, as_json=as_json)
    assert judgement.limits is not None  # noqa: S101  # it names the rating
    print_judgement(judgement.limits, judgement, as_json=as_json)


def _judge(
    kind: PointKind,
    limits: Limits,
    value: MeasuredValue,
    rule_options: RuleOptions,
    answer: str | None,
    *,
    as_json: bool,
) -> None:
    judgement, fields = rule_options.judge(kind, limits, value, answer, as_json=as_json)
    lines = []
    if judgement.verdict is Verdict.CANNOT_TELL and len(value.possible_displays()) > 1 and not judgement.answer:
        step = f"{format_decimal(value.resolution)} {value.unit}"
        lines = [f"Taken as a display in steps of {step}. If it shows more decimals, type them all."]
    print_judgement(limits, judgement, as_json=as_json, fields=fields, lines=lines)
