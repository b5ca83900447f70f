"""The supply of a wired circuit: its lines with their phase angles, the source impedance, and the grounding."""

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from meterlink.core.errors import InputError
from meterlink_simulators.components import NodeVolts, Supply
from meterlink_simulators.network import GROUND, Element, branch

Layout = Literal["line and neutral", "split phase", "wye", "delta", "corner-grounded delta", "high-leg delta"]

_TURN = cmath.exp(-2j * math.pi / 3)  # L2 lags L1 by 120°, L3 lags L2
_WYE = {"L1": 1 / math.sqrt(3), "L2": _TURN / math.sqrt(3), "L3": _TURN**2 / math.sqrt(3)}
# Line voltages against the neutral, or the corner that is grounded, as shares of the voltage between lines (for 'line
# and neutral': between these).
_PHASORS: Mapping[Layout, Mapping[str, complex]] = {
    "line and neutral": {"L1": 1},
    "split phase": {"L1": 0.5, "L2": -0.5},
    "wye": _WYE,
    "delta": _WYE,
    "corner-grounded delta": {line: phasor - _WYE["L2"] for line, phasor in _WYE.items()},
    "high-leg delta": {"L1": 0.5, "L2": -0.5j * math.sqrt(3), "L3": -0.5},
}
_WITH_NEUTRAL = {"line and neutral", "split phase", "wye", "high-leg delta"}
_NEUTRAL = "*N"


@dataclass(frozen=True)
class Mains(Supply):
    """A supply with one, two or three lines. Make it with `mains`.

    ``impedance`` (Ω) is in each line and in the neutral. ``shares`` scales the voltage of single lines.
    ``reversed_order`` exchanges the phase order L1, L2, L3. ``open_lines`` are lines that are broken.
    """

    layout: Layout = "split phase"
    impedance: complex = 0.02
    shares: Mapping[str, float] = field(default_factory=dict)
    reversed_order: bool = False
    open_lines: frozenset[str] = frozenset()

    def passive_elements(self, hertz: float) -> list[Element]:
        """Return the elements without sources: the impedances of the lines while the supply is on."""
        return self._elements(hertz, with_sources=False)

    def elements(self, hertz: float, volts: NodeVolts | None) -> list[Element]:  # noqa: ARG002  # no reaction to them
        """Return the elements at ``hertz`` Hz: its sources are there at its own frequency."""
        return self._elements(hertz, with_sources=hertz == self.hertz)

    def _elements(self, hertz: float, *, with_sources: bool) -> list[Element]:
        # The reactance of the source is proportional to the frequency.
        impedance = complex(self.impedance.real, self.impedance.imag * hertz / self.hertz)
        found: list[Element] = []
        if self.layout != "delta":
            found += branch(_NEUTRAL, GROUND, 0j)
        if "N" in self.terminals:
            found += branch("N", _NEUTRAL, impedance)
        if not self.on or self.failed:
            return found
        for line, share in _PHASORS[self.layout].items():
            if line not in self.open_lines:
                phasor = self.volts * self.shares.get(line, 1.0) * (share.conjugate() if self.reversed_order else share)
                found += branch(line, _NEUTRAL, impedance, phasor if with_sources else 0j)
        return found


def mains(
    name: str, circuit: str, layout: Layout, volts: float, hertz: float = 60.0, *, impedance: complex = 0.02
) -> Mains:
    """Return a supply that is on.

    ``volts`` (RMS) is between two lines, for 'line and neutral' between these. The terminals are the lines, N where
    the layout has a neutral, and GND. ``hertz`` is above 0. A 'delta' is grounded nowhere; the 'high-leg delta' has its
    neutral between L1 and L3, and L2 is the high leg. ``impedance`` is in each line, Ω at ``hertz``.

    Raises:
        InputError: the layout is not known, or ``hertz`` is not above 0.
    """
    if layout not in _PHASORS:
        raise InputError(f"No supply has the layout {layout!r}.", f"Use one of: {', '.join(_PHASORS)}.")
    if hertz <= 0:
        raise InputError(f"The supply {name!r} needs a frequency above 0 Hz.")
    neutral = ("N",) if layout in _WITH_NEUTRAL else ()
    return Mains(name, circuit, (*_PHASORS[layout], *neutral, GROUND), volts, hertz, layout=layout, impedance=impedance)


def with_open_line(supply: Mains, line: str) -> Mains:
    """Return ``supply`` with a broken ``line``.

    Raises:
        InputError: it has no such line.
    """
    if line not in _PHASORS[supply.layout]:
        raise InputError(
            f"{supply.name!r} has no line {line!r} to open.", f"It has {', '.join(_PHASORS[supply.layout])}."
        )
    return replace(supply, open_lines=supply.open_lines | {line})
