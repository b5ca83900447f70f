"""Frames of counts: an unsigned integer, the position of its decimal point, and a separate sign bit.

Nine bytes::

    0     start mark
    1     mode: quantity and coupling
    2, 3  counts, unsigned, little-endian; all ones for overload, all ones but the last for no number
    4     decimals in the upper four bits, prefix in the lower four
    5     flags: one bit each for minus, overload, low battery
    6     battery, percent
    7     constant
    8     sum of bytes 0 to 7 and an offset, modulo 256

The seed draws the codes of modes and prefixes, the bits of the flags, the mark and the offset.
"""

from random import Random

from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.checksums import sum8
from meterlink_simulators.encoders.display_numbers import MODES, PREFIX_POWERS, dial_mode, display_number, unit_prefix

# A random base (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "3b9d0000-61c4-4f0a-9e27-c05d8a17f2b6"
FRAMES_UUID = "3b9d0001-61c4-4f0a-9e27-c05d8a17f2b6"

_OVERLOAD, _NONE = 0xFFFF, 0xFFFE


class CountedEncoder:
    """One meter of this family."""

    def __init__(self, seed: int = 0) -> None:
        rng = Random(f"counted/{seed}")
        self.start = rng.randrange(256)
        self.modes = dict(zip(MODES, rng.sample(range(1, 200), len(MODES)), strict=True))
        self.prefixes = dict(zip(PREFIX_POWERS, rng.sample(range(16), len(PREFIX_POWERS)), strict=True))
        self.minus_bit, self.overload_bit, self.battery_bit = rng.sample(range(8), 3)
        self.filler = rng.randrange(256)
        self.offset = rng.randrange(256)

    def services(self) -> Services:
        """Return the one service; its one characteristic sends the frames."""
        return [(SERVICE_UUID, [CharacteristicDefinition("frames", FRAMES_UUID)])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return one frame as ``[(key, packet)]``; empty for a mode the meter does not have."""
        mode = dial_mode(display)
        if mode is None:
            return []
        figures = display_number(display)
        counts = figures.counts if figures else (_OVERLOAD if display.overload else _NONE)
        flags = (
            (figures is not None and figures.negative) << self.minus_bit
            | display.overload << self.overload_bit
            | display.low_battery << self.battery_bit
        )
        body = bytes(
            [
                self.start,
                self.modes[mode],
                *counts.to_bytes(2, "little"),
                (figures.decimals if figures else 0) << 4 | self.prefixes[unit_prefix(display)],
                flags,
                display.battery_percent,
                self.filler,
            ]
        )
        return [("frames", body + bytes([sum8(body, self.offset)]))]
