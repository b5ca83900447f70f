"""The windings of a three-phase motor as the subject of rules: three readings between three terminals."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from meterlink.core.equipment import CircuitState, TestPoint
from meterlink.core.units import Quantity
from meterlink.diagnosis.observations import Case, Observation, PointReadings

if TYPE_CHECKING:
    from meterlink.judge.electrical.windings_result import WindingsResult

# Terminals of a three-phase motor, as marked (NEMA MG-1 and IEC 60034-8, from memory).
_MARKS = ({"T1", "T2", "T3"}, {"U", "V", "W"})


@dataclass(frozen=True, slots=True)
class ThreePhaseWindings:
    """The windings of a three-phase motor; ``pairs`` are the readings between each two of its terminals."""

    KIND: ClassVar[str] = "three-phase windings"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"motor", "open_terminal", "unequal_pair"})

    case: Case
    motor: str
    pairs: tuple[PointReadings, PointReadings, PointReadings]

    @property
    def latest(self) -> list[Observation]:
        """The newest reading of each pair."""
        return [pair.latest for pair in self.pairs if pair.latest is not None]

    @property
    def open_pairs(self) -> list[PointReadings]:
        """The pairs whose newest reading is an overload."""
        return [pair for pair in self.pairs if pair.latest is not None and pair.latest.measured.digits is None]

    @property
    def placeholders(self) -> dict[str, str]:
        """The motor, the terminal that is open to both others, and the pair that reads unlike the other two."""
        open_terminals = [set(pair.point.terminals) for pair in self.open_pairs]
        shared = set.intersection(*open_terminals) if len(open_terminals) == 2 else set()
        return {"motor": self.motor, "open_terminal": "".join(shared), "unequal_pair": self._unequal_pair()}

    def _unequal_pair(self) -> str:
        valued = [(pair, pair.latest.estimate.value) for pair in self.pairs if pair.latest and pair.latest.estimate]
        if len(valued) < len(self.pairs):
            return ""
        mean = sum(value for _, value in valued) / len(valued)
        return max(valued, key=lambda entry: abs(entry[1] - mean))[0].terminals_text

    @property
    def result(self) -> "WindingsResult | None":
        """The judgement of the three newest readings, None where one has none."""
        # Imported only for windings: a station starts without it.
        from meterlink.judge.electrical.windings import judge_windings  # noqa: PLC0415

        readings = self.latest
        if len(readings) < len(self.pairs):
            return None
        return judge_windings(
            [(*pair.point.terminals, reading.meter_reading) for pair, reading in zip(self.pairs, readings, strict=True)]
        )

    @classmethod
    def find_all(cls, case: Case) -> "list[ThreePhaseWindings]":
        """Return every three-phase motor with a reading between each two of its terminals."""
        found = []
        points = [
            entry for entry in case.point_readings if entry.latest is not None and is_three_phase_pair(entry.point)
        ]
        for circuit, motor in dict.fromkeys((entry.point.circuit, entry.point.component) for entry in points):
            pairs = [entry for entry in points if (entry.point.circuit, entry.point.component) == (circuit, motor)]
            ends = {frozenset(entry.point.terminals) for entry in pairs}
            if len(pairs) == len(ends) == 3:
                found.append(cls(case, motor, (pairs[0], pairs[1], pairs[2])))
        return found


def is_three_phase_pair(point: TestPoint) -> bool:
    """Return whether the point reads between two terminals of a three-phase motor."""
    motor = any(word in f"{point.circuit} {point.component}".lower() for word in ("motor", "compressor", "winding"))
    terminals = {terminal.upper() for terminal in point.terminals}
    return (
        motor
        and "contact" not in point.component.lower()
        and point.quantity is Quantity.RESISTANCE
        and point.state is CircuitState.ISOLATED
        and any(terminals < marks for marks in _MARKS)
    )
