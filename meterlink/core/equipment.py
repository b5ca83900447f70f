"""Equipment: meters, sites, plans, test points and their specifications."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import TypeAlias

from meterlink.core.errors import InputError
from meterlink.core.questions import Question
from meterlink.core.readings import Coupling
from meterlink.core.text import did_you_mean
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


class VoltageBand(StrEnum):
    """The limits that a marked voltage stands for (see `meterlink.judge.electrical.bands`)."""

    SUPPLY = "supply"  # of a service or a nameplate
    COIL = "coil"  # at the coil of a contactor, a relay or a valve
    CONTROL = "control"  # of a Class 2 control supply, at its source


@dataclass(frozen=True, slots=True)
class MarkedVoltage:
    """A voltage as marked, ``208/230 V`` or ``24 V``, without a tolerance of its own: ``band`` gives the limits."""

    volts: tuple[Decimal, ...]
    band: VoltageBand

    def __str__(self) -> str:
        return f"{self.volts_text} {self.band}"

    @property
    def volts_text(self) -> str:
        """The voltage as marked: ``208/230 V``."""
        return f"{'/'.join(f'{number:f}' for number in self.volts)} V"


Specification: TypeAlias = Rating | Span | MarkedVoltage


class Hazard(StrEnum):
    """A hazard at a test point that has a caution of its own (see `meterlink.core.cautions`)."""

    COMPRESSOR_TERMINALS = "compressor terminals"
    MOVING_FAN = "moving fan"
    HOT_HEATER = "hot heater"
    LINE_VOLTAGE_BESIDE = "line voltage beside"
    SECOND_SOURCE = "second source"
    THREE_PHASES = "three phases"
    POWER_RETURNS = "power returns"
    START_CAPACITOR = "start capacitor"
    SINGLE_POLE = "single-pole contactor"
    DC_BUS = "DC bus"
    COMMUTATED_MOTOR = "electronically commutated motor"
    GAS = "gas"


@dataclass(frozen=True, slots=True)
class TestPoint:
    """One measurement of a visit: circuit, component, two terminals, quantity, required state, specification.

    ``key`` is unique within its plan. ``specification`` is None until the rating has been read off the part; ``band``
    is that of a voltage marked there. ``section`` names one section (``HERM``) of a component that has several. ``why``
    is a sentence for beginners. ``coupling`` applies to voltage and current; None accepts AC and DC. ``caution`` and
    the cautions of ``hazards`` are added to the standard caution (see `meterlink.core.cautions`). ``rule`` is the
    decision rule, empty for the station's.

    A current is read with a clamp, or by the meter itself where ``in_series`` is true. An ``optional`` point is read
    where the part is fitted, or where other readings point to it: nobody is sent there.

    ``when`` holds pairs ``(key of a question, key of a choice)``: the part exists for these answers only. The answer
    to the question ``rated_by`` gives the specification.
    """

    __test__ = False  # pytest: a noun, not a test class

    key: str
    circuit: str
    component: str
    terminals: tuple[str, str]
    quantity: Quantity
    state: CircuitState
    kind: PointKind
    specification: Specification | None = None
    section: str = ""
    why: str = ""
    coupling: Coupling | None = None
    caution: str = ""
    rule: str = ""
    band: VoltageBand | None = None
    hazards: tuple[Hazard, ...] = ()
    in_series: bool = False
    optional: bool = False
    when: tuple[tuple[str, str], ...] = ()
    rated_by: str = ""

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
class Answer:
    """The meaning of an answer for the machine: the rating of the test points that ask for it, and a hazard.

    ``rated`` is empty where the answer gives no rating. The hazard is at the test points of the circuits whose names
    begin with ``circuit``, of all circuits if that is empty.
    """

    rated: str = ""
    hazard: Hazard | None = None
    circuit: str = ""

    def has_hazard_at(self, point: "TestPoint") -> bool:
        """Return whether its hazard is at ``point``, in the state that the circuit has there."""
        state = _STATE_OF_HAZARD.get(self.hazard, point.state) if self.hazard else None
        return state is point.state and point.circuit.startswith(self.circuit)


# A stored charge is a hazard once the power is off; a leg that stays live, while it is on. Others are always there.
_STATE_OF_HAZARD = {Hazard.DC_BUS: CircuitState.ISOLATED, Hazard.SINGLE_POLE: CircuitState.ENERGIZED}


@dataclass(frozen=True, slots=True)
class PlanQuestion:
    """A question on the machine, asked before the first reading.

    ``when`` holds pairs ``(key of an earlier question, key of a choice)``: it is asked for these answers only.
    """

    key: str
    question: Question[Answer]
    when: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Plan:
    """The ordered test points of a visit, the points derived from them, and the questions on which they depend.

    ``ratings`` holds ``(key of a test point, key of a choice, specification)`` of the points with ``rated_by``.
    ``assumptions`` are sentences on questions that nobody answered (see `with_usual_answers`). Answers are ``{key of a
    question: key or number of a choice}``.
    """

    name: str
    points: tuple[TestPoint, ...]
    derived: tuple[DerivedPoint, ...] = ()
    asked: tuple[PlanQuestion, ...] = ()
    ratings: tuple[tuple[str, str, Specification], ...] = ()
    assumptions: tuple[str, ...] = ()

    def checked_answers(self, answers: Mapping[str, str]) -> dict[str, str]:
        """Return ``{key of a question: key of a choice}``, in the order of the questions.

        An answer to a question that other answers make void is left out.

        Raises:
            InputError: there is no such question, or no such choice.
        """
        known = [asked.key for asked in self.asked]
        for key in answers:
            if key not in known:
                listed = f"Use one of: {', '.join(known)}." if known else "Leave the answer out."
                remedy = did_you_mean(key, known) or listed
                raise InputError(f"There is no question {key!r} in the plan {self.name}.", remedy)
        checked: dict[str, str] = {}
        for asked in self.asked:
            if asked.key in answers:
                choice = asked.question.choose(answers[asked.key])
                checked |= {asked.key: choice.key} if _holds(asked.when, checked) else {}
        return checked

    def questions(self, answers: Mapping[str, str]) -> tuple[PlanQuestion, ...]:
        """Return the questions that are still open, in order.

        Raises:
            InputError: there is no such question, or no such choice.
        """
        checked = self.checked_answers(answers)
        return tuple(asked for asked in self.asked if asked.key not in checked and _holds(asked.when, checked))

    def points_for(self, answers: Mapping[str, str]) -> tuple[TestPoint, ...]:
        """Return the test points known to exist, with the specifications and hazards that follow from the answers.

        A point that depends on an open question is not among them. Only questions that this plan asks can hide a point.

        Raises:
            InputError: there is no such question, or no such choice.
        """
        checked = self.checked_answers(answers)
        known = {asked.key for asked in self.asked}
        conclusions = [
            asked.question.choose(checked[asked.key]).conclusion for asked in self.asked if asked.key in checked
        ]
        rated = {(key, choice): specification for key, choice, specification in self.ratings}
        return tuple(
            replace(
                point,
                specification=rated.get((point.key, checked.get(point.rated_by, "")), point.specification),
                hazards=_hazards_at(point, conclusions),
                when=(),
                rated_by="",
            )
            for point in self.points
            if _holds(((question, choice) for question, choice in point.when if question in known), checked)
        )

    def for_answers(self, answers: Mapping[str, str]) -> "Plan":
        """Return the plan of this machine: `points_for` and the derived points that have all their inputs.

        Raises:
            InputError: there is no such question, or no such choice.
        """
        points = self.points_for(answers)
        keys = {point.key for point in points}
        derived = tuple(entry for entry in self.derived if keys.issuperset(key for _, key in entry.inputs))
        return replace(self, points=points, derived=derived, asked=(), ratings=())

    def usual_answers(self, answers: Mapping[str, str]) -> dict[str, str]:
        """Return the answers with those questions answered as usual that are open and have a usual answer.

        Raises:
            InputError: there is no such question, or no such choice.
        """
        completed = dict(answers)
        for asked in self.asked:
            if asked in self.questions(completed) and asked.question.usual is not None:
                completed[asked.key] = asked.question.usual
        return completed

    def with_usual_answers(self, answers: Mapping[str, str]) -> "Plan":
        """Return `for_answers`, with each open question answered as usual; ``assumptions`` says so.

        The test points that depend on a question without a usual answer are left out; those that it rates have no
        specification.

        Raises:
            InputError: there is no such question, or no such choice.
        """
        completed = self.usual_answers(answers)
        assumed = [f"{key} {answer}" for key, answer in completed.items() if key not in answers]
        still_open = [asked.key for asked in self.questions(completed)]
        sentences = [f"Assumed without an answer: {', '.join(assumed)}."] if assumed else []
        sentences += [f"Not answered, so not asked for: {', '.join(still_open)}."] if still_open else []
        return replace(self.for_answers(completed), assumptions=tuple(sentences))


def _hazards_at(point: TestPoint, conclusions: Iterable[Answer]) -> tuple[Hazard, ...]:
    brought = (answer.hazard for answer in conclusions if answer.hazard and answer.has_hazard_at(point))
    return tuple(dict.fromkeys((*point.hazards, *brought)))


def _holds(when: Iterable[tuple[str, str]], checked: Mapping[str, str]) -> bool:
    return all(checked.get(question) == choice for question, choice in when)


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
