"""Texts that a person types or copies: markings, quantities, limits, accuracies, dates, lists, lines of teaching."""

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from random import Random

from meterlink.ble.capture_driver import parse_poll, parse_write
from meterlink.capture.manual_entry import parse_manual_entry
from meterlink.cli.history import parse_since
from meterlink.cli.judge.output import parse_measured_value
from meterlink.core.calibration import parse_calibration
from meterlink.core.clock import Timestamp
from meterlink.core.equipment import PointKind, VoltageBand
from meterlink.core.questions import Question
from meterlink.core.time_zones import parse_zone
from meterlink.core.units import Amount, Quantity, parse_amount, parse_unit, with_decimal_point
from meterlink.judge.accuracy_entry import parse_accuracy_entry
from meterlink.judge.label.rated_part import RatedPart
from meterlink.judge.label.ratings import describe_part, parse_rating, read_label
from meterlink.judge.tolerance import parse_tolerance
from meterlink.link.teach_line import parse_teach_line
from meterlink.plans import parse_specification
from meterlink.record.paper import Paper
from meterlink.record.restock_forms import read_restock
from meterlink.record.sticker_sheet import parse_sheet, parse_size
from studies.fuzz.target import Target
from studies.labels.markings import load_markings
from support.fuzz.mutants import mutate_text

_NOW = datetime(2026, 7, 14, 15, tzinfo=UTC)
_STAMP = Timestamp(1, 1)
_FIRST_NUMBER = re.compile(r"\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)")
_AMOUNTS = (
    "45uF", "42.3 MFD", "4.7k", "14.2 ohms", "-12.34 mV", "240 V AC", "60Hz", "75.2 °F", "0.9 µA", "1.5e3 Ω", "2 Mohm",
    "3 deg C", "8,8 A", "1,000 V", "50 %",
)  # fmt: skip
_ENTRIES = (
    "4.70 uF",
    "OL Mohm",
    "-12.34 mV DC",
    "0.000 VAC",
    "OL",
    "43,7",
    "- 0.0 V",
    "75 °F HOLD",
    "21 C LOWBAT",
    "0L",
)
_LIMITS = (
    "10 to 18 ohm", "189-227 uF", "at least 10 ohm", "at most 18 ohm", "45 uF 6 %", "45uF J", "230 V ±10 %",
    "24 V coil", "208/240 V ±10 %", "RLA 14.1 A, LRA 77 A", "5 kW 240 V", "18 °C to 21 °C", "45 uF -10/+30 %",
)  # fmt: skip
_QUANTITIES = {
    "ohm": Quantity.RESISTANCE, "F": Quantity.CAPACITANCE, "V": Quantity.VOLTAGE, "A": Quantity.CURRENT,
    "C": Quantity.TEMPERATURE,
}  # fmt: skip
_TOLERANCES = ("6 %", "±6%", "+/-6 %", "-10/+30 %", "-0 +20 %", "J", "±0.5 uF", "5", "0.25 %")
_ACCURACIES = (
    "good; capacitance: 0.9 % + 2 digits", "basic", "voltage AC up to 600 V: 1 % + 3 digits; per degree 0.1",
    "resistance up to 400 ohm step 0.1 ohm: 0.8 % + 2 digits", "temperature: 1 % + 1 °C",
)  # fmt: skip
_CALIBRATIONS = ("2026-03-01, due 2027-03-01, certificate K-1047", "calibrated 2026-03-01", "due 2027-03-01", "")
_MOMENTS = ("7d", "12h", "30m", "2026-07-01", "2026-07-01T13:00:00Z", "2026-07-01 13:00:00+02:00", "20260701T13")
_ZONES = ("Europe/Oslo", "america/new york", "Oslo", "UTC", "Etc/GMT+2")
_STICKERS = ("60x40", "3x8:70x37", "62 x 29", "2x4:99.1x67.7")
_TEACHING = ("done", "drop 3", "write fff2=a501@2", "read fff1=0.5", "4.70 uF", "stop", "DROP", "fff2=a501", "fff1=2")
_RESTOCK = (
    "part,rating,buy,used,have,low,place,note\r\nrun capacitor,45+5 uF,2,1,0,1,left bin,\r\ncontactor,24 V,1,,,,,\r\n",
    "rating;buy\n'=45 uF;3\n5 uF;0\n",
)


@contextmanager
def typed_targets(_folder: Path) -> Iterator[Sequence[Target]]:
    """Yield the readers of texts that people type."""
    parse_unit("uohm")  # loads pint, 20 MB, which the first unusual unit would do
    markings = [
        marking.text for file in Path(__file__).parents[1].glob("labels/*.txt") for marking in load_markings(file.name)
    ]
    yield (
        Target("markings", 12, _mutant(markings), _marking, least_past=1, least_accepted=0.2),
        Target("amounts", 20, _mutant(_AMOUNTS), _amount, least_past=1, least_accepted=0.15),
        Target("measured values", 10, _mutant((*_AMOUNTS, "43.7 uF ±2 %", "4.70uF+-0.1")), _measured, least_past=1),
        Target("typed readings", 16, _mutant(_ENTRIES), _entry, least_past=1, least_accepted=0.15),
        Target("limits", 18, _mutant(_LIMITS), _limits, least_past=1, least_accepted=0.1),
        Target("tolerances", 6, _mutant(_TOLERANCES), _tolerance, least_past=1, least_accepted=0.1),
        Target("accuracies", 8, _mutant(_ACCURACIES), _accuracy, least_past=1, least_accepted=0.05),
        Target("calibrations", 3, _mutant(_CALIBRATIONS), _calibration, least_past=1, least_accepted=0.05),
        Target("moments", 2, _mutant(_MOMENTS), _moment, least_past=1, least_accepted=0.1),
        Target("time zones", 0.1, _mutant(_ZONES), _zone, least_past=1, least_accepted=0.02),
        Target("stickers", 1.5, _mutant(_STICKERS), _sticker, least_past=1, least_accepted=0.01),
        Target("lines of teaching", 1.9, _mutant(_TEACHING), _teaching, least_past=1, least_accepted=0.3),
        Target("restock lists", 1.5, _mutant(_RESTOCK), _restock, r"is no CSV", least_past=0.5, least_accepted=0.1),
    )


def _mutant(texts: Sequence[str]) -> Callable[[Random], str]:
    def draw(rng: Random) -> str:
        return mutate_text(rng, rng.choice(texts), surrogates=True, most=2)

    return draw


def _marking(text: str) -> str:
    result = read_label(text)
    if isinstance(result, RatedPart):
        _check_part(result)
        return "read"
    assert result.text
    assert result.choices
    for choice in result.choices:
        _check_part(choice.conclusion)
        again = read_label(choice.key)
        assert not isinstance(again, Question), (choice.key, again)
    assert result.usual is None or result.usual in [choice.key for choice in result.choices]
    return "asked"


def _check_part(part: RatedPart) -> None:
    assert describe_part(part)
    for section in part.sections:
        assert section.digits.is_finite()
        assert section.digits > 0
    again = parse_rating(str(part))
    assert [section.base_value for section in again.sections] == [section.base_value for section in part.sections]
    assert (again.marked_range, again.volts, again.tolerance) == (part.marked_range, part.volts, part.tolerance)


def _amount(text: str) -> str:
    found = []
    for quantity in (None, *Quantity):
        try:
            found.append(parse_amount(text, quantity))
        except Exception as error:
            if quantity is None:
                refusal = error
            elif not found:
                raise refusal from error
    for amount in found:
        _check_number(text, amount)
    return "amount"


def _check_number(text: str, amount: Amount) -> None:
    """Assert that the digits are those of the text, read by a pattern of ASCII digits."""
    assert amount.digits.is_finite()
    written = _FIRST_NUMBER.match(text)
    assert written is not None
    assert amount.digits == Decimal(written[1]), (written[1], amount)
    assert f"{amount.digits}" == f"{Decimal(written[1])}"


def _measured(text: str) -> str:
    value = parse_measured_value(text, Quantity.CAPACITANCE)
    assert value.digits is None or value.digits.is_finite()
    return "value"


def _entry(text: str) -> str:
    reading = parse_manual_entry(text, _STAMP, Quantity.CAPACITANCE, "µF")
    assert reading.text
    if reading.digits is None:
        return "overload"
    written = _FIRST_NUMBER.match(with_decimal_point(text).replace("\u2212", "-").replace(" ", "").strip())
    assert written is None or abs(reading.digits) == abs(Decimal(written[1])), reading
    return "reading"


def _limits(text: str) -> str:
    rng = Random(len(text))
    kind = rng.choice(list(PointKind))
    by_unit = [quantity for unit, quantity in _QUANTITIES.items() if unit in text]
    quantity = rng.choice(by_unit) if by_unit and rng.randrange(4) else rng.choice(list(Quantity))
    specification = parse_specification(text, quantity, kind, rng.choice((None, *VoltageBand)))
    assert str(specification)
    return type(specification).__name__


def _tolerance(text: str) -> str:
    tolerance = parse_tolerance(text, Amount(Decimal(45), "µF"))
    assert tolerance.minus >= 0
    assert tolerance.plus >= 0
    assert str(tolerance)
    return "tolerance"


def _accuracy(text: str) -> str:
    entry = parse_accuracy_entry(text)
    assert parse_accuracy_entry(str(entry)) == entry
    assert entry.sheet is not None
    return "accuracy"


def _calibration(text: str) -> str:
    calibration = parse_calibration(text)
    assert parse_calibration(str(calibration)) == calibration
    assert isinstance(calibration.describe(_NOW.date()), str)
    return "calibration"


def _moment(text: str) -> str:
    assert -(2**63) <= parse_since(text, _NOW) < 2**63
    return "moment"


def _zone(text: str) -> str:
    assert parse_zone(text)
    return "zone"


def _sticker(text: str) -> str:
    if ":" in text:
        sheet = parse_sheet(text, Paper.A4)
        assert sheet.corners
        return "sheet"
    assert min(parse_size(text)) > 0
    return "size"


def _teaching(text: str) -> str:
    command, arguments = parse_teach_line(text)
    if "=" in text:
        try:
            parse_write(text)
        except Exception:  # noqa: BLE001  # the other of the two forms
            parse_poll(text)
    return f"{command} {len(arguments)}"


def _restock(text: str) -> str:
    bought = read_restock(text)
    assert all(rating and count > 0 for _, rating, count, _ in bought)
    return "list" if bought else "empty"
