"""``meterlink judge supply``, ``control``, ``contactor`` and ``contacts``: a voltage against its limits."""

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
    settle_judgement,
    without_sign,
)
from meterlink.core.cautions import standard_caution
from meterlink.core.equipment import CircuitState, PointKind
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, convert, parse_amount, parse_number
from meterlink.core.verdicts import Judgement, Limits, Verdict
from meterlink.diagnosis.voltage_levels import LEAST_LINE_VOLTS, MOST_CONTROL_VOLTS
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
from meterlink.judge.flow import Flow
from meterlink.judge.judging import format_decimal, judge
from meterlink.judge.measured_value import format_figures

_CAUTION = standard_caution(CircuitState.ENERGIZED, Quantity.VOLTAGE)
_TOO_HIGH = "At these volts the coil overheats: first check the transformer and its tap."
_LINE_VOLTAGE = (
    "Line voltage in a control circuit: do not touch the control wiring, the thermostat and its wires may be live, too."
    " Open the disconnect of every circuit of the unit and lock it out. Then look for a transformer shorted from"
    " primary to secondary, or for a line wire there. If the meter was on other terminals, read again."
)


@click.command()
@click.option("--service", metavar="VALUE", help="Nominal service voltage, judged by ANSI C84.1: 240V.")
@click.option(
    "--range",
    "service_range",
    type=click.Choice([service_range.value for service_range in ServiceRange]),
    default="A",
    show_default=True,
    help="Range of ANSI C84.1.",
)
@click.option("--nameplate", metavar="VALUE", help="Voltage on the equipment's nameplate: 230V, 208/230.")
@click.option(
    "--tolerance",
    default=f"{NAMEPLATE_TOLERANCE:f} %",
    show_default=True,
    metavar="PERCENT",
    help="Tolerance of the nameplate voltage (AHRI 210/240, from memory).",
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
    answer: str | None,
    as_json: bool,
) -> None:
    """Judge a supply voltage: at the service (--service) or at the equipment (--nameplate).

    \b
        meterlink judge supply --nameplate 208/230 --reading 231.0V

    \f

    Raises:
        InputError: --service and --nameplate are both given or both missing, or a value cannot be used.
    """
    if (service is None) == (nameplate is None):
        raise InputError(
            "A supply voltage is judged by either service or nameplate.", "Give --service 240V or --nameplate 208/230."
        )
    value = require_not_negative(parse_measured_value(reading, Quantity.VOLTAGE))
    line = parse_optional_accuracy(accuracy)
    lines = []
    if nameplate is not None:
        limits = nameplate_voltage_limits(nameplate, parse_percent(tolerance, "--tolerance"))
        judgement = settle_judgement(judge(PointKind.RANGE, limits, value, line), answer, as_json=as_json)
    else:
        nominal = parse_amount(service or "", Quantity.VOLTAGE)
        limits = service_voltage_limits(nominal, ServiceRange(service_range))
        judgement = settle_judgement(judge(PointKind.RANGE, limits, value, line), answer, as_json=as_json)
        if judgement.resolution is not None:
            value = value.with_resolution(judgement.resolution)
        range_b = service_voltage_limits(nominal, ServiceRange.B)
        in_range_b = judge(PointKind.RANGE, range_b, replace(value, is_typed=False), line).verdict is Verdict.WITHIN
        if judgement.verdict is Verdict.OUTSIDE and in_range_b:
            lines.append(
                f"Within Range B ({format_decimal(range_b.low or Decimal(0))} to"
                f" {format_decimal(range_b.high or Decimal(0))} V, from memory)"
                ": acceptable for a limited time only; have it corrected."
            )
    print_judgement(limits, judgement, as_json=as_json, lines=[*lines, "Read it while the load runs.", _CAUTION])


@click.command()
@click.option(
    "--nominal", default="24V", show_default=True, metavar="VALUE", help="Control voltage of the system: 24V."
)
@click.option("--va", metavar="VALUE", help="The transformer's rating, to judge by Class 2: 40VA.")
@reading_options
def control(
    *, nominal: str, va: str | None, reading: str, accuracy: str | None, answer: str | None, as_json: bool
) -> None:
    """Judge a Class 2 control voltage: enough for a contactor (85 %), not above 30 V.

    \b
        meterlink judge control --reading 25.0V

    30 V and 100 VA: NEC chapter 9, table 11(A), from memory. An unloaded 24 V transformer reads 27 V and more.
    """
    rated = require_positive(parse_amount(nominal, Quantity.VOLTAGE), "--nominal")
    limits = control_voltage_limits(rated)
    value = require_not_negative(parse_measured_value(reading, Quantity.VOLTAGE))
    judgement = settle_judgement(
        judge(PointKind.RANGE, limits, value, parse_optional_accuracy(accuracy)), answer, as_json=as_json
    )
    lines, fields = [], {}
    if va is not None:
        rating = _parse_volt_amperes(va)
        fields = {"volt_amperes": json_number(rating)}
        if rating > CLASS_2_VOLT_AMPERES:
            excess = f"{format_decimal(rating)} VA is more than Class 2 allows ({CLASS_2_VOLT_AMPERES:f} VA)."
            judgement = replace(judgement, verdict=Verdict.OUTSIDE, reason=f"{excess} {judgement.reason}")
    coil_limit = rated.digits * PICK_UP_PERCENT[1] / 100
    digits, _ = value.in_unit(rated.unit)
    if judgement.verdict is Verdict.WITHIN and digits is not None and digits > coil_limit:
        lines.append(
            f"Too much for a {rated} coil ({format_decimal(coil_limit)} {rated.unit}, 110 %):"
            " measure at the coil under load."
        )
    if _is_line_voltage(limits, judgement):
        lines.append(_LINE_VOLTAGE)
    print_judgement(limits, judgement, as_json=as_json, fields=fields, lines=[*lines, _CAUTION])


def _parse_volt_amperes(text: str) -> Decimal:
    rating, unit = parse_number(text)
    if unit.upper() not in {"", "VA"} or rating <= 0:
        raise InputError(f"{text!r} is not a transformer rating.", "Write it as 40VA.")
    return rating


@click.command()
@click.option("--coil", required=True, metavar="VALUE", help="Rated coil voltage: 24V, 208/240V.")
@click.option(
    "--at",
    "test",
    type=click.Choice([coil_test.value for coil_test in CoilTest]),
    required=True,
    help="pick-up: volts at the coil when it should pull in; drop-out: volts at which it lets go.",
)
@click.option("--dc", is_flag=True, help="The coil is DC.")
@reading_options
def contactor(
    *,
    coil: str,
    test: str,
    dc: bool,
    reading: str,
    accuracy: str | None,
    answer: str | None,
    as_json: bool,
) -> None:
    """Judge the volts at a contactor's coil: enough to pull in, or low enough to let go.

    \b
        meterlink judge contactor --coil 24V --at pick-up --reading 19.0V

    IEC 60947-4-1 and NEMA ICS 2, from memory: pick-up 85 to 110 %, drop-out 20 to 75 % (DC 10 to 75 %).
    """
    coil_test = CoilTest(test)
    limits = coil_voltage_limits(coil, coil_test, dc=dc)
    value = parse_measured_value(reading, Quantity.VOLTAGE)
    value = without_sign(value) if dc else require_not_negative(value)
    judgement = settle_judgement(
        judge(PointKind.RANGE, limits, value, parse_optional_accuracy(accuracy)), answer, as_json=as_json
    )
    print_judgement(limits, judgement, as_json=as_json, lines=[_explanation(coil_test, limits, judgement), _CAUTION])


def _is_line_voltage(limits: Limits, judgement: Judgement) -> bool:
    """Return whether line voltage is in a circuit of control voltage, above its limits: a fault that can kill."""
    volts, high = judgement.digits, limits.high
    if volts is None or high is None:
        return False
    return (
        convert(high, limits.unit, "V") <= MOST_CONTROL_VOLTS and convert(volts, limits.unit, "V") >= LEAST_LINE_VOLTS
    )


def _explanation(test: CoilTest, limits: Limits, judgement: Judgement) -> str:
    """Return the meaning of the coil voltage for the contactor and its control supply."""
    low = limits.low is not None and judgement.digits is not None and judgement.digits < limits.low
    match test, judgement.verdict:
        case CoilTest.PICK_UP, Verdict.WITHIN:
            return "At these volts the contactor must pull in; if it does not, it has failed."
        case CoilTest.PICK_UP, _ if low:
            return "At these volts the contactor need not pull in: first find where the control volts are lost."
        case CoilTest.PICK_UP, _:
            return _LINE_VOLTAGE if _is_line_voltage(limits, judgement) else _TOO_HIGH
        case CoilTest.DROP_OUT, Verdict.WITHIN:
            return "It lets go where it should."
        case CoilTest.DROP_OUT, _ if low:
            return "If it held until here, it holds on too long: a part sticks, or the iron stays magnetized."
        case _:
            return "It lets go too early: it will chatter when the control volts dip."


@click.command()
@click.option(
    "--limit", default=str(DEFAULT_CONTACT_DROP), show_default=True, metavar="VALUE", help="Highest good voltage: 0.1V."
)
@click.option("--amps", metavar="VALUE", help="Current through the contacts, 20A, for their resistance and heat.")
@reading_options
def contacts(
    *, limit: str, amps: str | None, reading: str, accuracy: str | None, answer: str | None, as_json: bool
) -> None:
    """Judge the volts across closed contacts with their load running.

    \b
        meterlink judge contacts --reading 0.05V --amps 20A

    The default limit is common practice, no source. Volts near line voltage mean open contacts.
    """
    limits = contact_drop_limits(parse_amount(limit, Quantity.VOLTAGE))
    value = without_sign(parse_measured_value(reading, Quantity.VOLTAGE))
    current = (
        None if amps is None else require_not_negative(parse_measured_value(amps, Quantity.CURRENT)).in_unit("A")[0]
    )
    flow = Flow.PROVEN if current else Flow.EXPECTED
    judgement = settle_judgement(
        judge(PointKind.RANGE, limits, value, parse_optional_accuracy(accuracy), flow=flow), answer, as_json=as_json
    )
    lines, fields = [], {}
    volts, _ = value.in_unit("V")
    if current and volts is not None:
        drop, heat = (format_figures(figure, 3) for figure in (volts / current * 1000, volts * current))
        lines.append(f"{drop} mΩ, {heat} W of heat at {current:f} A")
        fields = {
            "contact_resistance": json_significant(float(volts / current)),
            "resistance_unit": "Ω",
            "heat": json_significant(float(volts * current)),
            "heat_unit": "W",
        }
    lines.append("Read it while the load runs: no current, no drop. Near line volts the contacts are open.")
    print_judgement(limits, judgement, as_json=as_json, fields=fields, lines=[*lines, _CAUTION])
