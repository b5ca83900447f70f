"""The legs of a supply as a subject of rules: the voltage of each leg to ground and to the neutral, and its pattern.

A service of 120/240 V has 120 V from each leg to ground, a wye the line voltage by √3. A fuse or a pole that is open
lets its leg read nothing to ground, or the voltage that the load feeds back from the other legs (textbook circuits).
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from enum import Enum
from functools import cached_property
from math import sqrt
from typing import ClassVar

from meterlink.core.equipment import TestPoint
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.observations import Case, Observation, PointReadings
from meterlink.diagnosis.supply_points import LEGS, leg_to_ground, leg_to_neutral, pair_of_legs
from meterlink.judge.electrical.lost_phase import LineReading, lost_line
from meterlink.judge.estimates import Estimate

# An open leg floats: on a meter of high impedance it reads up to some tens of volts. Below a fourth of the best leg it
# has no supply of its own. Common practice, no source.
_DEAD_SHARE = 0.25
# Nothing of a supply is left below this voltage to ground. Common practice, no source.
NO_SUPPLY_VOLTS = 25.0  # V
# Legs of one service agree within this share; the voltages of a circuit add up within it. Unbalance and the errors of
# two meters are well below. Common practice, no source.
_SAME_SHARE = 0.1
# The higher leg of a 120/240 V service that has its neutral: 120 V and 10 % (common practice, no source; ANSI C84.1
# Range B ends at 127 V, from memory). Above that the ground or the neutral has moved.
_HIGHEST_LEG_VOLTS = 132.0  # V


class LegPattern(Enum):
    """The meaning of the voltages of all legs to ground, with those between the legs."""

    SOUND = "sound"
    LEG_OPEN = "leg open"  # one leg has no voltage of its own
    FED_BACK = "fed back"  # two legs are one: the load feeds the open leg, and nothing is between them
    LEG_LOW = "leg low"  # one leg loses voltage on the way
    GROUND_MOVED = "ground moved"  # the ground does not lie in the middle: an open neutral or grounding conductor
    NO_GROUND = "no ground"  # no leg reads to ground, though the legs have voltage between them
    LEG_GROUNDED = "leg grounded"  # one leg is at ground, the others have the full line voltage to it
    UNCLEAR = "unclear"


@dataclass(frozen=True, slots=True)
class LegFinding:
    """A pattern, the leg that it is about (empty if about none), and the readings behind it."""

    pattern: LegPattern
    leg: str
    readings: tuple[Observation, ...]


@dataclass(frozen=True)  # without slots: a cached property needs a place
class SupplyLegs:
    """The legs of one supply of the unit, by its circuit, with a reading to ground or to the neutral."""

    KIND: ClassVar[str] = "supply legs"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"leg", "terminals"})

    case: Case
    circuit: str
    to_ground: dict[str, PointReadings]
    to_neutral: dict[str, PointReadings]

    @property
    def placeholders(self) -> dict[str, str]:
        """The leg that the pattern is about, and the terminals that were read: ``{name in PLACEHOLDERS: text}``."""
        entries = (self.to_ground or self.to_neutral).values()
        return {
            "leg": self.finding.leg if self.finding and self.finding.leg else "one",
            "terminals": ", ".join(entry.terminals_text for entry in entries),
        }

    @cached_property
    def between(self) -> dict[frozenset[str], PointReadings]:
        """The voltages between two legs, by the two legs: of several readings the one nearest to those to ground."""
        anchors = [entry.latest.number for entry in self.to_ground.values() if entry.latest]
        nearest = max(anchors, default=0)
        by_pair: dict[frozenset[str], PointReadings] = {}
        for entry in self.case.point_readings:
            pair = pair_of_legs(entry.point)
            if len(pair) == 2 and entry.latest is not None and _supply_of(entry) == self.circuit:
                known = by_pair.get(pair)
                if known is None or _distance(entry, nearest) < _distance(known, nearest):
                    by_pair[pair] = entry
        return by_pair

    @property
    def is_three_phase(self) -> bool:
        """Whether a third leg was read."""
        return LEGS[2] in self.to_ground or any(LEGS[2] in pair for pair in self.between)

    @property
    def leg_readings(self) -> tuple[Observation, ...]:
        """The newest readings of the legs to ground."""
        return tuple(entry.latest for entry in self.to_ground.values() if entry.latest is not None)

    @property
    def line_estimate(self) -> Estimate | None:
        """The highest voltage between two legs, V; None where none was read."""
        values = [entry.latest.estimate for entry in self.between.values() if entry.latest and entry.latest.estimate]
        return max(values, key=lambda estimate: estimate.value, default=None)

    @cached_property
    def finding(self) -> LegFinding | None:
        """The pattern of the voltages to ground; None while a leg was not read, or without any supply."""
        needed = LEGS if self.is_three_phase else LEGS[:2]
        volts = {leg: _volts(self.to_ground[leg]) for leg in needed if leg in self.to_ground}
        known = {leg: value for leg, value in volts.items() if value is not None}
        if len(known) < len(needed):
            return None
        line = self.line_estimate
        found: tuple[LegPattern, str] | None = (LegPattern.FED_BACK, "")
        if not self._has_joined_legs(known):
            found = _find_pattern(
                known, None if line is None else line.value, self._lost_leg, has_full_line=self._has_full_line
            )
        if found is None:
            return None
        pattern, leg = found
        between = [entry.latest for entry in self.between.values() if entry.latest]
        return LegFinding(pattern, leg, (*self.leg_readings, *between))

    @property
    def neutral_finding(self) -> tuple[Observation, ...]:
        """The readings that show an open neutral; empty where they do not.

        The two voltages to the neutral differ, though they add up to that between the legs; or a leg has voltage to
        ground and none to the neutral.
        """
        for leg, entry in self.to_neutral.items():
            neutral, ground = _volts(entry), _volts(self.to_ground[leg]) if leg in self.to_ground else None
            if neutral is not None and ground is not None and ground > NO_SUPPLY_VOLTS > neutral:
                return _newest(entry, self.to_ground[leg])
        first, second = (self.to_neutral.get(leg) for leg in LEGS[:2])
        between = self.between.get(frozenset(LEGS[:2]))
        if first is None or second is None or between is None:
            return ()
        one, other, line = (_volts(entry) or 0.0 for entry in (first, second, between))
        adds_up = abs(one + other - line) <= _SAME_SHARE * line
        moved = adds_up and max(one, other) > _HIGHEST_LEG_VOLTS and not _alike((one, other))
        return _newest(first, second, between) if moved else ()

    def _has_joined_legs(self, volts: dict[str, float]) -> bool:
        """Return whether two legs with voltage to ground have next to none between them."""
        for pair, entry in self.between.items():
            to_ground, between = min(volts.get(leg, 0.0) for leg in pair), _volts(entry)
            if between is not None and to_ground > NO_SUPPLY_VOLTS and between < _DEAD_SHARE * to_ground:
                return True
        return False

    @property
    def exchanged_finding(self) -> tuple[Observation, ...]:
        """The readings of a line and a neutral that are exchanged: voltage between them, none from the line to ground.

        Of a supply with one leg only: a second leg tells more.
        """
        leg = LEGS[0]
        if set(self.to_ground) != {leg} or leg not in self.to_neutral or self.between:
            return ()
        neutral, ground = _volts(self.to_neutral[leg]), _volts(self.to_ground[leg])
        if neutral is None or ground is None or neutral < NO_SUPPLY_VOLTS or ground >= _DEAD_SHARE * neutral:
            return ()
        return _newest(self.to_neutral[leg], self.to_ground[leg])

    @property
    def _has_full_line(self) -> bool:
        """Whether every voltage between legs is within its limits: no leg is missing between these readings."""
        verdicts = [entry.latest.verdict for entry in self.between.values() if entry.latest]
        return bool(verdicts) and all(verdict is Verdict.WITHIN for verdict in verdicts)

    @property
    def _lost_leg(self) -> str | None:
        """The leg that three voltages between the legs show to be lost; None where they do not."""
        lines = [
            LineReading(entry.point.terminals, entry.latest.measured)
            for entry in self.between.values()
            if entry.latest and entry.latest.measured.digits is not None
        ]
        return lost_line(lines) if len(lines) == 3 else None

    @classmethod
    def find_all(cls, case: Case) -> "list[SupplyLegs]":
        """Return the legs of each circuit that has a reading of one to ground or to the neutral."""
        circuits = dict.fromkeys(_supply_of(entry) for entry in case.point_readings)
        found = []
        for circuit in circuits:
            to_ground, to_neutral = (
                _newest_by_leg(case, circuit, leg_of) for leg_of in (leg_to_ground, leg_to_neutral)
            )
            if to_ground or to_neutral:
                found.append(cls(case, circuit, to_ground, to_neutral))
        return found


def _find_pattern(
    volts: dict[str, float], line: float | None, lost_leg: str | None, *, has_full_line: bool
) -> tuple[LegPattern, str] | None:
    """Return the pattern and the leg that it is about; ``volts`` are by leg to ground.

    ``line`` is the highest voltage between legs (None: not read), ``lost_leg`` the leg that these voltages show to be
    lost. ``has_full_line``: all of them are within their limits.
    """
    legs = sorted(volts, key=lambda leg: volts[leg])
    lowest, highest = legs[0], legs[-1]
    if volts[highest] < NO_SUPPLY_VOLTS:
        return (LegPattern.NO_GROUND, "") if line is not None and line > 2 * NO_SUPPLY_VOLTS else None
    dead = [leg for leg in legs if volts[leg] < _DEAD_SHARE * volts[highest]]
    rest = [volts[leg] for leg in legs if leg not in dead]
    if len(dead) == 1 and _alike(rest):
        full_to_ground = line is not None and _is_about(rest[-1], line)
        if full_to_ground and has_full_line:
            return LegPattern.LEG_GROUNDED, lowest
        # An open leg reads about ground, and from the other leg that leg's voltage to ground. So does a grounded corner
        # whose voltage between the legs has no limits; with three phases three voltages between legs tell them apart.
        decided = lost_leg == lowest if len(volts) == 3 else not full_to_ground or rest[-1] <= _HIGHEST_LEG_VOLTS
        decided = decided or (line is not None and has_full_line)
        return (LegPattern.LEG_OPEN, lowest) if decided else (LegPattern.UNCLEAR, "")
    if dead:
        return LegPattern.UNCLEAR, ""
    return _two_legs(volts, line) if len(volts) == 2 else _three_legs(volts, line, lost_leg)


def _two_legs(volts: dict[str, float], line: float | None) -> tuple[LegPattern, str]:
    low, high = sorted(volts, key=lambda leg: volts[leg])
    total = volts[low] + volts[high]
    if line is None:
        return (LegPattern.SOUND, "") if _alike(volts.values()) else (LegPattern.UNCLEAR, "")
    if _alike(volts.values()):
        # In opposition on a 120/240 V service, 120° apart on two legs of a wye.
        sound = _is_about(total, line) or _is_about(volts[high], line / sqrt(3))
        return (LegPattern.SOUND, "") if sound else (LegPattern.UNCLEAR, "")
    # One leg of a delta with the middle of a winding grounded, and its high leg: 120, 208 and 240 V (textbook).
    if _is_about(volts[low], line / 2) and _is_about(volts[high], line * sqrt(3) / 2):
        return LegPattern.SOUND, ""
    if not _is_about(total, line):
        return LegPattern.UNCLEAR, ""
    if volts[high] > _HIGHEST_LEG_VOLTS:
        return LegPattern.GROUND_MOVED, ""
    return LegPattern.LEG_LOW, low


def _three_legs(volts: dict[str, float], line: float | None, lost_leg: str | None) -> tuple[LegPattern, str]:
    low, middle, high = sorted(volts, key=lambda leg: volts[leg])
    if lost_leg is not None:
        return (LegPattern.LEG_OPEN, lost_leg) if lost_leg == low else (LegPattern.UNCLEAR, "")
    if line is None:
        return LegPattern.UNCLEAR, ""
    if _alike(volts.values()):
        return (LegPattern.SOUND, "") if _is_about(volts[high], line / sqrt(3)) else (LegPattern.UNCLEAR, "")
    # A delta with the middle of one winding grounded has a high leg: half, half and 0.866 of the line voltage.
    if all(_is_about(volts[leg], line / 2) for leg in (low, middle)) and _is_about(volts[high], line * sqrt(3) / 2):
        return LegPattern.SOUND, ""
    if _alike((volts[middle], volts[high])) and _is_about(volts[high], line / sqrt(3)):
        return LegPattern.LEG_LOW, low
    return LegPattern.UNCLEAR, ""


def _supply_of(entry: PointReadings) -> str:
    """Return the circuit of a point; the grounding of a unit belongs to its supply."""
    circuit = entry.point.circuit
    return "supply" if "grounding" in circuit.lower() else circuit


def _alike(values: Collection[float]) -> bool:
    return max(values) - min(values) <= _SAME_SHARE * max(values)


def _is_about(value: float, expected: float) -> bool:
    return abs(value - expected) <= _SAME_SHARE * expected


def _volts(entry: PointReadings) -> float | None:
    return abs(entry.latest.estimate.value) if entry.latest and entry.latest.estimate else None


def _distance(entry: PointReadings, number: int) -> int:
    return abs(entry.latest.number - number) if entry.latest else 0


def _newest(*entries: PointReadings) -> tuple[Observation, ...]:
    return tuple(entry.latest for entry in entries if entry.latest is not None)


def _newest_by_leg(case: Case, circuit: str, leg_of: Callable[[TestPoint], str]) -> dict[str, PointReadings]:
    by_leg: dict[str, PointReadings] = {}
    for entry in case.point_readings:
        leg = leg_of(entry.point)
        if leg and entry.latest is not None and _supply_of(entry) == circuit:
            known = by_leg.get(leg)
            if known is None or known.latest is None or known.latest.number < entry.latest.number:
                by_leg[leg] = entry
    return {leg: by_leg[leg] for leg in LEGS if leg in by_leg}
