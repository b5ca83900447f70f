"""``meterlink judge under-load``, ``combine`` and ``discharge``: capacitors at work, together, and charged."""

from decimal import Decimal
from math import isfinite
from typing import Any

import click

from meterlink.cli.judge.output import (
    accuracy_line,
    answer,
    figures,
    json_option,
    judgement_fields,
    judgement_words,
    measured,
    number,
    positive,
    with_value,
)
from meterlink.core.cautions import caution
from meterlink.core.equipment import Rating, State
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, display_form, parse_amount, parse_number
from meterlink.core.verdicts import Verdict
from meterlink.judge.electrical.capacitance import (
    ASSUMED_FREQUENCY_HALF_WIDTH,
    judge_under_load,
    parallel,
    series,
)
from meterlink.judge.electrical.discharge import (
    THRESHOLD,
    TIME_LIMIT,
    bleed_down_time,
    largest_resistor,
    peak,
    residual_voltage,
    stored_energy,
)
from meterlink.judge.estimates import COVERAGE_FACTOR, Estimate, significant
from meterlink.judge.judging import plain
from meterlink.judge.limits import rated_limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.judge.uncertainty import assumed_accuracy

_ONLY_VALID = (
    "Holds for the current in this capacitor's own lead and the volts across its own two terminals, both sine waves: "
    "harmonics raise the amps and so the value."
)
_VERIFY = "This is arithmetic: resistors fail open and leads come off. Verify by measurement."


@click.command()
@click.option("--amps", required=True, metavar="VALUE", help="Current in this capacitor's own lead: 6.28A.")
@click.option("--volts", required=True, metavar="VALUE", help="Volts AC across its own two terminals: 370V.")
@click.option("--frequency", required=True, metavar="VALUE", help="Supply frequency: 60Hz. Never assumed.")
@click.option("--rated", metavar="VALUE", help="Rated capacitance, to judge by: 45uF.")
@click.option(
    "--tolerance", default=DEFAULT_CAPACITOR_TOLERANCE, show_default=True, metavar="TOL", help="Of the rated value."
)
@click.option("--amps-accuracy", metavar="LINE", help='Accuracy line of the ammeter: "2 % + 5 digits".')
@click.option("--volts-accuracy", metavar="LINE", help="Accuracy line of the voltmeter.")
@click.option(
    "--frequency-accuracy",
    metavar="LINE",
    help=f"Accuracy line where the frequency was measured; else ±{ASSUMED_FREQUENCY_HALF_WIDTH:g} Hz is assumed.",
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
    """Work out a run capacitor's capacitance while it works, from its amps, volts and frequency.

    C = I / (2πfV). Only with the current in that capacitor's own lead, and the volts across its own terminals. With
    --rated the result is judged.
    """
    current, current_words = _estimate(amps, Quantity.CURRENT, amps_accuracy)
    voltage, voltage_words = _estimate(volts, Quantity.VOLTAGE, volts_accuracy)
    hertz, hertz_words = _estimate(frequency, Quantity.FREQUENCY, frequency_accuracy)
    limits = None
    if rated is not None:
        limits = rated_limits(Rating(positive(parse_amount(rated, Quantity.CAPACITANCE), "--rated"), tolerance))
    accuracy = f"{current_words} on amps, {voltage_words} on volts, {hertz_words} on frequency"
    result = judge_under_load(current, voltage, hertz, limits, accuracy)
    microfarads, u = result.capacitance.value * 1e6, result.capacitance.u * 1e6
    fields: dict[str, Any] = {
        "capacitance": figures(microfarads),
        "capacitance_unit": "µF",
        "standard_uncertainty": figures(u),
        "expanded_uncertainty": figures(COVERAGE_FACTOR * u),
        "coverage_factor": number(COVERAGE_FACTOR),
        "frequency_mix_up": result.frequency_mix_up,
        "warnings": list(result.warnings),
    }
    value = f"{plain(significant(microfarads))} µF ± {COVERAGE_FACTOR * u:.2g} µF (k = {COVERAGE_FACTOR:g})"
    if limits is None or result.judgement is None:
        words = f"{value}\nNothing to hold this against: give --rated.\nmeter accuracy {accuracy}"
        fields = {"verdict": str(Verdict.NO_LIMITS), "accuracy": accuracy} | fields
    else:
        words = f"{judgement_words(limits, result.judgement)}\n{value}"
        fields = judgement_fields(limits, result.judgement) | fields
    lines = [words, *(f"WARNING: {each}" for each in result.warnings), _ONLY_VALID]
    answer(fields, [*lines, caution(State.ENERGIZED, Quantity.CURRENT)], as_json=as_json)


def _estimate(text: str, quantity: Quantity, accuracy: str | None) -> tuple[Estimate, str]:
    shown = with_value(measured(text, quantity))
    line = accuracy_line(accuracy)
    if quantity is Quantity.FREQUENCY and line is None:
        digits, _ = shown.in_unit("Hz")
        half_width = ASSUMED_FREQUENCY_HALF_WIDTH
        return Estimate.rectangular(float(digits or 0), half_width), f"±{half_width:g} Hz, assumed,"
    estimate = Estimate.of(shown, line)
    assert estimate is not None  # noqa: S101  # an overload was refused above
    return estimate, str(line or f"{assumed_accuracy(quantity)},")


@click.command()
@click.argument("capacitances", nargs=-1, required=True, metavar="VALUE VALUE…")
@json_option
def combine(*, capacitances: tuple[str, ...], as_json: bool) -> None:
    """Give the capacitance of two or more capacitors in series and in parallel."""
    amounts = [positive(parse_amount(text, Quantity.CAPACITANCE), "capacitance") for text in capacitances]
    if len(amounts) < 2:
        raise InputError("One capacitor is combined with nothing.", "Give two or more: 40uF 5uF.")
    unit = amounts[0].unit
    values = [amount.to(unit) for amount in amounts]
    in_series, in_parallel = series(values), parallel(values)
    answer(
        {"series": figures(float(in_series)), "parallel": figures(float(in_parallel)), "unit": unit},
        [
            f"{_shown(in_series)} {unit} in series, {_shown(in_parallel)} {unit} in parallel",
            "In series the smallest takes the most volts; in parallel the lowest voltage rating counts for all.",
            f"From {' and '.join(map(str, amounts))}, tolerances left out.",
        ],
        as_json=as_json,
    )


def _shown(value: Decimal) -> str:
    return plain(significant(float(value)))


@click.command()
@click.option("--capacitor", required=True, metavar="VALUE", help="Its capacitance: 45uF.")
@click.option("--volts", required=True, metavar="VALUE", help="Volts AC (RMS) it worked at; with --dc, volts DC on it.")
@click.option("--dc", is_flag=True, help="The volts are DC, not the RMS of a sine wave.")
@click.option("--resistor", metavar="VALUE", help="The bleed or discharge resistor: 20k.")
@click.option("--to", "threshold", default=f"{THRESHOLD:g}V", show_default=True, metavar="VALUE", help="Down to.")
@click.option(
    "--within", default=f"{TIME_LIMIT:g}s", show_default=True, metavar="TIME", help="Time allowed: 60s, 5min."
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
    """Work out how long a capacitor takes to bleed down through a resistor, and what it holds.

    The worst case: switched off at the peak of the sine wave. The default, 50 V or less within 1 minute, is NEC 460.6,
    which leaves out capacitors that are parts of other apparatus (from memory): take it as a caution. A bleed
    resistor also shows in an ohms reading across the capacitor. Whatever comes out, verify by measurement.
    """
    amount = positive(parse_amount(capacitor, Quantity.CAPACITANCE), "--capacitor")
    rms = positive(parse_amount(volts, Quantity.VOLTAGE), "--volts")
    down_to = float(positive(parse_amount(threshold, Quantity.VOLTAGE), "--to").base)
    seconds = _seconds(within)
    farads, charged = float(amount.base), float(rms.base) if dc else peak(float(rms.base))
    most = largest_resistor(charged, farads, seconds, down_to)
    fields = {
        "charged_to": figures(charged),
        "voltage_unit": "V",
        "stored_energy": figures(stored_energy(farads, charged)),
        "energy_unit": "J",
        "threshold": figures(down_to),
        "time_limit": figures(seconds),
        "time_unit": "s",
        "largest_resistor": figures(most) if isfinite(most) else None,
        "resistor_unit": "Ω",
    }
    holds = f"{amount} charged to {charged:.4g} V holds {stored_energy(farads, charged):.3g} J"
    limit = "never above it" if not isfinite(most) else f"at most {_ohms(most)} brings it there within {seconds:g} s"
    if resistor is None:
        head = f"{_ohms(most)} AT MOST" if isfinite(most) else "NOT ABOVE THE THRESHOLD"
        reason = f"{holds}; down to {down_to:g} V: {limit}."
    else:
        through = positive(parse_amount(resistor, Quantity.RESISTANCE), "--resistor")
        ohms = float(through.base)
        time = bleed_down_time(charged, farads, ohms, down_to)
        left = residual_voltage(charged, farads, ohms, seconds)
        fields |= {
            "resistor": figures(ohms),
            "time_to_threshold": figures(time),
            "residual_voltage": figures(left),
        }
        head = f"{time:.4g} s TO {down_to:g} V"
        reason = f"{holds}; through {through} it is down to {down_to:g} V after {time:.4g} s, and to {_left(left)} "
        reason += f"after {seconds:g} s. Down to {down_to:g} V: {limit}."
    rests = f"{'volts DC as given' if dc else f'charged to the peak √2 · {rms}'}, e^(-t/RC); 50 V in 1 min is NEC 460.6"
    fields["note"] = _VERIFY
    answer(fields, [head, reason, rests, caution(State.ISOLATED, Quantity.CAPACITANCE), _VERIFY], as_json=as_json)


def _left(volts: float) -> str:
    # Below what a meter's probes pick up, digits would claim a knowledge nobody has.
    return f"{volts:.3g} V" if volts >= 0.1 else "less than 0.1 V"


def _ohms(ohms: float) -> str:
    # The meter's own ladder of prefixes: 567.8 kΩ rather than 567850 Ω.
    return str(display_form(Quantity.RESISTANCE, significant(ohms), step_known=False))


def _seconds(text: str) -> float:
    amount, unit = parse_number(text)
    factor = {"": 1, "s": 1, "sec": 1, "min": 60}.get(unit.lower())
    if factor is None or amount <= 0:
        raise InputError(f"{text!r} is no time to wait.", "Write it as 60s or 5min.")
    return float(amount) * factor
