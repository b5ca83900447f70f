"""Frames of binary floating point (IEEE 754 binary32), big-endian, in the base unit.

Eight bytes::

    0     unit: quantity and coupling
    1     status: low battery in one bit, the others constant
    2-5   the value; infinity for overload, not-a-number for no number
    6     number of frames sent since the meter was switched on, modulo 256
    7     exclusive or of bytes 0 to 6 from a start value

The display's last place is not sent: a binary float does not carry it. The seed draws codes and start value.
"""

import math
import struct
from random import Random

from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.checksums import xor8
from meterlink_simulators.encoders.display_numbers import MODES, dial_mode, display_number

# A random base (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "e7520000-a94b-4c16-b3d8-15f08c6e2a93"
FRAMES_UUID = "e7520001-a94b-4c16-b3d8-15f08c6e2a93"


class FloatingEncoder:
    """One meter of this family."""

    def __init__(self, seed: int = 0) -> None:
        rng = Random(f"floating/{seed}")
        self.units = dict(zip(MODES, rng.sample(range(256), len(MODES)), strict=True))
        self.battery_bit = rng.randrange(8)
        self.constant_bits = rng.randrange(256) & ~(1 << self.battery_bit)
        self.checksum_start = rng.randrange(256)
        self.count = 0

    def services(self) -> Services:
        """Return the one service; its one characteristic sends the frames."""
        return [(SERVICE_UUID, [CharacteristicDefinition("frames", FRAMES_UUID)])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return one frame as ``[(key, packet)]``; empty for a mode the meter does not have."""
        mode = dial_mode(display)
        if mode is None:
            return []
        figures = display_number(display)
        if figures is None:
            value = math.inf if display.overload else math.nan
        else:
            # From decimal text, so that it is rounded once.
            value = float(f"{'-' if figures.negative else ''}{figures.counts}e{figures.exponent}")
        status = self.constant_bits | display.low_battery << self.battery_bit
        body = bytes([self.units[mode], status]) + struct.pack(">fB", value, self.count)
        self.count = (self.count + 1) % 256
        return [("frames", body + bytes([xor8(body, self.checksum_start)]))]
