"""Frames of counts with one digit more than the display, which drops the last.

Nine bytes::

    0     mode: quantity and coupling
    1     decimals in the upper four bits, prefix in the lower four
    2-4   ten times the counts shown, and a digit that is not shown, unsigned, little-endian; all ones for overload,
          all ones but the last for no number
    5     flags: one bit each for minus, low battery
    6     counter of frames, modulo 256
    7     constant
    8     exclusive-or of bytes 0 to 7

The seed draws the codes of modes and prefixes, the bits of the flags and the constant.
"""

from random import Random

from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.checksums import xor8
from meterlink_simulators.encoders.display_numbers import MODES, PREFIX_POWERS, dial_mode, display_number, unit_prefix

# A random base (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "61ad0000-f7c0-4b2e-93d8-5e08b4a6c172"
FRAMES_UUID = "61ad0001-f7c0-4b2e-93d8-5e08b4a6c172"

_OVERLOAD, _NONE = 0xFFFFFF, 0xFFFFFE


class DroppedDigitEncoder:
    """One meter of this family."""

    def __init__(self, seed: int = 0) -> None:
        self._rng = rng = Random(f"dropped digit/{seed}")
        self.modes = dict(zip(MODES, rng.sample(range(1, 200), len(MODES)), strict=True))
        self.prefixes = dict(zip(PREFIX_POWERS, rng.sample(range(16), len(PREFIX_POWERS)), strict=True))
        self.minus_bit, self.battery_bit = rng.sample(range(8), 2)
        self.filler = rng.randrange(256)
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
        counts = _OVERLOAD if display.overload else _NONE
        if figures is not None:
            counts = 10 * figures.counts + self._rng.randrange(10)
        flags = (figures is not None and figures.negative) << self.minus_bit | display.low_battery << self.battery_bit
        point = (figures.decimals if figures else 0) << 4 | self.prefixes[unit_prefix(display)]
        body = bytes([self.modes[mode], point, *counts.to_bytes(3, "little"), flags, self.count, self.filler])
        self.count = (self.count + 1) % 256
        return [("frames", body + bytes([xor8(body)]))]
