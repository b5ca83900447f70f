"""``meterlink judge under-load``, ``combine`` and ``discharge``: capacitors under load, combined, and charged."""

from decimal import Decimal
from math import isfinite
from typing import Any

import click

from meterlink.cli.judge.output import (
    json_number,
    json_option,
    json_significant,
    judgement_fields,
    judgement_text,
    parse_measured_value,
    parse_optional_accuracy,
    print_answer,
    require_positive,
    require_value,
)
from meterlink.core.cautions import standard_caution
from meterlink.core.equipment import CircuitState, Rating
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, display_amount, parse_amount, parse_number
from meterlink.core.verdicts import Verdict
from meterlink.judge.electrical.capacitance import (
    ASSUMED_FREQUENCY_HALF_WIDTH,
    judge_under_load,
    parallel_capacitance,
    series_capacitance,
)
from meterlink.judge.electrical.discharge import (
    DISCHARGE_TIME_LIMIT,
    RESIDUAL_VOLTAGE_LIMIT,
    bleed_down_time,
    max_bleed_resistance,
    peak_voltage,
    residual_voltage,
    stored_energy,
)
from meterlink.judge.estimates import Estimate, round_significant
from meterlink.judge.judging import format_decimal
from meterlink.judge.limits import rated_limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.judge.uncertainty import COVERAGE_FACTOR, assumed_accuracy

_VALIDITY_NOTE = (
    "Valid only for the current in this capacitor's own lead and the volts across its own two terminals, both sine "
    "waves: harmonics raise the amps and so the value."
)
_VERIFY_NOTE = "This is only a calculation: resistors fail open and leads come off. Verify by measurement."


@click.command()
@click.option("--amps", required=True, metavar="VALUE", help="Current in this capacitor's own lead: 6.28A.")
@click.option("--volts", required=True, metavar="VALUE", help="Volts AC across its own two terminals: 370V.")
@click.option("--frequency", required=True, metavar="VALUE", help="Supply frequency: 60Hz. Never assumed.")
@click.option("--rated", metavar="VALUE", help="Rated capacitance, to judge the result: 45uF.")
@click.option(
    "--tolerance",
    default=DEFAULT_CAPACITOR_TOLERANCE,
    show_default=True,
    metavar="TOL",
    help="Tolerance of the rating: 6 %.",
)
@click.option("--amps-accuracy", metavar="LINE", help='Accuracy line of the ammeter: "2 % + 5 digits".')
@click.option("--volts-accuracy", metavar="LINE", help='Accuracy line of the voltmeter: "1 % + 3 digits".')
@click.option(
    "--frequency-accuracy",
    metavar="LINE",
    help=f"Accuracy line of a measured frequency; otherwise ±{ASSUMED_FREQUENCY_HALF_WIDTH:g} Hz is assumed.",
)
@json_option
def under_load(
    *,
    amps: str,
    volts: str,
    frequency: str,
    rated: str | None,
    tolerance: str,
    amps_accuracy: str | None,
    volts_accuracy: str | None,
    frequency_accuracy: str | None,
    as_json: bool,
) -> None:
    """Calculate the capacitance of a running capacitor from its amps, volts and frequency.

    \b
        meterlink judge under-load --amps 6.28A --volts 370V --frequency 60Hz \\
            --rated 45uF

    C = I / (2πfV). Use the current in the capacitor's own lead and the volts across its own terminals only. With
    --rated the result is judged.
    """
    current, current_line = _parse_estimate(amps, Quantity.CURRENT, amps_accuracy)
    voltage, voltage_line = _parse_estimate(volts, Quantity.VOLTAGE, volts_accuracy)
    hertz, hertz_line = _parse_estimate(frequency, Quantity.FREQUENCY, frequency_accuracy)
    limits = None
    if rated is not None:
        limits = rated_limits(Rating(require_positive(parse_amount(rated, Quantity.CAPACITANCE), "--rated"), tolerance))
    accuracy = f"{current_line} on amps, {voltage_line} on volts, {hertz_line} on frequency"
    result = judge_under_load(current, voltage, hertz, limits, accuracy)
    microfarads, u = result.capacitance.value * 1e6, result.capacitance.standard_uncertainty * 1e6
    fields: dict[str, Any] = {
        "capacitance": json_significant(microfarads),
        "capacitance_unit": "µF",
        "standard_uncertainty": json_significant(u),
        "expanded_uncertainty": json_significant(COVERAGE_FACTOR * u),
        "coverage_factor": json_number(COVERAGE_FACTOR),
        "fits_other_mains_frequency": result.fits_other_mains_frequency,
        "warnings": list(result.warnings),
    }
    value = (
        f"{format_decimal(round_significant(microfarads))} µF ± {COVERAGE_FACTOR * u:.2g} µF (k = {COVERAGE_FACTOR:g})"
    )
    if limits is None or result.judgement is None:
        text = f"{value}\nNot judged: there is no rating. Give --rated.\nmeter accuracy {accuracy}"
        fields = {"verdict": str(Verdict.NO_LIMITS), "accuracy": accuracy} | fields
    else:
        text = f"{judgement_text(limits, result.judgement)}\n{value}"
        fields = judgement_fields(limits, result.judgement) | fields
    lines = [text, *(f"WARNING: {warning}" for warning in result.warnings), _VALIDITY_NOTE]
    print_answer(fields, [*lines, standard_caution(CircuitState.ENERGIZED, Quantity.CURRENT)], as_json=as_json)


def _parse_estimate(text: str, quantity: Quantity, accuracy: str | None) -> tuple[Estimate, str]:
    value = require_value(parse_measured_value(text, quantity))
    line = parse_optional_accuracy(accuracy)
    if quantity is Quantity.FREQUENCY and line is None:
        digits, _ = value.in_unit("Hz")
        half_width = ASSUMED_FREQUENCY_HALF_WIDTH
        return Estimate.rectangular(float(digits or 0), half_width), f"±{half_width:g} Hz, assumed,"
    estimate = Estimate.from_measured_value(value, line)
    assert estimate is not None  # noqa: S101  # an overload was refused above
    return estimate, str(line or f"{assumed_accuracy(quantity)},")


@click.command()
@click.argument("capacitances", nargs=-1, required=True, metavar="VALUE VALUE…")
@json_option
def combine(*, capacitances: tuple[str, ...], as_json: bool) -> None:
    """Calculate the capacitance of two or more capacitors in series and in parallel.

    \b
        meterlink judge combine 40uF 5uF

    \f

    Raises:
        InputError: there is only one capacitance, or a value is not a capacitance above zero.
    """
    amounts = [require_positive(parse_amount(text, Quantity.CAPACITANCE), "capacitance") for text in capacitances]
    if len(amounts) < 2:
        raise InputError(
            f"A combination needs two capacitors or more, not {amounts[0]} alone.", "Give each value: 40uF 5uF."
        )
    unit = amounts[0].unit
    values = [amount.to(unit) for amount in amounts]
    in_series, in_parallel = series_capacitance(values), parallel_capacitance(values)
    print_answer(
        {"series": json_significant(float(in_series)), "parallel": json_significant(float(in_parallel)), "unit": unit},
        [
            f"{_value_text(in_series)} {unit} in series, {_value_text(in_parallel)} {unit} in parallel",
            "In series the smallest takes the most volts; in parallel the lowest voltage rating counts for all.",
            f"From {' and '.join(map(str, amounts))}, without their tolerances.",
        ],
        as_json=as_json,
    )


def _value_text(value: Decimal) -> str:
    return format_decimal(round_significant(float(value)))


@click.command()
@click.option("--capacitor", required=True, metavar="VALUE", help="Capacitance: 45uF.")
@click.option(
    "--volts", required=True, metavar="VALUE", help="Working volts AC (RMS), 370V; with --dc, the volts DC on it."
)
@click.option("--dc", is_flag=True, help="The volts are DC, not the RMS of a sine wave.")
@click.option("--resistor", metavar="VALUE", help="The bleed or discharge resistor: 20k.")
@click.option(
    "--to",
    "threshold",
    default=f"{RESIDUAL_VOLTAGE_LIMIT:g}V",
    show_default=True,
    metavar="VALUE",
    help="Voltage to reach: 50V.",
)
@click.option(
    "--within", default=f"{DISCHARGE_TIME_LIMIT:g}s", show_default=True, metavar="TIME", help="Time allowed: 60s, 5min."
)
@json_option
def discharge(
    *,
    capacitor: str,
    volts: str,
    dc: bool,
    resistor: str | None,
    threshold: str,
    within: str,
    as_json: bool,
) -> None:
    """Calculate how long a capacitor takes to bleed down through a resistor, and the energy it stores.

    \b
        meterlink judge discharge --capacitor 45uF --volts 370V --resistor 20k

    The worst case: switched off at the peak of the sine wave. The default, 50 V or less within 1 minute, is NEC 460.6,
    which leaves out capacitors that are parts of other apparatus (from memory): use it as a caution. A bleed resistor
    also shows in an ohms reading across the capacitor. Always verify by measurement.
    """
    amount = require_positive(parse_amount(capacitor, Quantity.CAPACITANCE), "--capacitor")
    rms = require_positive(parse_amount(volts, Quantity.VOLTAGE), "--volts")
    down_to = float(require_positive(parse_amount(threshold, Quantity.VOLTAGE), "--to").base_value)
    seconds = _parse_seconds(within)
    farads, charged = float(amount.base_value), float(rms.base_value) if dc else peak_voltage(float(rms.base_value))
    max_ohms = max_bleed_resistance(charged, farads, seconds, down_to)
    fields = {
        "charged_to": json_significant(charged),
        "voltage_unit": "V",
        "stored_energy": json_significant(stored_energy(farads, charged)),
        "energy_unit": "J",
        "threshold": json_significant(down_to),
        "time_limit": json_significant(seconds),
        "time_unit": "s",
        "max_bleed_resistance": json_significant(max_ohms) if isfinite(max_ohms) else None,
        "resistor_unit": "Ω",
    }
    energy = f"{amount} charged to {charged:.4g} V stores {stored_energy(farads, charged):.3g} J"
    limit = (
        f"To reach {down_to:g} V within {seconds:g} s, use at most {_resistance_text(max_ohms)}."
        if isfinite(max_ohms)
        else f"It is never above {down_to:g} V."
    )
    if resistor is None:
        head = f"{_resistance_text(max_ohms)} AT MOST" if isfinite(max_ohms) else "NOT ABOVE THE THRESHOLD"
        reason = f"{energy}. {limit}"
    else:
        bleed_resistor = require_positive(parse_amount(resistor, Quantity.RESISTANCE), "--resistor")
        ohms = float(bleed_resistor.base_value)
        time = bleed_down_time(charged, farads, ohms, down_to)
        residual = residual_voltage(charged, farads, ohms, seconds)
        fields |= {
            "resistor": json_significant(ohms),
            "time_to_threshold": json_significant(time),
            "residual_voltage": json_significant(residual),
        }
        head = f"{time:.4g} s TO {down_to:g} V"
        reason = (
            f"{energy}. Through {bleed_resistor} it is down to {down_to:g} V after {time:.4g} s,"
            f" and to {_residual_text(residual)} after {seconds:g} s. {limit}"
        )
    basis = f"{'volts DC as given' if dc else f'charged to the peak √2 · {rms}'}, e^(-t/RC); 50 V in 1 min is NEC 460.6"
    fields["note"] = _VERIFY_NOTE
    print_answer(
        fields,
        [head, reason, basis, standard_caution(CircuitState.ISOLATED, Quantity.CAPACITANCE), _VERIFY_NOTE],
        as_json=as_json,
    )


def _residual_text(volts: float) -> str:
    # Probes pick up that much from their surroundings: more digits would be false precision.
    return f"{volts:.3g} V" if volts >= 0.1 else "less than 0.1 V"


def _resistance_text(ohms: float) -> str:
    # With the prefix that a meter would show: 567.8 kΩ rather than 567850 Ω.
    return str(display_amount(Quantity.RESISTANCE, round_significant(ohms), resolution_known=False))


def _parse_seconds(text: str) -> float:
    amount, unit = parse_number(text)
    factor = {"": 1, "s": 1, "sec": 1, "min": 60}.get(unit.lower())
    if factor is None or amount <= 0:
        raise InputError(f"{text!r} is not a time above zero.", "Write it as 60s or 5min.")
    return float(amount) * factor
