"""Equipment: meters, sites, plans, test points and their specifications."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity


class CircuitState(StrEnum):
    """The state a circuit must be in before anyone touches the terminals of its test point."""

    ISOLATED = "isolated and discharged"
    ENERGIZED = "energized"


class PointKind(StrEnum):
    """How a test point is judged."""

    CAPACITOR = "capacitor"  # a capacitor or one of its sections, against its rating or the two limits printed on it
    COIL = "coil"  # a coil's resistance, against two limits
    INSULATION = "insulation"  # resistance to ground, against a minimum; an overload is good
    RANGE = "range"  # any quantity, against a rating or two limits


@dataclass(frozen=True, slots=True)
class Rating:
    """The rating printed on a part: its value, and its tolerance as written (None: the default)."""

    value: Amount
    tolerance: str | None = None

    def __str__(self) -> str:
        return f"{self.value} {self.tolerance}" if self.tolerance else str(self.value)


@dataclass(frozen=True, slots=True)
class Span:
    """Two limits from a label or a service sheet, in ``unit``; None for an open side.

    ``locked_rotor`` is the current of a motor that stands still at its rated voltage, in ``unit`` (LRA on a nameplate,
    beside RLA or FLA, which is ``high``); None where it is not marked, and for all but the current of a motor.
    ``basis`` is the marking from which the limits were worked out, ``5 kW 240 V``; empty for limits that are printed.
    """

    low: Decimal | None
    high: Decimal | None
    unit: str
    locked_rotor: Decimal | None = None
    basis: str = ""

    def __str__(self) -> str:
        if self.locked_rotor is None:
            return self.limits_text
        return f"{self.limits_text}, locked rotor {self.locked_rotor:f} {self.unit}"

    @property
    def limits_text(self) -> str:
        """The limits alone, or the marking that gave them: ``at most 14.1 A``, ``5 kW 240 V``."""
        if self.basis:
            return self.basis
        if self.low is None or self.high is None:
            return f"at most {self.high:f} {self.unit}" if self.low is None else f"at least {self.low:f} {self.unit}"
        return f"{self.low:f} to {self.high:f} {self.unit}"


@dataclass(frozen=True, slots=True)
class TestPoint:
    """One measurement of a visit: circuit, component, two terminals, quantity, required state, specification.

    ``key`` is unique within its plan. ``specification`` is None until the rating has been read off the part.
    ``section`` names one section (``HERM``) of a component that has several. ``why`` is a sentence for beginners.
    ``coupling`` applies to voltage and current; None accepts AC and DC. ``caution`` is added to the standard caution
    (see `meterlink.core.cautions`). ``rule`` is the decision rule, empty for the station's.
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
        """Component and section, ``run capacitor HERM``."""
        return f"{self.component} {self.section}".rstrip()


class DerivedPointKind(StrEnum):
    """How a derived point is judged."""

    UNBALANCE = "unbalance"  # three line-to-line voltages, or three line currents, against a maximum in percent
    UNDER_LOAD = "under-load"  # a capacitor at work: from amps, volts and frequency, against its rating
    WINDINGS = "windings"  # three resistances between a motor's three terminals, against each other
    SPLIT = "split"  # return air minus supply air, against two limits


@dataclass(frozen=True, slots=True)
class DerivedPoint:
    """A judgement worked out of the accepted readings of several test points.

    ``inputs`` holds pairs ``(role, key of a test point)``. The roles are ``amps``, ``volts``, ``capacitor`` and
    ``frequency``; ``return`` and ``supply``; or ``first``, ``second`` and ``third`` for three readings of one kind.
    ``specification`` is None for the usual limits, or for the rating of the ``capacitor`` point.
    ``frequency`` is the supply's, for an under-load point without a frequency reading.
    """

    key: str
    kind: DerivedPointKind
    title: str
    inputs: tuple[tuple[str, str], ...]
    specification: Rating | Span | None = None
    frequency: Amount | None = None
    why: str = ""

    def input_key(self, role: str) -> str | None:
        """Return the key of the test point in ``role``; None if no point has it."""
        return dict(self.inputs).get(role)

    def uses_exclusively(self, key: str) -> bool:
        """Return whether the reading at ``key`` serves this derived point only, and so needs no limits of its own.

        A supply voltage is also judged by the nameplate, and a capacitor by its rating.
        """
        return self.kind is not DerivedPointKind.UNBALANCE and key in {
            at for role, at in self.inputs if role != "capacitor"
        }


@dataclass(frozen=True, slots=True)
class Plan:
    """The ordered test points of a visit, and the points derived from them."""

    name: str
    points: tuple[TestPoint, ...]
    derived: tuple[DerivedPoint, ...] = ()


@dataclass(frozen=True, slots=True)
class Site:
    """The place of a visit, and the machine there that has the nameplate."""

    name: str
    unit: str


class ConnectionState(StrEnum):
    """The state of a meter's connection."""

    SEARCHING = "searching"  # wanted, not heard yet
    CONNECTING = "connecting"
    CONNECTED = "connected"
    SILENT = "silent"  # connected, but no packet arrives
    LOST = "lost"  # was connected, is searched for again
    NEEDS_ATTENTION = "needs attention"  # a person must help; still tried now and then
    UNUSABLE = "unusable"  # no driver fits


class DriverFit(StrEnum):
    """How well a driver fits a meter."""

    CERTAIN = "certain"
    LIKELY = "likely"
    POSSIBLE = "possible"
    NO = "no"


@dataclass(frozen=True, slots=True)
class Meter:
    """An instrument of the station. ``address`` is its address in the platform's Bluetooth stack.

    ``serial`` is the serial number it reports, ``service_uuid`` the UUID of the GATT service that sends its readings.
    Both are empty until known, and for a meter without them.
    """

    address: str
    name: str
    driver: str = ""
    serial: str = ""
    service_uuid: str = ""
