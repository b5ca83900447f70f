"""The test point of a stored reading."""

from contextlib import suppress
from dataclasses import replace

from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.replacements import Replacement
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.plans import parse_specification
from meterlink.store.rows import HistoryRow


def point_of_row(row: HistoryRow, key: str = "") -> TestPoint:
    """Return the test point at which ``row`` was accepted, with its rating; ``key`` replaces its key."""
    specification = None
    with suppress(InputError):  # no rating, or one of another quantity; the accepted reading still has its limits
        specification = parse_specification(row.rating, row.reading.quantity, row.kind)
    return TestPoint(
        key=key or row.point_key,
        circuit=_clean(row.circuit),
        component=_clean(row.component),
        section=_clean(row.section),
        terminals=(_clean(row.terminals[0]), _clean(row.terminals[1])),
        quantity=row.reading.quantity,
        state=row.state,
        kind=row.kind,
        specification=specification,
    )


def replacement_of_points(replacement: Replacement) -> Replacement:
    """Return a replacement with the names of its part as `point_of_row` has them, so that it finds its test points."""
    return replace(
        replacement,
        component=_clean(replacement.component),
        circuit=_clean(replacement.circuit),
        sections=tuple(map(_clean, replacement.sections)),
    )


def _clean(text: str) -> str:
    return clean_text(text, LONGEST_REMARK)
