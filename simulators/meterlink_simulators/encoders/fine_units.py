"""Frames of a signed integer of 40 bits in a fine unit of each quantity, finer than the display.

Twelve bytes::

    0     start mark
    1     mode: quantity and coupling
    2     decimals in the upper four bits, prefix in the lower four
    3     flags: one bit each for overload, no number, low battery
    4-8   the number in the unit of `UNIT_POWERS`, signed, big-endian; the display rounds it; zero for no number
    9     counter of frames, modulo 256
    10-11 CRC-16 of bytes 0 to 9, big-endian

The seed draws the mark, the codes of modes and prefixes, the bits of the flags and the CRC's parameters.
"""

from random import Random

from meterlink.core.units import Quantity
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.checksums import Crc
from meterlink_simulators.encoders.display_numbers import (
    MODES,
    PREFIX_POWERS,
    DisplayNumber,
    dial_mode,
    display_number,
    unit_prefix,
)

# A random base (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "d2460000-83ef-4a19-b05c-17c94e6fa830"
FRAMES_UUID = "d2460001-83ef-4a19-b05c-17c94e6fa830"

UNIT_POWERS = {
    Quantity.VOLTAGE: -8,
    Quantity.CURRENT: -9,
    Quantity.RESISTANCE: -4,
    Quantity.CAPACITANCE: -14,
    Quantity.FREQUENCY: -4,
    Quantity.TEMPERATURE: -4,
}
"""The power of ten of one count, in base units: ±5.5e11 counts hold every range of a pocket meter."""

_LARGEST = (1 << 39) - 1


class FineUnitsEncoder:
    """One meter of this family."""

    def __init__(self, seed: int = 0) -> None:
        self._rng = rng = Random(f"fine units/{seed}")
        self.start = rng.randrange(256)
        self.modes = dict(zip(MODES, rng.sample(range(1, 200), len(MODES)), strict=True))
        self.prefixes = dict(zip(PREFIX_POWERS, rng.sample(range(16), len(PREFIX_POWERS)), strict=True))
        self.overload_bit, self.blank_bit, self.battery_bit = rng.sample(range(8), 3)
        self.crc = Crc(16, rng.randrange(1, 1 << 16, 2), rng.randrange(1 << 16), 0, rng.random() < 0.5)
        self.count = rng.randrange(256)

    def services(self) -> Services:
        """Return the one service; its one characteristic sends the frames."""
        return [(SERVICE_UUID, [CharacteristicDefinition("frames", FRAMES_UUID)])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return one frame as ``[(key, packet)]``; empty for a mode or a number the meter does not have."""
        mode = dial_mode(display)
        if mode is None:
            return []
        figures = display_number(display)
        number = 0 if figures is None else self._number(display, figures)
        if abs(number) > _LARGEST:
            return []
        flags = (
            display.overload << self.overload_bit
            | display.blank << self.blank_bit
            | display.low_battery << self.battery_bit
        )
        point = (figures.decimals if figures else 0) << 4 | self.prefixes[unit_prefix(display)]
        body = bytes([self.start, self.modes[mode], point, flags, *number.to_bytes(5, "big", signed=True), self.count])
        self.count = (self.count + 1) % 256
        return [("frames", body + self.crc.checksum(body).to_bytes(2, "big"))]

    def _number(self, display: DisplayState, figures: DisplayNumber) -> int:
        """Return a number that the display rounds to its own: up to 0.4 counts away, never through zero."""
        step: int = 10 ** max(0, figures.exponent - UNIT_POWERS[display.quantity])
        number = figures.counts * step
        if figures.counts:
            number += self._rng.randrange(-4 * step, 4 * step + 1) // 10
        return -number if figures.negative else number
