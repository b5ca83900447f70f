"""The ``[[meter]]`` tables of a scenario."""

import re
from decimal import Decimal

from meterlink.core.errors import InputError
from meterlink.core.text import LONGEST_NAME
from meterlink.core.units import parse_amount
from meterlink.judge.uncertainty import AccuracyLine, parse_accuracy
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES, MOST_COUNTS, PRESENTED
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range
from meterlink_simulators.scenario_tables import ScenarioTable

_ADDRESS = re.compile(r"[0-9A-F]{2}(:[0-9A-F]{2}){5}")
# Refreshes a second: nobody waits for a display below 1 Hz, nobody reads one above 50 Hz.
_RATES = (1.0, 50.0)


def read_meter(table: ScenarioTable) -> MeterSpec:
    """Return the meter that a ``[[meter]]`` table describes.

    Raises:
        ScenarioError: a key is missing or wrong.
    """
    name = table.text("name")
    if len(name) > LONGEST_NAME:
        raise table.error("name", f"it is longer than {LONGEST_NAME} characters.")
    address = table.text("address")
    if not _ADDRESS.fullmatch(address):
        raise table.error("address", f"{address!r} is not a Bluetooth address.", "Write it as C0:00:00:00:00:01.")
    counts = table.integer("counts", least=100)
    encoding = _encoding(table, counts)
    spec = MeterSpec(
        name=name,
        address=address,
        seed=table.integer("seed"),
        rate=table.number("rate", 10.0, least=_RATES[0], most=_RATES[1]),
        counts=counts,
        functions=tuple(_function(entry, counts) for entry in table.tables("function")),
        battery=table.number("battery", 100.0, most=100.0),
        drain=table.number("drain", 0.0, most=100.0),
        low_battery_percent=table.number("low_below", 10.0, most=100.0),
        encoding=encoding,
        variant=table.integer("variant", 0),
    )
    functions = [entry.function for entry in spec.functions]
    if len(set(functions)) < len(functions):
        raise table.error("function", "two functions have the same name.")
    table.reject_unknown_keys()
    return spec


def _encoding(table: ScenarioTable, counts: int) -> str:
    encoding = table.text("encoding", PRESENTED)
    if encoding not in {PRESENTED, *ENCODER_FAMILIES}:
        known = ", ".join([PRESENTED, *ENCODER_FAMILIES])
        raise table.error("encoding", f"{encoding!r} is not known.", f"Use one of: {known}.")
    most = MOST_COUNTS.get(encoding, counts)
    if counts > most:
        raise table.error("counts", f"{encoding!r} has no room for {counts} counts.", f"Use at most {most}.")
    return encoding


def _function(table: ScenarioTable, counts: int) -> FunctionSpec:
    function = table.choice("name", MeterFunction)
    scales = table.text_list("ranges")
    if "accuracies" in table:
        lines = table.text_list("accuracies", len(scales))
        accuracies = [_accuracy(table, "accuracies", line) for line in lines]
    else:
        accuracies = [_accuracy(table, "accuracy", table.text("accuracy"))] * len(scales)
    table_ranges = tuple(
        _range(table, function, counts, scale, accuracy) for scale, accuracy in zip(scales, accuracies, strict=True)
    )
    table_counts = [scale.count_value for scale in table_ranges]
    if table_counts != sorted(set(table_counts)):
        raise table.error("ranges", "the ranges are not in rising order.")
    table.reject_unknown_keys()
    return FunctionSpec(function, table_ranges)


def _accuracy(table: ScenarioTable, key: str, line: str) -> AccuracyLine:
    try:
        accuracy = parse_accuracy(line)
    except InputError as error:
        raise table.error(key, error.message, error.remedy) from error
    if accuracy.digits < 1:
        raise table.error(key, f"{line!r} allows no digit.", "No display is better than one digit: add + 1 digit.")
    return accuracy


def _range(table: ScenarioTable, function: MeterFunction, counts: int, scale: str, accuracy: AccuracyLine) -> Range:
    try:
        full = parse_amount(scale, function.quantity)
    except InputError as error:
        raise table.error("ranges", error.message, error.remedy) from error
    if full.unit == "°F" or full.digits != Decimal(counts) * full.resolution:
        raise table.error(
            "ranges",
            f"{scale!r} is not a full scale of {counts} counts.",
            "Write each with its trailing zeros (60.00 µF has 6000 counts); temperatures in °C.",
        )
    return Range(full, accuracy)
