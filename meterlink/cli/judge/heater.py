"""``meterlink judge heater``: a heater's ohms or amps by the watts and volts marked on it."""

import click

from meterlink.cli.judge.output import (
    parse_optional_accuracy,
    print_judgement,
    reading_options,
    require_not_negative,
    require_positive,
    settle_judgement,
)
from meterlink.core.cautions import standard_caution
from meterlink.core.equipment import CircuitState, PointKind
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Judgement, Limits, Verdict
from meterlink.judge.electrical.heaters import heater_current_limits, heater_resistance_limits, parse_heater_rating
from meterlink.judge.flow import Flow
from meterlink.judge.judging import SHORTED_FRACTION, MeasuredValue, judge

_SELF_REGULATING = (
    "Not for a self-regulating heater (PTC), as many crankcase heaters are: its ohms follow its temperature."
)


@click.command()
@click.option("--rated", required=True, metavar="RATING", help='The marking: "5 kW 240 V", "5/3.75 kW 240/208 V".')
@click.option("--volts", metavar="VALUE", help="Volts measured at the heater, 238V, for a reading in amps.")
@reading_options
def heater(
    *, rated: str, volts: str | None, reading: str, accuracy: str | None, answer: str | None, as_json: bool
) -> None:
    """Judge a resistance heater: its ohms, cold and with its wires off, or the amps in one lead.

    \b
        meterlink judge heater --rated "5 kW 240 V" --volts 238V --reading 20.8A

    R = U²/P and I = P/U, with the tolerance of the power in IEC 60335-1 (from memory) and up to 10 % less resistance
    when cold. Without --volts the amps also allow for a supply within ±10 % of the marking.

    \f

    Raises:
        InputError: the marking, the volts or the reading cannot be used.
    """
    rating = parse_heater_rating(rated)
    if rating is None:
        raise InputError(f"{rated.strip()!r} is no marking of a heater.", "Write its watts and volts: 5 kW 240 V.")
    value = require_not_negative(_parse_reading(reading))
    supply = None if volts is None else require_positive(parse_amount(volts, Quantity.VOLTAGE), "--volts")
    if value.quantity is Quantity.CURRENT:
        limits, flow, state = heater_current_limits(rating, supply), Flow.EXPECTED, CircuitState.ENERGIZED
    elif supply is not None:
        raise InputError("--volts is for a reading in amps.", "Leave it out: ohms are read with the power off.")
    else:
        limits, flow, state = heater_resistance_limits(rating), None, CircuitState.ISOLATED
    judgement = settle_judgement(
        judge(PointKind.RANGE, limits, value, parse_optional_accuracy(accuracy), flow=flow), answer, as_json=as_json
    )
    lines = [_explanation(limits, judgement), _SELF_REGULATING, standard_caution(state, value.quantity)]
    print_judgement(limits, judgement, as_json=as_json, lines=lines)


def _parse_reading(text: str) -> MeasuredValue:
    """Return the reading; an overload is one of ohms.

    Raises:
        InputError: the text is neither ohms, amps nor an overload.
    """
    errors = []
    for quantity in (Quantity.RESISTANCE, Quantity.CURRENT):
        try:
            return MeasuredValue.from_text(text, quantity)
        except InputError as error:
            errors.append(error)
    raise InputError(errors[0].message, "Write the reading as 11.5ohm, 20.8A or OL.")


def _explanation(limits: Limits, judgement: Judgement) -> str:
    """Return the meaning of the reading for the heater."""
    if judgement.verdict is Verdict.OPEN:
        return "Open: the element, or a limit switch or fusible link in series with it. Read each by itself."
    if judgement.verdict is Verdict.NOTHING_FLOWS:
        return "With voltage at the heater: the element, its limit switch or its link is open. Without: look upstream."
    if judgement.verdict is not Verdict.OUTSIDE or judgement.digits is None:
        return "Its watts and volts fit the reading." if judgement.verdict is Verdict.WITHIN else ""
    low = limits.low is not None and judgement.digits < limits.low
    if limits.unit == "A":
        return (
            "Too little: one of several elements is open, or the voltage is low: read it."
            if low
            else "Too much: another rating, two elements on one lead, part of an element bridged, or a high voltage."
        )
    if low and judgement.digits <= (limits.low or 0) * SHORTED_FRACTION:
        return "No more than the test leads alone: the heater is shorted, or the probes touch each other."
    return (
        "Too low: two elements in parallel, part of one bridged, or another rating."
        if low
        else "Too high: one of several elements in parallel is open, a bad connection, or another rating."
    )
