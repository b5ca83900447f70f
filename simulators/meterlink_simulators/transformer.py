"""A control transformer with taps on its primary."""

from collections.abc import Mapping
from dataclasses import dataclass

from meterlink_simulators.components import Device
from meterlink_simulators.network import Element, branch, coupling

# Magnetizing power of a small transformer, as a share of its rating. Common practice, no source.
_MAGNETIZING_SHARE = 0.2
_INSULATION_OHMS = 1e12  # between primary and secondary; it only keeps an unconnected secondary from having no voltage
_CORE = "*S"


@dataclass(frozen=True)
class Transformer(Device):
    """A transformer: ``taps`` maps each terminal of the primary to its rated voltage, against ``common``.

    ``volts`` is the open-circuit voltage of the ``secondary``, from tap voltage. ``primary_ohms`` (Ω) is the resistance
    of the whole primary, in proportion to the turns of a tap; ``secondary_ohms`` that of the secondary.
    ``volt_amperes`` is the rating. Leakage reactance is not modelled: in a small transformer resistance prevails.
    """

    name: str
    circuit: str
    taps: Mapping[str, float]
    volts: float = 26.5
    common: str = "COM"
    secondary: tuple[str, str] = ("R", "C")
    primary_ohms: float = 60.0
    secondary_ohms: float = 0.7
    volt_amperes: float = 40.0
    primary_open: bool = False
    secondary_open: bool = False

    @property
    def terminals(self) -> tuple[str, ...]:
        """Names of the terminals: the primary's, then the secondary's."""
        return (*self.taps, self.common, *self.secondary)

    def passive_elements(self, hertz: float) -> list[Element]:
        """Return the elements: at 0 Hz the windings alone, else the coupling with them."""
        first, second = self.secondary
        found = branch(_CORE, self.common, complex(_INSULATION_OHMS))
        if not self.secondary_open:
            found += branch(first, _CORE, complex(self.secondary_ohms))
        found += branch(_CORE, second, 1j * hertz / 60 * self._magnetizing_ohms)
        if self.primary_open:
            return found
        most_volts = max(self.taps.values())
        if hertz:
            for tap, volts in self.taps.items():
                ratio = volts / self.volts
                weights: dict[str, complex] = {tap: 1, self.common: -1, _CORE: -ratio, second: ratio}
                found.append(coupling(weights, complex(self.primary_ohms * volts / most_volts)))
            return found
        below, below_volts = self.common, 0.0
        for tap, volts in sorted(self.taps.items(), key=lambda entry: entry[1]):
            found += branch(tap, below, complex(self.primary_ohms * (volts - below_volts) / most_volts))
            below, below_volts = tap, volts
        return found

    @property
    def _magnetizing_ohms(self) -> float:
        # Seen from the secondary, at 60 Hz: Z = U²/S.
        return self.volts**2 / (_MAGNETIZING_SHARE * self.volt_amperes)


def exchanged_taps(transformer: Transformer, tap: str, other: str) -> dict[str, float]:
    """Return the taps with two of them exchanged: a lead on the one is then electrically on the other."""
    taps = dict(transformer.taps)
    taps[tap], taps[other] = taps[other], taps[tap]
    return taps
