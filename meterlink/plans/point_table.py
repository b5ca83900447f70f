"""The ``[[point]]`` table of a plan."""

import re
from collections.abc import Iterator

from meterlink.core.equipment import (
    CircuitState,
    Hazard,
    MarkedVoltage,
    PointKind,
    Rating,
    Span,
    Specification,
    TestPoint,
    VoltageBand,
)
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.text import KEY_PATTERN
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.decision_rules import parse_decision_rule
from meterlink.plans.specification import (
    QUANTITY_OF_KIND,
    make_rating,
    make_span,
    marked_span,
    parse_marked_voltage,
    parse_specification,
    split_tolerance,
    validate_span,
    with_locked_rotor,
)
from meterlink.tomlfile.field_types import Boolean, Choice, Constant, Entries, ListOf, Parsed, Schema, Text
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table

ON_SITE = "on site"  # the value of ``limits``: the technician reads them off the part during the visit
KEY = Text(40, pattern=KEY_PATTERN, wanted="Use lower-case letters, digits and hyphens.")
EXPLANATION = Text(400)  # characters: a few lines on the smallest screen
# Answers to questions of the plan: its keys and those of their choices.
WHEN = Entries(
    lambda word: word if re.fullmatch(KEY_PATTERN, word) else None, KEY_PATTERN, KEY, 'fan-motor = "capacitor"'
)
NAME = Text(40)  # characters: one line on that screen
_TERMINAL = Text(12, example='"HERM"')  # characters: two names and a separator on that line
_AMOUNT = "text with a number and its unit"
_QUANTITIES_WITH_COUPLING = {Quantity.VOLTAGE, Quantity.CURRENT}


def amount_text(example: str) -> Text:
    """Return the type of a number with its unit, of the quantity of the example."""
    return Text(40, noun=_AMOUNT, example=example)


class _AnyAmountText(Text):
    """The type of a number with its unit whose quantity another key decides; the example is of one of them."""

    def __init__(self, example: str) -> None:
        super().__init__(40, noun=_AMOUNT, example=example)

    def instruction(self, path: TomlPath) -> str:
        return f"Write {path[-1]} in quotes, with the unit of the quantity, such as {self.example}."


def rated_amount(
    rated: str | None, tolerance: str | None, quantity: Quantity, kind: PointKind, *, has_limits: bool = False
) -> Amount | None:
    """Return the value of a rating, None without one; ``has_limits``: the table has the keys low and high, too.

    Raises:
        InputError: it is no amount of this quantity, or no rating fits this kind of test point. The remedy is one for a
            table: a tolerance and each limit has a key of its own.
    """
    if rated is None:
        return None
    try:
        value = parse_amount(rated, quantity)
    except InputError as error:
        raise _in_keys(rated, quantity, kind, has_limits=has_limits) or error from None
    if kind is PointKind.INSULATION:
        raise InputError("Insulation has a least resistance, not a rating.", f'Write low = "{value}", without rated.')
    if not value.digits > 0:
        raise InputError(f"A rating must be above zero, not {value}.", "Write the rating on the part.")
    if tolerance is None and kind is not PointKind.CAPACITOR and quantity is not Quantity.TEMPERATURE:
        raise InputError(f"A rating of {value} needs its tolerance.", _tolerance_remedy(quantity))
    make_rating(value, tolerance and "1 %", kind)  # a harmless tolerance: an error is then one of the value
    return value


def _tolerance_remedy(quantity: Quantity) -> str:
    band = f', or band = "{VoltageBand.SUPPLY}"' if quantity is Quantity.VOLTAGE else ""
    return f'Add tolerance = "10 %"{band}.'


def _in_keys(rated: str, quantity: Quantity, kind: PointKind, *, has_limits: bool) -> InputError | None:
    """Return the error of a text that is a rating as a person types it, but more than one key holds; else None."""
    try:
        specification = parse_specification(rated, quantity, kind)
    except InputError:
        return None
    value, tolerance = split_tolerance(rated)
    instead = ""
    if isinstance(specification, Rating):
        keys = {"rated": str(specification.value), "tolerance": specification.tolerance}
    elif isinstance(specification, Span) and tolerance is None:
        if not has_limits:
            return None
        instead = ", without rated"
        limits = {"low": specification.low, "high": specification.high}
        keys = {key: f"{limit:f} {specification.unit}" for key, limit in limits.items() if limit is not None}
    else:
        keys = {"rated": value, "tolerance": tolerance}
    written = " and ".join(f'{key} = "{text}"' for key, text in keys.items())
    return InputError(f"{rated!r} is more than one value.", f"Write {written}{instead}.")


def _quantity_of_kind(quantity: Quantity, kind: PointKind) -> Quantity:
    needed = QUANTITY_OF_KIND.get(kind, quantity)
    if quantity is not needed:
        raise FieldError("quantity", f"a {kind} point measures {needed}.", f'Write quantity = "{needed}".')
    return quantity


def _low_amount(low: str | None, measured: Quantity) -> Amount | None:
    return None if low is None else parse_amount(low, measured)


def _high_amount(high: str | None, measured: Quantity) -> Amount | None:
    return None if high is None else parse_amount(high, measured)


def _marked(
    rated: str | None, tolerance: str | None, measured: Quantity, kind: PointKind, band: VoltageBand | None
) -> Span | None:
    if rated is None or band is not None:
        return None
    if measured is not Quantity.VOLTAGE:
        return marked_span(rated, tolerance, measured, kind)
    marked = marked_span(rated, tolerance or "10 %", measured, kind)  # an error is then one of the volts
    if marked is not None and tolerance is None:
        raise InputError(f"A rating of {rated} needs its tolerance.", _tolerance_remedy(measured))
    return marked


def _marked_voltage(rated: str | None, measured: Quantity, band: VoltageBand | None) -> MarkedVoltage | None:
    if rated is None or band is None or measured is not Quantity.VOLTAGE:
        return None
    return parse_marked_voltage(rated, band)


def _rated_amount(
    rated: str | None,
    tolerance: str | None,
    measured: Quantity,
    kind: PointKind,
    marked: Span | None,
    band: VoltageBand | None,
    limits: str | None,
) -> Amount | None:
    if marked or band or limits:  # with limits on site the rating is an error by itself
        return None
    return rated_amount(rated, tolerance, measured, kind, has_limits=True)


def _span(
    low_amount: Amount | None, high_amount: Amount | None, measured: Quantity, kind: PointKind, marked: Span | None
) -> Span | None:
    span = make_span(low_amount, high_amount)
    if kind is PointKind.INSULATION and high_amount is not None:
        raise InputError("Insulation has a low limit alone.", 'Write low = "1 Mohm", without high.')
    return marked or (span and validate_span(span, measured, kind))


def _motor_span(span: Span | None, locked_rotor: str | None) -> Span | None:
    if span is None or locked_rotor is None or span.high is None:
        return span
    try:
        return with_locked_rotor(span, parse_amount(locked_rotor, Quantity.CURRENT))
    except InputError as error:
        raise InputError(error.message, 'Write the nameplate: high = "14.1 A" and locked_rotor = "77 A".') from None


def _rating(rating_value: Amount | None, tolerance: str | None, kind: PointKind) -> Rating | None:
    return None if rating_value is None else make_rating(rating_value, tolerance, kind)


def _specification(
    motor_span: Span | None, rating: Rating | None, banded: MarkedVoltage | None
) -> Specification | None:
    return rating or banded or motor_span


def _check_source_of_limits(
    limits: str | None, rated: str | None, tolerance: str | None, low: str | None, high: str | None
) -> Iterator[FieldError]:
    given = {"rated": rated, "tolerance": tolerance, "low": low, "high": high}
    if limits is not None:
        for field in (field for field, value in given.items() if value is not None):
            yield FieldError(field, f"the limits are read {ON_SITE}.", f"Remove {field}, or remove limits.")
    elif rated is not None:
        for field in (field for field in ("low", "high") if given[field] is not None):
            remedy = "Give rated and tolerance, or low and high."
            yield FieldError(field, "a point has a rating or limits, not both.", remedy)
    elif tolerance is not None:
        yield FieldError("tolerance", "a tolerance needs a rating.", "Add rated, or remove tolerance.")


def _check_locked_rotor(locked_rotor: str | None, high: str | None) -> Iterator[FieldError]:
    if locked_rotor is not None and high is None:
        yield FieldError("locked_rotor", "it stands beside the rated amps of a motor.", "Add high, or remove it.")


def _check_band(
    quantity: Quantity,
    band: VoltageBand | None,
    rated: str | None,
    tolerance: str | None,
    limits: str | None,
    rated_by: str,
) -> Iterator[FieldError]:
    if band is None:
        return
    if quantity is not Quantity.VOLTAGE:
        yield FieldError("band", f"{quantity} has no band; a voltage has one.", "Remove band.")
    if tolerance is not None and rated is not None:
        yield FieldError("tolerance", f"the band {band} gives the limits.", "Remove tolerance, or remove band.")
    if rated is None and limits is None and not rated_by:
        remedy = f'Add rated = "24 V", rated_by, or limits = "{ON_SITE}".'
        yield FieldError("band", "a band needs a voltage.", remedy)


def _check_rated_by(
    rated_by: str, limits: str | None, rated: str | None, low: str | None, high: str | None
) -> Iterator[FieldError]:
    given = {"limits": limits, "rated": rated, "low": low, "high": high}
    if rated_by:
        for field in (field for field, value in given.items() if value is not None):
            message = f"the answer to {rated_by} gives the rating."
            yield FieldError(field, message, f"Remove {field}, or remove rated_by.")


def _check_in_series(quantity: Quantity, in_series: bool) -> Iterator[FieldError]:  # noqa: FBT001  # a key of the table
    if in_series and quantity is not Quantity.CURRENT:
        yield FieldError("in_series", f"a meter reads {quantity} across two terminals.", "Remove in_series.")


def _check_coupling(quantity: Quantity, coupling: Coupling | None) -> Iterator[FieldError]:
    if coupling is not None and quantity not in _QUANTITIES_WITH_COUPLING:
        yield FieldError("coupling", f"{quantity} is neither AC nor DC.", "Leave it out.")


def _without(*keys: str) -> Schema:
    return {"properties": dict.fromkeys(keys, False)}


POINT = Table(
    TestPoint,
    Key("key", KEY, description="Unique in the plan."),
    Key("circuit", NAME),
    Key("component", NAME),
    Key("section", NAME, "", description="One section of a component that has several: HERM."),
    Key(
        "terminals",
        ListOf(_TERMINAL, 2, 2, distinct=True, example='["C", "HERM"]'),
        description="The terminals of the two probes.",
    ),
    Key("quantity", Choice(Quantity, without=(Quantity.BATTERY,))),
    Key("coupling", Choice(Coupling), None, description="Of voltage and current; without it, both."),
    Key("state", Choice(CircuitState)),
    Key("kind", Choice(PointKind)),
    Key(
        "rated", _AnyAmountText('"45 uF"'), None, description="As marked; of a heater its watts and volts: 5 kW 240 V."
    ),
    Key("tolerance", Text(40, example='"6 %"'), None),
    Key("low", _AnyAmountText('"10 ohm"'), None),
    Key("high", _AnyAmountText('"18 ohm"'), None),
    Key("locked_rotor", amount_text('"77 A"'), None, description="LRA of a motor, beside its RLA or FLA in high."),
    Key("limits", Constant(ON_SITE, f'Write limits = "{ON_SITE}", or low and high.'), None),
    Key("band", Choice(VoltageBand), None, description="The limits that a rated voltage without tolerance stands for."),
    Key("rated_by", KEY, "", description="The question whose answer gives the rating."),
    Key("rule", Parsed(lambda text: str(parse_decision_rule(text)), '"guarded acceptance"'), ""),
    Key("in_series", Boolean(), default=False, description="The current flows through the meter; else with a clamp."),
    Key("optional", Boolean(), default=False, description="Read where fitted, or where other readings point to it."),
    Key("when", WHEN, (), description="The answers for which the part exists."),
    Key("hazards", ListOf(Choice(Hazard), 1, len(Hazard), distinct=True, example='["moving fan"]'), ()),
    Key("caution", EXPLANATION, "", description="Added to the usual cautions and those of the hazards."),
    Key("why", EXPLANATION, "", description="One sentence for a beginner."),
    computed=(
        Computed("measured", _quantity_of_kind),
        Computed("low_amount", _low_amount, ("low",)),
        Computed("high_amount", _high_amount, ("high",)),
        Computed("marked", _marked, ("rated",)),
        Computed("span", _span, ("low", "high")),
        Computed("motor_span", _motor_span, ("locked_rotor",)),
        Computed("rating_value", _rated_amount, ("rated",)),
        Computed("rating", _rating, ("tolerance",)),
        Computed("banded", _marked_voltage, ("rated",)),
        Computed("specification", _specification),
    ),
    checks=(
        _check_source_of_limits,
        _check_locked_rotor,
        _check_band,
        _check_rated_by,
        _check_in_series,
        _check_coupling,
    ),
    schema_rules=(
        {"if": {"required": ["limits"]}, "then": _without("rated", "tolerance", "low", "high")},
        {"if": {"required": ["rated"]}, "then": _without("low", "high")},
        {"dependentRequired": {"tolerance": ["rated"], "locked_rotor": ["high"]}},
        {"if": {"required": ["band"]}, "then": {"properties": {"quantity": {"const": "voltage"}, "tolerance": False}}},
        {"if": {"required": ["rated_by"]}, "then": _without("rated", "low", "high", "limits")},
        {
            "if": {"required": ["in_series"], "properties": {"in_series": {"const": True}}},
            "then": {"properties": {"quantity": {"const": "current"}}},
        },
    ),
)
