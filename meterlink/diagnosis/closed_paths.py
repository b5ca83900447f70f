"""Closed paths of the supply as subjects of rules: fuses, breaker poles, disconnect blades, contactor poles, joints."""

from dataclasses import dataclass
from typing import ClassVar

from meterlink.core.units import convert
from meterlink.diagnosis.evidence import Evidence, make_positive_evidence
from meterlink.diagnosis.facts_readings import describe_point
from meterlink.diagnosis.observations import Case, PointReadings
from meterlink.diagnosis.supply_points import is_closed_path
from meterlink.diagnosis.supply_state import find_line_fall, newest_line_supplies
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level

# A part that takes a fourth of the voltage that is lost under load is worth naming, and one that takes half is the main
# one. Sound contacts, fuses and blades drop tenths of a volt, so less than 1 V is not it. Common practice, no source.
LEAST_SHARE_OF_FALL, MAIN_SHARE_OF_FALL = 0.25, 0.5
_LEAST_VOLTS = 1.0
# An open path carries the voltage of the supply, a bad one some volts, so the bound is half. Common practice, no
# source.
OPEN_PATH_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class ClosedPath:
    """A part that should join the supply to its load, with the voltage across it."""

    KIND: ClassVar[str] = "closed path"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"part", "terminals"})

    case: Case
    point_readings: PointReadings

    @property
    def placeholders(self) -> dict[str, str]:
        """The part and its terminals: ``{name in PLACEHOLDERS: text}``."""
        return {"part": self.point_readings.point.title, "terminals": self.point_readings.terminals_text}

    @property
    def carries_supply(self) -> Evidence | None:
        """The evidence if more than half of a line voltage is across it: it is open; else None.

        Where the line has none, because it is read behind the open part, the lowest voltage that it should have counts.
        """
        latest = self.point_readings.latest
        for line in newest_line_supplies(self.case):
            source = _source_volts(line)
            if latest and latest.estimate and source and latest.estimate.value > OPEN_PATH_SHARE * source:
                text = (
                    f"{describe_point(self.point_readings)} reads {latest.text}, and the supply"
                    f" {line.latest.text if line.latest else ''}."
                )
                return make_positive_evidence(text, latest, line.latest)
        return None

    @property
    def share_of_fall(self) -> float | None:
        """The voltage across it as a share of that which is lost under load; None where it is open, or unknown."""
        latest, fall = self.point_readings.latest, find_line_fall(self.case)
        if latest is None or latest.estimate is None or fall is None or self.carries_supply is not None:
            return None
        return latest.estimate.value / fall.volts

    def takes_of_fall(self, least_share: float) -> Evidence | None:
        """Return the evidence if it takes this share or more of the voltage that is lost under load; else None."""
        latest, fall, share = self.point_readings.latest, find_line_fall(self.case), self.share_of_fall
        if latest is None or latest.estimate is None or fall is None or share is None:
            return None
        if share < least_share or latest.estimate.value < _LEAST_VOLTS:
            return None
        text = (
            f"{describe_point(self.point_readings)} reads {latest.text}, of the {fall.volts:.3g} V that are lost"
            " under load."
        )
        return make_positive_evidence(text, latest, *fall.readings)

    @classmethod
    def find_all(cls, case: Case) -> "list[ClosedPath]":
        """Return every such part with a reading of the voltage across it."""
        return [
            cls(case, entry)
            for entry in case.point_readings
            if entry.latest is not None and is_closed_path(entry.point)
        ]


def _source_volts(line: PointReadings) -> float | None:
    """Return a line voltage in V; of a line without voltage the low limit, None where it has no limit."""
    if voltage_level(line) is not VoltageLevel.ABSENT:
        return line.latest.estimate.value if line.latest and line.latest.estimate else None
    limits = line.limits
    return None if limits is None or limits.low is None else float(convert(limits.low, limits.unit, "V"))
