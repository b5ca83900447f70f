"""The nouns around a reading: where it was taken, on what, between which terminals, and what it is held against."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from meterlink.readings import Coupling
from meterlink.units import Amount, Quantity


class State(StrEnum):
    """What the circuit must be in before anyone touches the test point's terminals."""

    ISOLATED = "isolated and discharged"
    ENERGIZED = "energized"


class Check(StrEnum):
    """Which judgement a test point gets."""

    CAPACITOR = "capacitor"  # a capacitor or one section of it, against its rating or the two limits printed on it
    COIL = "coil"  # a coil's resistance, against two limits
    INSULATION = "insulation"  # resistance to ground, against the least accepted; an overload is the good answer
    RANGE = "range"  # any quantity, against a rating or two limits


@dataclass(frozen=True, slots=True)
class Rating:
    """What is printed on the part: a value, and a tolerance in the words it is written in (None: the default)."""

    value: Amount
    tolerance: str | None = None

    def __str__(self) -> str:
        return f"{self.value} {self.tolerance}" if self.tolerance else str(self.value)


@dataclass(frozen=True, slots=True)
class Span:
    """Two limits taken from a label or a service sheet, in ``unit``; None where one side is open."""

    low: Decimal | None
    high: Decimal | None
    unit: str

    def __str__(self) -> str:
        if self.low is None or self.high is None:
            return f"at most {self.high:f} {self.unit}" if self.low is None else f"at least {self.low:f} {self.unit}"
        return f"{self.low:f} to {self.high:f} {self.unit}"


@dataclass(frozen=True, slots=True)
class TestPoint:
    """Circuit + component + probe terminals + quantity + required state + what it is held against.

    ``key`` is unique within its plan. ``against`` is None while nobody has read the rating off the part.
    ``section`` names the part of a component (``HERM``) where it has several. ``why`` is one sentence for whoever
    has not done this before. ``coupling`` is for voltage and current: None takes AC and DC alike. ``caution`` is what
    is to be said here beyond the standard caution (see `meterlink.cautions`).
    """

    __test__ = False  # pytest: a noun, not a test class

    key: str
    circuit: str
    component: str
    terminals: tuple[str, str]
    quantity: Quantity
    state: State
    check: Check
    against: Rating | Span | None = None
    section: str = ""
    why: str = ""
    coupling: Coupling | None = None
    caution: str = ""
    rule: str = ""

    @property
    def title(self) -> str:
        """``run capacitor HERM``: what a technician would call it."""
        return f"{self.component} {self.section}".rstrip()


@dataclass(frozen=True, slots=True)
class Plan:
    """The ordered test points of a visit."""

    name: str
    points: tuple[TestPoint, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a visit happens: the site, and the machine there that carries the nameplate."""

    site: str
    unit: str


@dataclass(frozen=True, slots=True)
class Meter:
    """An instrument as the station knows it. ``address`` is what the platform's Bluetooth stack calls it."""

    address: str
    name: str
    driver: str = ""
    serial: str = ""
