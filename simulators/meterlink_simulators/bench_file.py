"""Bench files: TOML files that describe a bench alone, its components and wires. A scenario has the same keys.

The tables and their keys are listed in `meterlink_simulators.scenario`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.tomlfile.files import load_document
from meterlink.tomlfile.tables import Key, Table, Tables
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component
from meterlink_simulators.scenario_components import COMPONENT, check_components
from meterlink_simulators.scenario_types import amount
from meterlink_simulators.scenario_wired_parts import WIRES, check_wires
from meterlink_simulators.wiring import Wire

_AMBIENT = 25.0  # °C, a mild day
_MOST_COMPONENTS = 500  # a bench that one person can overlook


class BenchFileError(InputError):
    """A bench file is wrong; the message lists each error with its line and column."""


@dataclass(frozen=True, slots=True)
class BenchDescription:
    """The components of a bench and the wires between them. ``ambient`` is the air temperature, °C."""

    ambient: float
    wires: tuple[Wire, ...]
    components: tuple[Component, ...]

    def build(self, seed: int = 0) -> Bench:
        """Return a fresh bench at time 0; ``seed`` fixes the bouncing of its probes."""
        return Bench(self.components, seed, self.ambient, self.wires)


def load_bench(file: Path) -> BenchDescription:
    """Return the bench in ``file``.

    Raises:
        BenchFileError: the file cannot be read or has errors; the message lists each with its line and column.
    """
    return load_document(file, "bench", BENCH, BenchFileError)


def right_bench(
    partial_components: Sequence[Component | Mapping[str, Any]], wires: tuple[Wire, ...] | None
) -> Bench | None:
    """Return a bench of the components of a file to try steps on; None where it has an error."""
    components = [component for component in partial_components if not isinstance(component, Mapping)]
    if wires is None or len(components) < len(partial_components):
        return None
    try:
        return Bench(components, wires=wires)
    except InputError:
        return None


BENCH_KEYS = (
    Key("ambient", amount(Quantity.TEMPERATURE, '"24 °C"'), _AMBIENT),
    Key("wires", WIRES, ()),
    Key("component", Tables(COMPONENT, 1, _MOST_COMPONENTS, unique=("name",)), attribute="components"),
)
"""The keys of a bench file; a scenario has them, too."""

BENCH_CHECKS = (check_components, check_wires)
"""The checks between components and wires."""

BENCH: Table[BenchDescription] = Table(BenchDescription, *BENCH_KEYS, checks=BENCH_CHECKS)
"""The table of a bench file."""
