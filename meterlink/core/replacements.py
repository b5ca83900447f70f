"""Replacements: a part swapped during a visit or between two.

Readings before a replacement belong to the old part, readings after it to the new one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from meterlink.core.equipment import PointKind, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity


@dataclass(frozen=True, slots=True)
class Replacement:
    """A part swapped: the ``component`` of ``circuit``, all of its sections or only those named in ``sections``.

    An empty ``circuit`` means every circuit that has such a component. ``old_rating`` and ``new_rating`` are the
    ratings as marked on the parts, empty where they were not read.

    The time of the swap is ``after_number``, the number of the last reading of that visit before it (0: before the
    first), or ``utc_ns``, nanoseconds since 1970 UTC, or both; None where unknown. Within a visit the number decides,
    because a clock may be set in between.

    Raises:
        InputError: the component is missing, neither time is given, or ``after_number`` is below 0.
    """

    component: str
    circuit: str = ""
    sections: tuple[str, ...] = ()
    old_rating: str = ""
    new_rating: str = ""
    after_number: int | None = None
    utc_ns: int | None = None

    def __post_init__(self) -> None:
        if not self.component.strip():
            raise InputError("A replacement without a component.", "Name the part: run capacitor.")
        if self.after_number is None and self.utc_ns is None:
            raise InputError(f"The time of the replacement of the {self.component} is missing.", "Say when it was.")
        if self.after_number is not None and self.after_number < 0:
            raise InputError(f"{self.after_number} is not the number of a reading.", "Count readings from 1.")

    def covered_keys(self, points: Sequence[TestPoint]) -> frozenset[str]:
        """Return the keys of the test points whose readings belong to this part.

        The sections of a dual capacitor share a terminal and are one part, also if they serve two circuits. Named
        ``sections`` are parts of their own. A voltage belongs to its circuit, not to the part that it reaches; only the
        drop across contacts and the voltage that a transformer gives are the part's.
        """
        own = [point for point in points if _reads_the_part(point)]
        named = [point for point in own if self._names(point)]
        if self.sections:
            return frozenset(point.key for point in named)
        siblings = [point for point in own if any(_are_sections_of_one_part(point, other) for other in named)]
        # A section is also read in other ways: the ohms across it, its amps.
        parts = {(point.circuit, point.component, point.section) for point in (*named, *siblings)}
        return frozenset(point.key for point in own if (point.circuit, point.component, point.section) in parts)

    def _names(self, point: TestPoint) -> bool:
        return (
            point.component.casefold() == self.component.casefold()
            and self.circuit.casefold() in {"", point.circuit.casefold()}
            and (not self.sections or point.section.casefold() in map(str.casefold, self.sections))
        )

    @property
    def part(self) -> str:
        """The part in words: ``run capacitor``, ``run capacitor FAN``."""
        return f"{self.component} {' and '.join(self.sections)}".rstrip()


def _reads_the_part(point: TestPoint) -> bool:
    if point.quantity is not Quantity.VOLTAGE:
        return True
    title = point.title.lower()
    return "contacts" in title or ("transformer" in title and "primary" not in title)


def _are_sections_of_one_part(point: TestPoint, other: TestPoint) -> bool:
    return (
        point.kind is other.kind is PointKind.CAPACITOR
        and point.component == other.component
        and bool(point.section and other.section)
        and bool(set(point.terminals) & set(other.terminals))
    )
