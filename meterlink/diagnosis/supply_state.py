"""The supply in the readings of a visit: the newest line voltages, their fall under load, and what the line feeds."""

from dataclasses import dataclass

from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.observations import Case, Observation, PointReadings
from meterlink.diagnosis.subjects import WholeVisit, is_line_supply, is_transformer_primary
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level
from meterlink.judge.uncertainty import COVERAGE_FACTOR

# NEC informational notes to 210.19(A) and 215.2(A), seen quoted: at most 3 % on a branch circuit, 5 % on feeder and
# branch circuit together. A fall that is larger than both is a fault of the wiring on the way.
MOST_FALL_PERCENT = 5.0
# A transformer's primary has the voltage of its line, but for the drop of some metres of wire. Common practice, no
# source.
_SAME_LINE_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class LineFall:
    """A line voltage that fell between two test points: ``volts`` is the fall in V, ``percent`` that of ``before``."""

    before: PointReadings
    after: PointReadings
    volts: float
    percent: float

    @property
    def readings(self) -> tuple[Observation | None, Observation | None]:
        """The two readings."""
        return self.before.latest, self.after.latest


def find_line_fall(case: Case) -> LineFall | None:
    """Return the largest fall of a line voltage by more than `MOST_FALL_PERCENT` and the meters' error; else None.

    Both readings are between the same terminals, at two test points; the later one still has voltage.
    """
    supplies = _line_supplies(case)
    falls = [fall for before in supplies for after in supplies if (fall := _fall(before, after)) is not None]
    return max(falls, key=lambda fall: fall.percent, default=None)


def _fall(before: PointReadings, after: PointReadings) -> LineFall | None:
    first, later = before.latest, after.latest
    same = _place(before) == _place(after) and before.point.key != after.point.key
    if not same or not first or not later or later.number < first.number or not first.estimate or not later.estimate:
        return None
    if VoltageLevel.ABSENT in {voltage_level(before), voltage_level(after)}:
        return None
    volts = first.estimate.value - later.estimate.value
    error = COVERAGE_FACTOR * (first.estimate.standard_uncertainty**2 + later.estimate.standard_uncertainty**2) ** 0.5
    if volts - error <= MOST_FALL_PERCENT / 100 * first.estimate.value:
        return None
    return LineFall(before, after, volts, 100 * volts / first.estimate.value)


def newest_line_supplies(case: Case) -> list[PointReadings]:
    """Return the line supplies with their newest readings: one for each pair of terminals of a circuit."""
    by_place = {_place(entry): entry for entry in sorted(_line_supplies(case), key=_newest_number)}
    return list(by_place.values())


def low_line_supply(case: Case) -> PointReadings | None:
    """Return a line supply whose newest voltage is low, but not absent; None without one."""
    return next((entry for entry in newest_line_supplies(case) if voltage_level(entry) is VoltageLevel.LOW), None)


def good_line_supply(case: Case) -> PointReadings | None:
    """Return a line supply if the newest voltages of all are within their limits; else None."""
    supplies = newest_line_supplies(case)
    within = bool(supplies) and all(
        entry.latest is not None and entry.latest.verdict is Verdict.WITHIN for entry in supplies
    )
    return supplies[0] if within else None


def fed_control_supply(case: Case) -> PointReadings | None:
    """Return the newest control voltage whose transformer is fed by the line of this unit; None without one.

    The transformer of a split system is in the indoor unit, on a circuit of its own: a coil voltage at the outdoor unit
    says nothing of its line. A plan with a test point at the transformer is that of a unit that contains it, unless its
    primary reads another voltage than the line.
    """
    transformer = [entry for entry in case.point_readings if "transformer" in entry.point.title.lower()]
    if not transformer:
        return None
    primary = max((entry for entry in transformer if _reads_primary(entry)), key=_newest_number, default=None)
    lines = newest_line_supplies(case)
    if primary is not None and lines and not any(_same_voltage(primary, line) for line in lines):
        return None
    return WholeVisit(case).control_supply


def _place(entry: PointReadings) -> tuple[str, frozenset[str]]:
    return entry.point.circuit, frozenset(entry.point.terminals)


def _line_supplies(case: Case) -> list[PointReadings]:
    return [entry for entry in case.point_readings if entry.latest is not None and is_line_supply(entry.point)]


def _reads_primary(entry: PointReadings) -> bool:
    return entry.latest is not None and is_transformer_primary(entry.point)


def _newest_number(entry: PointReadings) -> int:
    return entry.latest.number if entry.latest else -1


def _same_voltage(first: PointReadings, second: PointReadings) -> bool:
    one, other = (entry.latest.estimate if entry.latest else None for entry in (first, second))
    if one is None or other is None:
        return False
    absent = {voltage_level(first), voltage_level(second)} == {VoltageLevel.ABSENT}
    return absent or abs(one.value - other.value) <= _SAME_LINE_SHARE * max(one.value, other.value)
