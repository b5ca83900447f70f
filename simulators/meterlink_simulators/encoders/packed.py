"""Frames of packed decimal digits (BCD): two digits a byte, largest first, behind a rolling counter.

Eight bytes::

    0     counter: goes up by one with every frame, rolls over from 255
    1     upper four bits: range code, which stands for unit prefix and point together; then overload, no number, minus,
          low battery
    2-4   six digits, most significant first; zeros where there is no number
    5     mode: what is measured
    6     always the same
    7     CRC-8 of bytes 0 to 6

Codes and the CRC's parameters are drawn from the seed.
"""

from random import Random

from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.checksums import Crc
from meterlink_simulators.encoders.display_numbers import MODES, dial_mode, display_number

# A random base (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "b4610000-0d7e-49c3-8f15-7e92a3d60c48"
FRAMES_UUID = "b4610001-0d7e-49c3-8f15-7e92a3d60c48"

# Powers of ten of one count that a pocket meter's ranges come to, pF/1 to 10 kΩ.
_EXPONENTS = range(-12, 5)


class PackedEncoder:
    """One meter of this family."""

    def __init__(self, seed: int = 0) -> None:
        rng = Random(f"packed/{seed}")
        self.modes = dict(zip(MODES, rng.sample(range(256), len(MODES)), strict=True))
        # Sixteen codes for more exponents than that: two that lie sixteen apart are never ranges of one function.
        codes = rng.sample(range(16), 16)
        self.ranges = {exponent: codes[exponent % 16] for exponent in _EXPONENTS}
        self.filler = rng.randrange(256)
        self.crc = Crc(8, rng.randrange(1, 256, 2), rng.randrange(256), rng.randrange(256), rng.random() < 0.5)
        self.count = rng.randrange(256)

    def services(self) -> Services:
        """Return the one characteristic frames come on."""
        return [(SERVICE_UUID, [CharacteristicDefinition("frames", FRAMES_UUID)])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return one frame; nothing for a mode the meter does not have."""
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
