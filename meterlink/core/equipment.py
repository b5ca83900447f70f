"""The nouns around a reading: where it was taken, on what, between which terminals, and what it is held against."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity


class CircuitState(StrEnum):
    """What the circuit must be in before anyone touches the test point's terminals."""

    ISOLATED = "isolated and discharged"
    ENERGIZED = "energized"


class PointKind(StrEnum):
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
    is to be said here beyond the standard caution (see `meterlink.core.cautions`).
    """

    __test__ = False  # pytest: a noun, not a test class

    key: str
    circuit: str
    component: str
    terminals: tuple[str, str]
    quantity: Quantity
    state: CircuitState
    kind: PointKind
    specification: Rating | Span | None = None
    section: str = ""
    why: str = ""
    coupling: Coupling | None = None
    caution: str = ""
    rule: str = ""

    @property
    def title(self) -> str:
        """``run capacitor HERM``: what a technician would call it."""
        return f"{self.component} {self.section}".rstrip()


class DerivedPointKind(StrEnum):
    """Which judgement is worked out of several readings."""

    UNBALANCE = "unbalance"  # three line-to-line voltages, or three line currents, against the most percent
    UNDER_LOAD = "under-load"  # a capacitor at work, from its amps, its volts and the frequency, against its rating
    WINDINGS = "windings"  # three resistances between a motor's three terminals, against each other
    SPLIT = "split"  # return air less supply air, against a span of temperature differences


@dataclass(frozen=True, slots=True)
class DerivedPoint:
    """A judgement worked out of the readings held at several test points.

    ``of`` pairs what each reading is for with the key of its test point: ``amps``, ``volts``, ``capacitor`` and
    ``frequency``; ``return`` and ``supply``; ``first``, ``second`` and ``third`` where the three are alike. ``against``
    is None where the usual limits, or the rating known at the ``capacitor`` point, are taken. ``frequency`` is the
    supply's, of an under-load check for which nobody reads it.
    """

    key: str
    kind: DerivedPointKind
    title: str
    inputs: tuple[tuple[str, str], ...]
    specification: Rating | Span | None = None
    frequency: Amount | None = None
    why: str = ""

    def input_key(self, role: str) -> str | None:
        """Return the key of the test point read for ``role``, None where there is none."""
        return dict(self.inputs).get(role)

    def uses_exclusively(self, key: str) -> bool:
        """Whether the reading at ``key`` is taken for this check, and so needs no limits of its own.

        A supply voltage has its nameplate and a capacitor its rating, whatever else is made of them.
        """
        return self.kind is not DerivedPointKind.UNBALANCE and key in {
            at for role, at in self.inputs if role != "capacitor"
        }


@dataclass(frozen=True, slots=True)
class Plan:
    """The ordered test points of a visit, and what is worked out of several of them."""

    name: str
    points: tuple[TestPoint, ...]
    derived: tuple[DerivedPoint, ...] = ()


@dataclass(frozen=True, slots=True)
class Site:
    """Where a visit happens: the site, and the machine there that carries the nameplate."""

    name: str
    unit: str


@dataclass(frozen=True, slots=True)
class Meter:
    """An instrument as the station knows it. ``address`` is what the platform's Bluetooth stack calls it.

    ``serial`` is the number it tells of itself, ``service`` the UUID of the GATT service its readings come from; both
    are empty until known, or where there is none.
    """

    address: str
    name: str
    driver: str = ""
    serial: str = ""
    service_uuid: str = ""
