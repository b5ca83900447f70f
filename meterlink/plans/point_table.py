"""The ``[[point]]`` table of a plan."""

from collections.abc import Iterator

from meterlink.core.equipment import CircuitState, PointKind, Rating, Span, TestPoint
from meterlink.core.readings import Coupling
from meterlink.core.text import KEY_PATTERN
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.decision_rules import parse_decision_rule
from meterlink.plans.specification import (
    QUANTITY_OF_KIND,
    make_rating,
    make_span,
    marked_span,
    validate_span,
    with_locked_rotor,
)
from meterlink.tomlfile.field_types import Choice, Constant, ListOf, Parsed, Schema, Text
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table

ON_SITE = "on site"  # the value of ``limits``: the technician reads them off the part during the visit
KEY = Text(40, pattern=KEY_PATTERN, wanted="Use lower-case letters, digits and hyphens.")
EXPLANATION = Text(400)  # characters: a few lines on the smallest screen
_NAME = Text(40)  # characters: one line on that screen
_TERMINAL = Text(12, example='"HERM"')  # characters: two names and a separator on that line
_QUANTITIES_WITH_COUPLING = {Quantity.VOLTAGE, Quantity.CURRENT}


def amount_text(example: str) -> Text:
    """Return the type of a number with its unit whose quantity another key decides."""
    return Text(40, noun="text with a number and its unit", example=example)


def rated_amount(rated: str | None, tolerance: str | None, quantity: Quantity, kind: PointKind) -> Amount | None:
    """Return the value of a rating, None without one.

    Raises:
        InputError: it is no amount of this quantity, or no rating fits this kind of test point.
    """
    if rated is None:
        return None
    value = parse_amount(rated, quantity)
    make_rating(value, tolerance and "1 %", kind)  # a harmless tolerance: an error is then one of the value
    return value


def _quantity_of_kind(quantity: Quantity, kind: PointKind) -> Quantity:
    needed = QUANTITY_OF_KIND.get(kind, quantity)
    if quantity is not needed:
        raise FieldError("quantity", f"a {kind} point measures {needed}.", f'Write quantity = "{needed}".')
    return quantity


def _low_amount(low: str | None, measured: Quantity) -> Amount | None:
    return None if low is None else parse_amount(low, measured)


def _high_amount(high: str | None, measured: Quantity) -> Amount | None:
    return None if high is None else parse_amount(high, measured)


def _marked(rated: str | None, tolerance: str | None, measured: Quantity, kind: PointKind) -> Span | None:
    return None if rated is None else marked_span(rated, tolerance, measured, kind)


def _rated_amount(
    rated: str | None, tolerance: str | None, measured: Quantity, kind: PointKind, marked: Span | None
) -> Amount | None:
    return None if marked else rated_amount(rated, tolerance, measured, kind)


def _span(
    low_amount: Amount | None, high_amount: Amount | None, measured: Quantity, kind: PointKind, marked: Span | None
) -> Span | None:
    span = make_span(low_amount, high_amount)
    return marked or (span and validate_span(span, measured, kind))


def _motor_span(span: Span | None, locked_rotor: str | None) -> Span | None:
    if span is None or locked_rotor is None:
        return span
    return with_locked_rotor(span, parse_amount(locked_rotor, Quantity.CURRENT))


def _rating(rating_value: Amount | None, tolerance: str | None, kind: PointKind) -> Rating | None:
    return None if rating_value is None else make_rating(rating_value, tolerance, kind)


def _specification(motor_span: Span | None, rating: Rating | None) -> Rating | Span | None:
    return rating or motor_span


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


def _check_coupling(quantity: Quantity, coupling: Coupling | None) -> Iterator[FieldError]:
    if coupling is not None and quantity not in _QUANTITIES_WITH_COUPLING:
        yield FieldError("coupling", f"{quantity} is neither AC nor DC.", "Leave it out.")


def _without(*keys: str) -> Schema:
    return {"properties": dict.fromkeys(keys, False)}


POINT = Table(
    TestPoint,
    Key("key", KEY, description="Unique in the plan."),
    Key("circuit", _NAME),
    Key("component", _NAME),
    Key("section", _NAME, "", description="One section of a component that has several: HERM."),
    Key(
        "terminals",
        ListOf(_TERMINAL, 2, 2, distinct=True, example='["C", "HERM"]'),
        description="The terminals of the two probes.",
    ),
    Key("quantity", Choice(Quantity, without=(Quantity.BATTERY,))),
    Key("coupling", Choice(Coupling), None, description="Of voltage and current; without it, both."),
    Key("state", Choice(CircuitState)),
    Key("kind", Choice(PointKind)),
    Key("rated", amount_text('"45 uF"'), None, description="As marked; of a heater its watts and volts: 5 kW 240 V."),
    Key("tolerance", Text(40, example='"6 %"'), None),
    Key("low", amount_text('"10 ohm"'), None),
    Key("high", amount_text('"18 ohm"'), None),
    Key("locked_rotor", amount_text('"77 A"'), None, description="LRA of a motor, beside its RLA or FLA in high."),
    Key("limits", Constant(ON_SITE, f'Write limits = "{ON_SITE}", or low and high.'), None),
    Key("rule", Parsed(lambda text: str(parse_decision_rule(text)), '"guarded acceptance"'), ""),
    Key("caution", EXPLANATION, "", description="Added to the usual cautions."),
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
        Computed("specification", _specification),
    ),
    checks=(_check_source_of_limits, _check_locked_rotor, _check_coupling),
    schema_rules=(
        {"if": {"required": ["limits"]}, "then": _without("rated", "tolerance", "low", "high")},
        {"if": {"required": ["rated"]}, "then": _without("low", "high")},
        {"dependentRequired": {"tolerance": ["rated"], "locked_rotor": ["high"]}},
    ),
)
