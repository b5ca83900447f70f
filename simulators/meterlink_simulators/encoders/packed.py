"""Frames of packed decimal digits (BCD): two digits a byte, largest first, behind a rolling counter.

Eight bytes::

    0     counter of frames, modulo 256
    1     upper four bits: range code (unit prefix and point together); then overload, no number, minus, low battery
    2-4   six digits, most significant first; zeros for no number
    5     mode: quantity and coupling
    6     constant
    7     CRC-8 of bytes 0 to 6

The seed draws codes and the CRC's parameters.
"""

from random import Random

from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.checksums import Crc
from meterlink_simulators.encoders.display_numbers import MODES, dial_mode, display_number

# A random base (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "b4610000-0d7e-49c3-8f15-7e92a3d60c48"
FRAMES_UUID = "b4610001-0d7e-49c3-8f15-7e92a3d60c48"

# Powers of ten of one count in a pocket meter's ranges: 1 pF to 10 kΩ.
_EXPONENTS = range(-12, 5)


class PackedEncoder:
    """One meter of this family."""

    def __init__(self, seed: int = 0) -> None:
        rng = Random(f"packed/{seed}")
        self.modes = dict(zip(MODES, rng.sample(range(256), len(MODES)), strict=True))
        # Sixteen codes for seventeen exponents: the two that share a code are never ranges of one function.
        codes = rng.sample(range(16), 16)
        self.ranges = {exponent: codes[exponent % 16] for exponent in _EXPONENTS}
        self.filler = rng.randrange(256)
        self.crc = Crc(8, rng.randrange(1, 256, 2), rng.randrange(256), rng.randrange(256), rng.random() < 0.5)
        self.count = rng.randrange(256)

    def services(self) -> Services:
        """Return the one service; its one characteristic sends the frames."""
        return [(SERVICE_UUID, [CharacteristicDefinition("frames", FRAMES_UUID)])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return one frame as ``[(key, packet)]``; empty for a mode the meter does not have."""
        mode = dial_mode(display)
        if mode is None:
            return []
        figures = display_number(display)
        scale = self.ranges[figures.exponent] if figures else 0
        status = display.overload << 3 | display.blank << 2 | (figures is not None and figures.negative) << 1
        digits = bytes.fromhex(f"{figures.counts if figures else 0:06d}")
        body = bytes([self.count, scale << 4 | status | display.low_battery, *digits, self.modes[mode], self.filler])
        self.count = (self.count + 1) % 256
        return [("frames", body + bytes([self.crc.checksum(body)]))]
