"""The ``[[meter]]`` tables of a scenario."""

from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from typing import Any

from meterlink.core.errors import InputError
from meterlink.core.text import LONGEST_NAME, count_phrase
from meterlink.core.units import parse_amount, to_base
from meterlink.judge.uncertainty import AccuracyLine, parse_accuracy
from meterlink.tomlfile.field_types import Choice, Integer, ListOf, Parsed, Text
from meterlink.tomlfile.tables import FieldError, Key, Table, Tables
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES, MOST_COUNTS, PRESENTED
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range
from meterlink_simulators.scenario_types import LARGEST_INTEGER, number

_MOST_RANGES = 20  # of one function; a pocket meter has at most seven


def _parse_accuracy(line: str) -> AccuracyLine:
    accuracy = parse_accuracy(line)
    if accuracy.digits < 1:
        raise InputError(f"{line!r} allows no digit.", "No display is better than one digit: add + 1 digit.")
    return accuracy


def _check_accuracies(
    ranges: tuple[str, ...], accuracy: AccuracyLine | None, accuracies: tuple[AccuracyLine, ...] | None
) -> Iterator[FieldError]:
    if accuracy is None and accuracies is None:
        remedy = 'Write accuracy = "1.2 % + 3 digits", or accuracies = […], one for each range.'
        yield FieldError((), "accuracy is missing.", remedy)
    elif accuracy is not None and accuracies is not None:
        yield FieldError("accuracies", "a function has accuracy or accuracies, not both.", "Remove one of them.")
    elif accuracies is not None and len(accuracies) != len(ranges):
        message = f"it has {count_phrase(len(accuracies), 'item')}, not {len(ranges)}."
        yield FieldError("accuracies", message, "Give one accuracy line for each range.")


def _check_ranges(function: MeterFunction, ranges: tuple[str, ...]) -> Iterator[FieldError]:
    below: Decimal | None = None
    for position, text in enumerate(ranges):
        try:
            full = parse_amount(text, function.quantity)
        except InputError as error:
            yield FieldError(("ranges", position), error.message, error.remedy)
            continue
        if full.unit == "°F":
            yield FieldError(("ranges", position), f"{text!r} is not in °C.", "Write temperatures in °C.")
            continue
        count = to_base(full.resolution, full.unit)
        if below is not None and count <= below:
            message = f"{text!r} is not above the range before it."
            yield FieldError(("ranges", position), message, "List the ranges lowest first.")
        below = count


def _make_function(
    function: MeterFunction,
    ranges: tuple[str, ...],
    accuracy: AccuracyLine | None,
    accuracies: tuple[AccuracyLine, ...] | None,
) -> FunctionSpec:
    lines = accuracies or ((accuracy,) * len(ranges) if accuracy else ())
    scales = [parse_amount(text, function.quantity) for text in ranges]
    return FunctionSpec(function, tuple(Range(*pair) for pair in zip(scales, lines, strict=True)))


def _check_counts(encoding: str, counts: int) -> Iterator[FieldError]:
    most = MOST_COUNTS.get(encoding, counts)
    if counts > most:
        yield FieldError("counts", f"{encoding!r} has no room for {counts} counts.", f"Use at most {most}.")


def _check_full_scales(
    counts: int, partial_functions: Sequence[FunctionSpec | Mapping[str, Any]]
) -> Iterator[FieldError]:
    for function_number, function in enumerate(partial_functions):
        for position, scale in enumerate(function.ranges if isinstance(function, FunctionSpec) else ()):
            full = scale.full_scale
            if full.digits != counts * full.resolution:
                message = f"'{full}' is not a full scale of {counts} counts."
                remedy = "Write each with its trailing zeros: 60.00 µF has 6000 counts."
                yield FieldError(("function", function_number, "ranges", position), message, remedy)


_ACCURACY = Parsed(_parse_accuracy, '"1.2 % + 3 digits"')
_FUNCTION = Table(
    _make_function,
    Key("name", Choice(MeterFunction), attribute="function"),
    Key("ranges", ListOf(Text(40), 1, _MOST_RANGES, example='["6.000 µF", "60.00 µF"]')),
    Key("accuracy", _ACCURACY, None),
    Key("accuracies", ListOf(_ACCURACY, 1, _MOST_RANGES), None),
    checks=(_check_accuracies, _check_ranges),
    schema_rules=({"oneOf": [{"required": ["accuracy"]}, {"required": ["accuracies"]}]},),
)
_PERCENT = number("0", "100")

METER = Table(
    MeterSpec,
    Key("name", Text(LONGEST_NAME)),
    Key(
        "address",
        Text(17, pattern="[0-9A-F]{2}(:[0-9A-F]{2}){5}", wanted="Write a Bluetooth address: C0:00:00:00:00:01."),
    ),
    Key("seed", Integer(0, LARGEST_INTEGER)),
    # Refreshes a second: nobody waits for a display below 1 Hz, nobody reads one above 50 Hz.
    Key("rate", number("1", "50"), 10.0),
    Key("counts", Integer(100, LARGEST_INTEGER)),
    Key("function", Tables(_FUNCTION, 1, len(MeterFunction), unique=("name",)), attribute="functions"),
    Key("battery", _PERCENT, 100.0),
    Key("drain", _PERCENT, 0.0),
    Key("low_below", _PERCENT, 10.0, attribute="low_battery_percent"),
    Key("encoding", Choice((PRESENTED, *ENCODER_FAMILIES)), PRESENTED),
    Key("variant", Integer(0, LARGEST_INTEGER), 0),
    checks=(_check_counts, _check_full_scales),
)
