"""Motors: ``windings``, ``insulation``, ``winding-temperature``, ``reference-resistance``, ``unbalance``, ``amps``."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import click

from meterlink.cli.judge.output import (
    Function,
    json_number,
    json_option,
    json_significant,
    judgement_fields,
    parse_measured_value,
    parse_optional_accuracy,
    parse_percent,
    print_answer,
    print_judgement,
    reading_options,
    require_not_negative,
    require_positive,
    require_value,
    settle_judgement,
)
from meterlink.cli.judge.questions import answer_option, settle
from meterlink.core.cautions import standard_caution
from meterlink.core.equipment import CircuitState, PointKind
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.core.units import Amount, Quantity, parse_amount, parse_number, quantity_of
from meterlink.core.verdicts import Limits, Verdict
from meterlink.judge.electrical.bands import MAX_NAMEPLATE_PERCENT, nameplate_current_limits
from meterlink.judge.electrical.insulation import (
    DEFAULT_INSULATION_MINIMUM,
    IEEE43_REMARK,
    WindingType,
    ieee43_minimum,
    insulation_limits,
    judge_insulation,
)
from meterlink.judge.electrical.lost_phase import LineReading
from meterlink.judge.electrical.unbalance import (
    DEFAULT_UNBALANCE_LIMIT,
    derating_factor,
    derating_text,
    judge_phases,
)
from meterlink.judge.electrical.winding_readings import SHORTED_BELOW
from meterlink.judge.electrical.winding_temperature import (
    WindingMetal,
    is_plausible_temperature,
    resistance_at_temperature,
    winding_temperature,
)
from meterlink.judge.electrical.windings import identify_windings, parse_motor_kind
from meterlink.judge.estimates import round_significant
from meterlink.judge.flow import Flow
from meterlink.judge.judging import MeasuredValue, format_decimal, judge
from meterlink.judge.uncertainty import assumed_accuracy

_CAUTION = standard_caution(CircuitState.ISOLATED, Quantity.RESISTANCE)
_TEST_VOLTAGE_NOTE = (
    "A multimeter tests with a few volts: insulation that fails at working voltage can still read well. Never put an "
    "insulation tester on a compressor under vacuum (common practice, no source)."
)


@click.command()
@click.argument("readings", nargs=-1, required=True, metavar="A-B=VALUE A-C=VALUE B-C=VALUE")
@click.option("--to-ground", metavar="VALUE", help="Lowest reading from any terminal to bare metal of the case, or OL.")
@click.option(
    "--ground-minimum",
    default=str(DEFAULT_INSULATION_MINIMUM),
    show_default=True,
    metavar="VALUE",
    help="Lowest good resistance to ground: 2Mohm.",
)
@click.option(
    "--shorted-below",
    default=str(SHORTED_BELOW),
    show_default=True,
    metavar="VALUE",
    help="Lower readings are a short: 0.1ohm.",
)
@click.option("--motor", metavar="KIND", help="single-phase or three-phase, where the names do not say it.")
@click.option("--accuracy", metavar="LINE", help='The meter\'s own accuracy line: "1 % + 3 digits".')
@answer_option
@json_option
def windings(
    *,
    readings: tuple[str, ...],
    to_ground: str | None,
    ground_minimum: str,
    shorted_below: str,
    motor: str | None,
    accuracy: str | None,
    answer: str | None,
    as_json: bool,
) -> None:
    """Find C, S and R of a single-phase motor, or judge the windings of a three-phase one, from three readings.

    \b
        meterlink judge windings C-S=4.00ohm C-R=1.00ohm R-S=5.00ohm

    Name the terminals as you like: 1-2=4.0ohm 2-3=1.0ohm 1-3=5.0ohm, with OL for an overload. C, S and R mean a
    single-phase motor, and distinguish an open winding from an open internal protector. T1, T2 and T3, or U, V and W,
    mean a three-phase motor. With other names the readings decide; where they fit both, the answer is a question.
    """
    line = parse_optional_accuracy(accuracy)
    result = identify_windings(
        [_parse_pair_reading(text) for text in readings],
        line,
        require_positive(parse_amount(shorted_below, Quantity.RESISTANCE), "--shorted-below"),
        motor=None if motor is None else parse_motor_kind(motor),
    )
    ground_judgement, ground_limits = None, insulation_limits(parse_amount(ground_minimum, Quantity.RESISTANCE))
    if to_ground is not None:
        ground_judgement = judge_insulation(ground_limits, parse_measured_value(to_ground, Quantity.RESISTANCE), line)
    if result.question is None and ground_judgement is not None and ground_judgement.question is not None:
        ground_judgement = settle_judgement(ground_judgement, answer, as_json=as_json)
    else:
        result = settle(result.question or result, answer, as_json=as_json)
    if ground_judgement is not None:  # after the windings' question, it is answered by typing every decimal
        ground_judgement = settle_judgement(ground_judgement, None, as_json=as_json)
    used_line = line or assumed_accuracy(Quantity.RESISTANCE)
    fields: dict[str, Any] = {
        "verdict": str(result.verdict),
        "headline": result.headline,
        "terminals_by_role": {role: result.terminals_by_role.get(role) for role in ("C", "S", "R")},
        "sum_error": json_significant(result.sum_error),
        "sum_uncertainty": json_significant(result.sum_uncertainty),
        "lead_resistance": json_significant(result.lead_ohms),
        "unit": "Ω",
        "accuracy": str(used_line),
        "reason": result.reason,
    }
    head = result.headline
    lines = [result.reason, f"meter accuracy {used_line}"]
    if ground_judgement is not None:
        fields["to_ground"] = judgement_fields(ground_limits, ground_judgement)
        head += f"; TO GROUND {ground_judgement.verdict.upper()}"
        lines.append(f"To ground: {ground_judgement.reason} {IEEE43_REMARK} {_TEST_VOLTAGE_NOTE}")
    print_answer(fields, [head, *lines, _CAUTION], as_json=as_json)


def _parse_pair_reading(text: str) -> tuple[str, str, MeasuredValue]:
    pair, equals, value = text.partition("=")
    names = [clean_text(name, 12) for name in pair.split("-")]
    if not equals or len(names) != 2 or not all(names):
        raise InputError(f"{text!r} is not a reading between two terminals.", "Write it as 1-2=4.0ohm.")
    return names[0], names[1], parse_measured_value(value, Quantity.RESISTANCE)


@click.command()
@click.option(
    "--minimum", metavar="VALUE", help=f"Lowest good resistance to ground; default {DEFAULT_INSULATION_MINIMUM}."
)
@click.option(
    "--winding-type",
    type=click.Choice([winding_type.value for winding_type in WindingType]),
    help="Use the minimum of IEEE 43-2013 for this winding.",
)
@click.option(
    "--rated-volts", metavar="VALUE", help="Rated line-to-line voltage, 460V, for --winding-type before-1970."
)
@reading_options
def insulation(
    *,
    minimum: str | None,
    winding_type: str | None,
    rated_volts: str | None,
    reading: str,
    accuracy: str | None,
    answer: str | None,
    as_json: bool,
) -> None:
    """Judge a winding's resistance to ground against a minimum.

    \b
        meterlink judge insulation --reading 20.0Mohm

    The default minimum is common practice, no source. IEEE 43 requires one-minute values corrected to 40 °C, and is no
    limit for a hermetic compressor.

    \f

    Raises:
        InputError: an option cannot be used, is missing, or contradicts another.
    """
    if winding_type is not None and minimum is not None:
        raise InputError("--minimum and --winding-type each set a minimum.", "Give one of them.")
    if winding_type is None:
        limits = insulation_limits(
            parse_amount(minimum, Quantity.RESISTANCE) if minimum is not None else DEFAULT_INSULATION_MINIMUM
        )
    else:
        kind = WindingType(winding_type)
        if kind is WindingType.BEFORE_1970 and rated_volts is None:
            raise InputError(f"The minimum for {kind} depends on the rated voltage.", "Give --rated-volts 480V.")
        volts = require_positive(parse_amount(rated_volts or "1V", Quantity.VOLTAGE), "--rated-volts")
        ieee_minimum = ieee43_minimum(kind, volts.to("kV"))
        limits = insulation_limits(ieee_minimum, f"the minimum to ground, IEEE 43-2013 {kind}")
    judgement = settle_judgement(
        judge_insulation(limits, parse_measured_value(reading, Quantity.RESISTANCE), parse_optional_accuracy(accuracy)),
        answer,
        as_json=as_json,
    )
    print_judgement(limits, judgement, as_json=as_json, lines=[IEEE43_REMARK, _TEST_VOLTAGE_NOTE, _CAUTION])


_METALS = {"copper": WindingMetal.COPPER, "copper-iec": WindingMetal.COPPER_IEC, "aluminium": WindingMetal.ALUMINIUM}


def _metal_options(function: Function) -> Function:
    options: list[Callable[[Function], Function]] = [
        json_option,
        click.option("--k", "constant", metavar="NUMBER", help="The metal's constant k: 228, also used for aluminium."),
        click.option(
            "--metal", type=click.Choice(list(_METALS)), default="copper", show_default=True, help="Winding metal."
        ),
    ]
    for option in options:
        function = option(function)
    return function


def _parse_constant(metal: str, text: str | None) -> float:
    if text is None:
        return _METALS[metal].value
    constant, rest = parse_number(text)
    # The resistance of a metal extrapolates to zero at -k °C: near absolute zero, far from 0 °C.
    if rest or not 150 <= constant <= 300:
        raise InputError(f"k = {text!r} fits no winding metal.", "Copper has 234.5 or 235, aluminium 225 or 228.")
    return float(constant)


@click.command("winding-temperature")
@click.option("--cold", required=True, metavar="VALUE", help="Resistance of the cold winding: 1.50ohm.")
@click.option("--cold-at", required=True, metavar="VALUE", help="Temperature of the cold winding: 20C, 68F.")
@click.option("--hot", required=True, metavar="VALUE", help="Resistance of the hot winding: 1.80ohm.")
@click.option(
    "--ambient", metavar="VALUE", help="Air temperature at the hot reading, 25C or 77F, to calculate the rise."
)
@_metal_options
def winding_temperature_command(
    *,
    cold: str,
    cold_at: str,
    hot: str,
    ambient: str | None,
    metal: str,
    constant: str | None,
    as_json: bool,
) -> None:
    """Calculate a winding's mean temperature from its cold and its hot resistance.

    \b
        meterlink judge winding-temperature --cold 1.50ohm --cold-at 20C \\
            --hot 1.80ohm
    """
    k = _parse_constant(metal, constant)
    celsius = winding_temperature(_parse_ohms(cold), _parse_celsius(cold_at), _parse_ohms(hot), k)
    rise = None if ambient is None else celsius - _parse_celsius(ambient)
    head = f"{celsius:.1f} °C ({celsius * 1.8 + 32:.1f} °F)" + ("" if rise is None else f", RISE {rise:.1f} K")
    reason = "This is the mean of the whole winding; its hottest spot is hotter."
    if not is_plausible_temperature(celsius):
        reason = "No winding has this temperature. Zero the leads and read the same winding both times."
    print_answer(
        {
            "temperature": json_significant(celsius),
            "unit": "°C",
            "rise": json_significant(rise),
            "rise_unit": "K",
            "metal_constant": json_number(k),
            "plausible": is_plausible_temperature(celsius),
            "reason": reason,
        },
        [head, reason, f"R_hot/R_cold · (k + t_cold) - k, {_constant_text(metal, constant, k)}", _CAUTION],
        as_json=as_json,
    )


@click.command("reference-resistance")
@click.option("--reading", required=True, metavar="VALUE", help="The resistance reading: 10.0ohm.")
@click.option("--at", required=True, metavar="VALUE", help="The winding's temperature at the reading: 25C, 77F.")
@click.option("--reference", default="20C", show_default=True, metavar="VALUE", help="Reference temperature: 25C, 77F.")
@_metal_options
def reference_resistance(
    *,
    reading: str,
    at: str,
    reference: str,
    metal: str,
    constant: str | None,
    as_json: bool,
) -> None:
    """Convert a winding's resistance to a reference temperature, to compare it with a data sheet or last year.

    \b
        meterlink judge reference-resistance --reading 10.0ohm --at 25C
    """
    k = _parse_constant(metal, constant)
    ohms = resistance_at_temperature(_parse_ohms(reading), _parse_celsius(at), _parse_celsius(reference), k)
    celsius = _parse_celsius(reference)
    reason = "A winding just switched off is hotter than the air around it: let it cool to the given temperature first."
    print_answer(
        {
            "resistance": json_significant(ohms),
            "unit": "Ω",
            "reference": json_significant(celsius),
            "reference_unit": "°C",
            "metal_constant": json_number(k),
            "reason": reason,
        },
        [
            f"{format_decimal(round_significant(ohms))} Ω at {celsius:.4g} °C",
            reason,
            f"R · (k + t_ref)/(k + t), {_constant_text(metal, constant, k)}",
            _CAUTION,
        ],
        as_json=as_json,
    )


def _constant_text(metal: str, constant: str | None, k: float) -> str:
    return f"k = {k:g} ({metal if constant is None else 'as given'})"


def _parse_ohms(text: str) -> float:
    digits, _ = require_value(parse_measured_value(text, Quantity.RESISTANCE)).in_unit("Ω")
    return float(digits or 0)


def _parse_celsius(text: str) -> float:
    return float(parse_amount(text, Quantity.TEMPERATURE).to("°C"))


@click.command("unbalance")
@click.argument("readings", nargs=-1, required=True, metavar="VALUE VALUE VALUE")
@click.option("--limit", metavar="PERCENT", help="Highest unbalance (NEMA); default 2 % for volts, 10 % for amps.")
@click.option(
    "--wander",
    metavar="PERCENT",
    help="How far the supply may move between two readings; default 0.5 % for volts, 1 % for amps; 0 if read at once.",
)
@click.option("--motor-runs/--load-off", default=None, help="Whether a motor runs on these lines while volts are read.")
@json_option
def unbalance_command(
    *, readings: tuple[str, ...], limit: str | None, wander: str | None, motor_runs: bool | None, as_json: bool
) -> None:
    """Judge three line-to-line voltages, or three line currents, read with one meter on one range.

    \b
        meterlink judge unbalance 460.0V 467.0V 450.0V

    Volts in the order L1-L2, L2-L3, L1-L3, amps in the order L1, L2, L3. A lost phase is named; without one
    the unbalance is judged.

    The NEMA percentage is the largest deviation from the mean, divided by the mean. The true percentage is negative
    over positive sequence. The default limits, and how far the supply moves between readings taken one after the
    other, are common practice, no source.

    \f

    Raises:
        InputError: the readings are neither three voltages nor three currents, the limit is not above zero, or the
            wander is negative.
    """
    if len(readings) != 3:
        raise InputError(
            f"There are three readings to give, not {len(readings)}: {', '.join(readings)}.", "Give one of each line."
        )
    values = [_parse_line_value(text) for text in readings]
    quantity, unit = values[0].quantity, values[0].unit
    if any(value.quantity is not quantity for value in values):
        raise InputError(f"{', '.join(readings)} mix volts and amps.", "Give three voltages or three currents.")
    volts = quantity is Quantity.VOLTAGE
    max_percent = DEFAULT_UNBALANCE_LIMIT[quantity] if limit is None else parse_percent(limit, "--limit")
    names = (("L1", "L2"), ("L2", "L3"), ("L1", "L3")) if volts else (("L1",), ("L2",), ("L3",))
    phases = judge_phases(
        [LineReading(lines, value) for lines, value in zip(names, values, strict=True)],
        max_percent,
        motor_runs=motor_runs,
        wander_percent=None if wander is None else _parse_wander(wander),
    )
    caution = standard_caution(CircuitState.ENERGIZED, quantity)
    judgement, result = phases.judgement, phases.unbalance
    limits = judgement.limits or Limits(None, max_percent, "%", "")
    if result is None:
        print_judgement(limits, judgement, as_json=as_json, fields={"lost_line": None}, lines=[caution])
        return
    factor = derating_factor(float(result.nema_percent)) if volts else None
    name = "true VUF (V2/V1)" if volts else "negative over positive sequence (I2/I1)"
    mean = format_decimal(round_significant(float(result.mean)))
    percentages = f"NEMA MG-1 {result.nema_percent:.2f} %, {name} {result.true_percent:.2f} %"
    lines = [f"mean {mean} {unit}, {percentages}"]
    if volts and not phases.lost_line:
        lines.append(derating_text(float(result.nema_percent)))
    print_judgement(
        limits,
        judgement,
        as_json=as_json,
        fields={
            "lost_line": phases.lost_line,
            "mean": json_significant(float(result.mean)),
            "mean_unit": unit,
            "nema_percent": json_significant(float(result.nema_percent)),
            "negative_over_positive_percent": json_significant(result.true_percent),
            "derating_factor": json_significant(factor),
            "operate": factor is not None if volts else None,
        },
        lines=[*lines, standard_caution(CircuitState.ENERGIZED, quantity)],
    )


def _parse_wander(text: str) -> Decimal:
    percent = parse_amount(text, Quantity.RATIO, unit="%").digits
    if not 0 <= percent < 100:
        raise InputError(f"--wander {percent:f} % is not from 0 to 100 %.", "Give 0.5 %, or 0 for readings at once.")
    return percent


def _parse_line_value(text: str) -> MeasuredValue:
    amount = parse_amount(text)
    quantity = quantity_of(amount.unit)
    if quantity not in DEFAULT_UNBALANCE_LIMIT:
        raise InputError(f"{amount} is neither volts nor amps.", "Write each reading as 460V or 10.2A.")
    return MeasuredValue.from_amount(quantity, amount)


@click.command()
@click.option("--rla", metavar="VALUE", help="Rated load amps on the compressor's nameplate: 14.1A.")
@click.option("--fla", metavar="VALUE", help="Full load amps on the motor's nameplate: 1.2A.")
@click.option("--mca", metavar="VALUE", help="Minimum circuit ampacity, 18A, for information: it sizes conductors.")
@click.option(
    "--most",
    default=f"{MAX_NAMEPLATE_PERCENT:f} %",
    show_default=True,
    metavar="PERCENT",
    help="Limit in percent of RLA or FLA.",
)
@reading_options
def amps(
    *,
    rla: str | None,
    fla: str | None,
    mca: str | None,
    most: str,
    reading: str,
    accuracy: str | None,
    answer: str | None,
    as_json: bool,
) -> None:
    """Judge running amps against the nameplate: RLA or FLA.

    \b
        meterlink judge amps --rla 14.1A --reading 12.40A

    The default limit of 100 % is common practice, no source. MCA sizes the conductors and is no limit for a reading.

    \f

    Raises:
        InputError: RLA and FLA are both given or both missing, or a value cannot be used.
    """
    if (rla is None) == (fla is None) and not (mca is not None and rla is None):
        raise InputError("Running amps are judged by either RLA or FLA.", "Give one of --rla and --fla.")
    value = require_not_negative(parse_measured_value(reading, Quantity.CURRENT))
    ampacity = None if mca is None else require_positive(parse_amount(mca, Quantity.CURRENT), "--mca")
    lines, fields = [], {}
    if ampacity is not None:
        share = _percent_of(require_value(value), ampacity)
        lines.append(
            f"MCA {ampacity} sizes the conductors and is no limit for a reading; this reading is {share:.0f} % of it."
        )
        if share > 100:
            lines.append("More than the circuit is sized for: check the conductors and the protection.")
        fields = {
            "mca": json_number(ampacity.digits),
            "mca_unit": ampacity.unit,
            "percent_of_mca": json_significant(share),
        }
    lines.append(standard_caution(CircuitState.ENERGIZED, Quantity.CURRENT))
    nameplate, name = (fla, "FLA") if rla is None else (rla, "RLA")
    if nameplate is None:
        print_answer({"verdict": str(Verdict.NO_LIMITS), **fields}, ["NO LIMITS", *lines], as_json=as_json)
        return
    rated = require_positive(parse_amount(nameplate, Quantity.CURRENT), f"--{name.lower()}")
    limits = nameplate_current_limits(rated, name, parse_percent(most, "--most"))
    judgement = settle_judgement(
        judge(PointKind.RANGE, limits, value, parse_optional_accuracy(accuracy), flow=Flow.EXPECTED),
        answer,
        as_json=as_json,
    )
    of_nameplate = None if value.digits is None else _percent_of(value, rated)
    if of_nameplate is not None:
        lines.insert(0, f"{of_nameplate:.0f} % of {name}")
    fields = {"percent_of_nameplate": json_significant(of_nameplate), "nameplate": name} | fields
    print_judgement(limits, judgement, as_json=as_json, fields=fields, lines=lines)


def _percent_of(value: MeasuredValue, reference: Amount) -> float:
    digits, _ = value.in_unit(reference.unit)
    return float((digits or 0) / reference.digits * 100)
