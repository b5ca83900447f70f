"""``meterlink judge supply``, ``control``, ``contactor`` and ``contacts``: one voltage against its band."""

from dataclasses import replace
from decimal import Decimal

import click

from meterlink.cli.judge.output import (
    json_number,
    json_significant,
    parse_measured_value,
    parse_optional_accuracy,
    parse_percent,
    print_judgement,
    reading_options,
    require_not_negative,
    require_positive,
    without_sign,
)
from meterlink.core.cautions import standard_caution
from meterlink.core.equipment import CircuitState, PointKind
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount, parse_number
from meterlink.core.verdicts import Judgement, Limits, Verdict
from meterlink.judge.electrical.bands import (
    CLASS_2_VOLT_AMPERES,
    DEFAULT_CONTACT_DROP,
    NAMEPLATE_TOLERANCE,
    PICK_UP_PERCENT,
    CoilTest,
    ServiceRange,
    coil_voltage_limits,
    contact_drop_limits,
    control_voltage_limits,
    nameplate_voltage_limits,
    service_voltage_limits,
)
from meterlink.judge.judging import format_decimal, judge

_CAUTION = standard_caution(CircuitState.ENERGIZED, Quantity.VOLTAGE)


@click.command()
@click.option("--service", metavar="VALUE", help="Nominal service voltage, for the bands of ANSI C84.1: 240V.")
@click.option(
    "--range",
    "service_range",
    type=click.Choice([each.value for each in ServiceRange]),
    default="A",
    show_default=True,
    help="Of ANSI C84.1.",
)
@click.option("--nameplate", metavar="VALUE", help="Voltage on the equipment's nameplate: 230V, 208/230.")
@click.option(
    "--tolerance",
    default=f"{NAMEPLATE_TOLERANCE:f} %",
    show_default=True,
    metavar="PERCENT",
    help="Around the nameplate (AHRI 210/240, from memory).",
)
@reading_options
def supply(
    *,
    service: str | None,
    service_range: str,
    nameplate: str | None,
    tolerance: str,
    reading: str,
    accuracy: str | None,
    as_json: bool,
) -> None:
    """Judge a supply voltage: at the service (--service) or at the equipment (--nameplate)."""
    if (service is None) == (nameplate is None):
        raise InputError("A supply voltage is held against one band.", "Give --service 240V or --nameplate 208/230.")
    shown = require_not_negative(parse_measured_value(reading, Quantity.VOLTAGE))
    line = parse_optional_accuracy(accuracy)
    lines = []
    if nameplate is not None:
        limits = nameplate_voltage_limits(nameplate, parse_percent(tolerance, "--tolerance"))
        judgement = judge(PointKind.RANGE, limits, shown, line)
    else:
        nominal = parse_amount(service or "", Quantity.VOLTAGE)
        limits = service_voltage_limits(nominal, ServiceRange(service_range))
        judgement = judge(PointKind.RANGE, limits, shown, line)
        wider = service_voltage_limits(nominal, ServiceRange.B)
        if (
            judgement.verdict is Verdict.OUTSIDE
            and judge(PointKind.RANGE, wider, shown, line).verdict is Verdict.WITHIN
        ):
            lines.append(
                f"Within Range B ({format_decimal(wider.low or Decimal(0))} to {format_decimal(wider.high or Decimal(0))} V, from memory)"
                ": tolerated for a limited time, and to be corrected."
            )
    print_judgement(limits, judgement, as_json=as_json, lines=[*lines, "Read it with the load running.", _CAUTION])


@click.command()
@click.option("--nominal", default="24V", show_default=True, metavar="VALUE", help="Control voltage of the system.")
@click.option("--va", metavar="VALUE", help="The transformer's rating, to hold against Class 2: 40VA.")
@reading_options
def control(*, nominal: str, va: str | None, reading: str, accuracy: str | None, as_json: bool) -> None:
    """Judge a Class 2 control voltage: enough for a contactor (85 %), not above 30 V.

    30 V and 100 VA: NEC chapter 9, table 11(A), from memory. An unloaded 24 V transformer reads 27 V and more.
    """
    rated = require_positive(parse_amount(nominal, Quantity.VOLTAGE), "--nominal")
    limits = control_voltage_limits(rated)
    shown = require_not_negative(parse_measured_value(reading, Quantity.VOLTAGE))
    judgement = judge(PointKind.RANGE, limits, shown, parse_optional_accuracy(accuracy))
    lines, fields = [], {}
    if va is not None:
        rating = _parse_volt_amperes(va)
        fields = {"volt_amperes": json_number(rating)}
        if rating > CLASS_2_VOLT_AMPERES:
            reason = f"{format_decimal(rating)} VA is more than Class 2 allows ({CLASS_2_VOLT_AMPERES:f} VA). {judgement.reason}"
            judgement = replace(judgement, verdict=Verdict.OUTSIDE, reason=reason)
    coil = rated.digits * PICK_UP_PERCENT[1] / 100
    digits, _ = shown.in_unit(rated.unit)
    if judgement.verdict is Verdict.WITHIN and digits is not None and digits > coil:
        lines.append(
            f"More than a {rated} coil is made for ({format_decimal(coil)} {rated.unit}, 110 %): measure at the coil, loaded."
        )
    print_judgement(limits, judgement, as_json=as_json, fields=fields, lines=[*lines, _CAUTION])


def _parse_volt_amperes(text: str) -> Decimal:
    rating, unit = parse_number(text)
    if unit.upper() not in {"", "VA"} or rating <= 0:
        raise InputError(f"{text!r} is no transformer rating.", "Write it as 40VA.")
    return rating


@click.command()
@click.option("--coil", required=True, metavar="VALUE", help="Rated coil voltage: 24V.")
@click.option(
    "--at",
    "test",
    type=click.Choice([each.value for each in CoilTest]),
    required=True,
    help="pick-up: volts at the coil while it is called for; drop-out: volts at which it lets go.",
)
@click.option("--dc", is_flag=True, help="A DC coil.")
@reading_options
def contactor(
    *,
    coil: str,
    test: str,
    dc: bool,
    reading: str,
    accuracy: str | None,
    as_json: bool,
) -> None:
    """Judge the volts at a contactor's coil: must it pull in, has it let go where it must.

    IEC 60947-4-1 and NEMA ICS 2, from memory: pick-up 85 to 110 %, drop-out 20 to 75 % (DC 10 to 75 %).
    """
    which = CoilTest(test)
    limits = coil_voltage_limits(require_positive(parse_amount(coil, Quantity.VOLTAGE), "--coil"), which, dc=dc)
    shown = parse_measured_value(reading, Quantity.VOLTAGE)
    judgement = judge(
        PointKind.RANGE,
        limits,
        without_sign(shown) if dc else require_not_negative(shown),
        parse_optional_accuracy(accuracy),
    )
    print_judgement(limits, judgement, as_json=as_json, lines=[_explanation(which, limits, judgement), _CAUTION])


def _explanation(test: CoilTest, limits: Limits, judgement: Judgement) -> str:
    """Return what the coil voltage says about the contactor and about what feeds it."""
    low = limits.low is not None and judgement.digits is not None and judgement.digits < limits.low
    match test, judgement.verdict:
        case CoilTest.PICK_UP, Verdict.WITHIN:
            return "At these volts it must pull in; where it does not, the contactor is at fault."
        case CoilTest.PICK_UP, _ if low:
            return "At these volts it need not pull in: look for where the control volts are lost first."
        case CoilTest.PICK_UP, _:
            return "At these volts the coil overheats: look at the transformer and its tap first."
        case CoilTest.DROP_OUT, Verdict.WITHIN:
            return "It lets go where it must."
        case CoilTest.DROP_OUT, _ if low:
            return "It holds on for too long: something sticks, or the iron keeps magnetism."
        case _:
            return "It lets go too early: it will chatter when the control volts dip."


@click.command()
@click.option(
    "--limit", default=str(DEFAULT_CONTACT_DROP), show_default=True, metavar="VALUE", help="Most volts still good."
)
@click.option("--amps", metavar="VALUE", help="Current through the contacts, for their resistance and heat.")
@reading_options
def contacts(*, limit: str, amps: str | None, reading: str, accuracy: str | None, as_json: bool) -> None:
    """Judge the volts across closed contacts with their load running.

    The default limit is common practice, no source. Volts near those of the line mean the contacts are open.
    """
    limits = contact_drop_limits(parse_amount(limit, Quantity.VOLTAGE))
    shown = without_sign(parse_measured_value(reading, Quantity.VOLTAGE))
    judgement = judge(PointKind.RANGE, limits, shown, parse_optional_accuracy(accuracy))
    lines, fields = [], {}
    volts, _ = shown.in_unit("V")
    if amps is not None:
        through = require_positive(parse_amount(amps, Quantity.CURRENT), "--amps").to("A")
        if volts is not None:
            lines.append(f"{volts / through * 1000:.3g} mΩ, {volts * through:.3g} W of heat at {through:f} A")
            fields = {
                "contact_resistance": json_significant(float(volts / through)),
                "resistance_unit": "Ω",
                "heat": json_significant(float(volts * through)),
                "heat_unit": "W",
            }
    lines.append("Only with the load running: no current, no drop. Near line volts the contacts are open.")
    print_judgement(limits, judgement, as_json=as_json, fields=fields, lines=[*lines, _CAUTION])
