"""Accepted readings of many visits, divided into the parts that they were read on."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

from meterlink.core.equipment import CircuitState, PointKind, Site, TestPoint
from meterlink.core.replacements import Replacement
from meterlink.judge.drift.part_series import PartSeries, VisitReading


class PlacedReading(VisitReading, Protocol):
    """An accepted reading with its visit and its test point."""

    @property
    def site(self) -> Site:
        """The unit and its site."""
        ...

    @property
    def visit_uid(self) -> str:
        """The visit."""
        ...

    @property
    def circuit(self) -> str:
        """The circuit."""
        ...

    @property
    def component(self) -> str:
        """The component."""
        ...

    @property
    def section(self) -> str:
        """The section of the component; empty without one."""
        ...

    @property
    def terminals(self) -> tuple[str, str]:
        """The terminals between which it was read."""
        ...

    @property
    def kind(self) -> PointKind:
        """The kind of the test point."""
        ...

    @property
    def state(self) -> CircuitState:
        """The state of the circuit."""
        ...


RowT = TypeVar("RowT", bound=PlacedReading)


@dataclass(frozen=True, slots=True)
class DatedReplacement:
    """A replacement at a unit of a site; an empty ``site`` or ``unit`` means every one."""

    replacement: Replacement
    site: str
    unit: str

    def is_at(self, site: str, unit: str) -> bool:
        """Return whether it was at this unit of this site; upper and lower case are alike."""
        return self.site.casefold() in {"", site.casefold()} and self.unit.casefold() in {"", unit.casefold()}


def series_of_parts(
    rows: Iterable[RowT], dated: Sequence[DatedReplacement], *, now_utc_ns: int
) -> list[PartSeries[RowT]]:
    """Return the series of each test point: of every visit the last accepted reading, with the replacements ``dated``.

    ``rows`` are in order of acceptance, without the voided ones. A test point is the same in another visit if site,
    unit, circuit, component, section, terminals and quantity are. ``now_utc_ns`` is that of `PartSeries.from_visits`.
    """
    points = _group_by_point(rows)
    return [
        PartSeries.from_visits(visits, replacements, now_utc_ns=now_utc_ns)
        for visits, replacements in zip(points, _replacements_by_point(points, dated), strict=True)
    ]


def _group_by_point(rows: Iterable[RowT]) -> list[list[RowT]]:
    """Return a list for each test point: the last accepted reading of every visit, oldest first."""
    points: dict[tuple[object, ...], dict[str, RowT]] = {}
    for row in rows:
        place = row.site
        test_point = (
            place.name, place.unit, row.circuit, row.component, row.section, row.terminals, row.reading.quantity,
        )  # fmt: skip
        points.setdefault(test_point, {})[row.visit_uid] = row
    return [sorted(visits.values(), key=lambda row: row.id) for visits in points.values()]


def _replacements_by_point(
    groups: Sequence[Sequence[RowT]], dated: Sequence[DatedReplacement]
) -> list[list[Replacement]]:
    """Return the replacements of each test point; the sections of a dual capacitor are one part."""
    found: list[list[Replacement]] = [[] for _ in groups]
    if not dated:
        return found
    at_units: dict[Site, list[int]] = defaultdict(list)
    for number, visits in enumerate(groups):
        at_units[visits[-1].site].append(number)
    for place, numbers in at_units.items():
        here = [entry.replacement for entry in dated if entry.is_at(place.name, place.unit)]
        points = [_test_point(groups[number][-1], number) for number in numbers] if here else []
        for replacement in here:
            for key in replacement.covered_keys(points):
                found[int(key)].append(replacement)
    return found


def _test_point(row: PlacedReading, number: int) -> TestPoint:
    return TestPoint(
        key=str(number),
        circuit=row.circuit,
        component=row.component,
        section=row.section,
        terminals=row.terminals,
        quantity=row.reading.quantity,
        state=row.state,
        kind=row.kind,
    )
