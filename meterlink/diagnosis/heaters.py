"""Resistance heaters as subjects of rules."""

from dataclasses import dataclass
from typing import ClassVar

from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.units import Quantity
from meterlink.diagnosis.observations import Case, PointReadings
from meterlink.diagnosis.subjects import is_resistance_to_ground, measured_points


@dataclass(frozen=True, slots=True)
class Heater:
    """A resistance heater, of which ``ohms``, ``amps`` and ``volts`` were read or not."""

    KIND: ClassVar[str] = "heater"
    PLACEHOLDERS: ClassVar[frozenset[str]] = frozenset({"part", "terminals"})

    case: Case
    point: TestPoint
    ohms: PointReadings | None
    amps: PointReadings | None
    volts: PointReadings | None

    @property
    def placeholders(self) -> dict[str, str]:
        """The heater and its terminals: ``{name in PLACEHOLDERS: text}``."""
        return {"part": self.point.title, "terminals": "–".join(self.point.terminals)}

    @classmethod
    def find_all(cls, case: Case) -> "list[Heater]":
        """Return every heater with a reading."""
        points = [entry for entry in measured_points(case) if is_heater(entry.point)]
        heaters = []
        for name in dict.fromkeys((entry.point.circuit, entry.point.title) for entry in points):
            of_heater = [entry for entry in points if (entry.point.circuit, entry.point.title) == name]
            by_use = {(entry.point.quantity, entry.point.state): entry for entry in of_heater}
            heaters.append(
                cls(
                    case,
                    of_heater[0].point,
                    by_use.get((Quantity.RESISTANCE, CircuitState.ISOLATED)),
                    by_use.get((Quantity.CURRENT, CircuitState.ENERGIZED)),
                    by_use.get((Quantity.VOLTAGE, CircuitState.ENERGIZED)),
                )
            )
        return heaters


# Parts that switch a heater, or are heated, are none. Common practice, no source.
_NO_HEATERS = (
    "sequencer",
    "relay",
    "contact",
    "coil",
    "switch",
    "link",
    "fuse",
    "limit",
    "thermostat",
    "supply",
    "motor",
)


def is_heater(point: TestPoint) -> bool:
    """Return whether the point reads a resistance heater, by its name; a switch or a limit of one is none."""
    name = point.component.lower()
    return (
        ("heater" in name or "heat strip" in name or "heating element" in name)
        and not any(word in point.title.lower() for word in _NO_HEATERS)
        and point.kind is PointKind.RANGE
        and not is_resistance_to_ground(point)
    )
