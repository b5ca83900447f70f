"""The ``[[replacement]]`` table: a part swapped between readings or between visits."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from meterlink.cli.judge.dates import parse_date
from meterlink.core.clock import utc_nanoseconds
from meterlink.core.equipment import Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.replacements import Replacement
from meterlink.core.text import KEY_PATTERN
from meterlink.judge.drift.part_groups import DatedReplacement
from meterlink.judge.label.ratings import parse_rating
from meterlink.tomlfile.documents import document_schema
from meterlink.tomlfile.field_types import Entries, Integer, ListOf, Parsed, Schema, Text
from meterlink.tomlfile.tables import Key, Table, Tables

_MOST = 200  # far more swaps than a unit sees in its life
_MOST_READINGS = 1000  # at one test point, as in a file of readings
_NAME = Text(40)
_RATING = Text(60, example='"45+5 uF 440 V"')
_PART_KEYS = (
    Key("component", _NAME),
    Key("circuit", _NAME, "", description="Without it, of every circuit that has such a component."),
    Key("sections", ListOf(_NAME, 1, 10, distinct=True, example='["FAN"]'), (), description="Parts of their own only."),
    Key("old_rating", _RATING, "", description="As marked on the old part."),
    Key("new_rating", _RATING, "", description="As marked on the new part."),
)


@dataclass(frozen=True, slots=True)
class WrittenReplacement:
    """A replacement among the readings of a visit.

    ``readings_before`` is ``((key of a test point, readings of the old part there), ...)``.
    """

    component: str
    circuit: str
    sections: tuple[str, ...]
    old_rating: str
    new_rating: str
    readings_before: tuple[tuple[str, int], ...]

    def placed_after(self, number: int) -> Replacement:
        """Return the replacement after the reading ``number`` of the visit.

        Raises:
            InputError: the component is missing, or the number is below 0.
        """
        return Replacement(
            self.component, self.circuit, self.sections, self.old_rating, self.new_rating, after_number=number
        )


def rated_specification(text: str, point: TestPoint) -> Rating | Span:
    """Return the specification of a capacitor's test point from the label ``text`` of the part there.

    Raises:
        InputError: the text is no label, has several meanings, or has no such section.
    """
    part = parse_rating(text)
    if part.marked_range is not None:
        return part.marked_range
    if len(part.sections) == 1:
        return part.ratings()[0]
    by_section = dict(zip(part.section_names, part.ratings(), strict=True))
    if point.section.upper() not in by_section:
        sections = " and ".join(by_section)
        raise InputError(f"{text!r} rates {sections}; this test point is {point.title}.", "Name its section.")
    return by_section[point.section.upper()]


def _make_dated(
    *,
    component: str,
    circuit: str,
    sections: tuple[str, ...],
    old_rating: str,
    new_rating: str,
    on: datetime,
    site: str,
    unit: str,
) -> DatedReplacement:
    replacement = Replacement(component, circuit, sections, old_rating, new_rating, utc_ns=utc_nanoseconds(on))
    return DatedReplacement(replacement, site, unit)


def _make_replacements(replacement: Sequence[DatedReplacement]) -> tuple[DatedReplacement, ...]:
    return tuple(replacement)


READINGS_BEFORE = Entries(
    lambda word: word or None, KEY_PATTERN, Integer(0, _MOST_READINGS), "herm = 1", wanted="Use the key of a point."
)
WRITTEN_REPLACEMENTS = Tables(
    Table(
        WrittenReplacement,
        *_PART_KEYS,
        Key("readings_before", READINGS_BEFORE, description="By test point: its first readings, of the old part."),
    ),
    0,
    _MOST,
)
"""The replacements in a file of readings."""
REPLACEMENTS: Table[tuple[DatedReplacement, ...]] = Table(
    _make_replacements,
    Key(
        "replacement",
        Tables(
            Table(
                _make_dated,
                *_PART_KEYS,
                Key("on", Parsed(parse_date, '"2025-05-01"'), description="A day, or a time: 2025-05-01T13:00:00Z."),
                Key("site", _NAME, ""),
                Key("unit", _NAME, ""),
            ),
            1,
            _MOST,
        ),
    ),
)
"""The table of a file of replacements between visits."""


def replacements_schema() -> Schema:
    """Return the JSON Schema of files of replacements."""
    return document_schema(REPLACEMENTS, "Meterlink replacements", "Parts replaced between two visits.")
