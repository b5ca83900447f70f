"""The test point of a stored reading."""

from contextlib import suppress

from meterlink.cli.output import printable_text
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.plans import parse_specification
from meterlink.store.rows import HistoryRow


def point_of_row(row: HistoryRow, key: str = "") -> TestPoint:
    """Return the test point at which ``row`` was accepted, with its rating; ``key`` replaces its key."""
    specification = None
    with suppress(InputError):  # no rating, or one of another quantity; the accepted reading still has its limits
        specification = parse_specification(row.rating, row.reading.quantity, row.kind)
    return TestPoint(
        key=key or row.point_key,
        circuit=printable_text(row.circuit),
        component=printable_text(row.component),
        section=printable_text(row.section),
        terminals=(printable_text(row.terminals[0]), printable_text(row.terminals[1])),
        quantity=row.reading.quantity,
        state=row.state,
        kind=row.kind,
        specification=specification,
    )
