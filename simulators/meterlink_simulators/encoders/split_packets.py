"""Frames of two packets: one has the number, the other its mode, range and flags.

The packet of the number::

    0      mark of the number
    1-3    the number without its point, signed; zero for no number
    (then) none to two constants
    (then) counter of refreshes, modulo 256
    (last) sum of all bytes before it and an offset, modulo 256

The packet of the range::

    0      mark of the range
    1      mode: quantity and coupling
    2      decimals in the upper four bits, prefix in the lower four
    3      flags: one bit each for overload, no number, low battery
    4      battery, percent
    (then) counter and sum, as above

The seed draws one characteristic for both packets or two, their order, the byte order, counter or none, sum or none,
the marks, the codes of modes and prefixes, the bits of the flags, the constants and the offset.
"""

from random import Random
from typing import Literal

from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.checksums import sum8
from meterlink_simulators.encoders.display_numbers import MODES, PREFIX_POWERS, dial_mode, display_number, unit_prefix

# A random base (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "5a8c0000-d364-4e1b-92f7-c81e60b3a94d"
NUMBERS_UUID = "5a8c0001-d364-4e1b-92f7-c81e60b3a94d"
RANGES_UUID = "5a8c0002-d364-4e1b-92f7-c81e60b3a94d"


class SplitPacketsEncoder:
    """One meter of this family."""

    def __init__(self, seed: int = 0) -> None:
        rng = Random(f"split packets/{seed}")
        self.number_mark, self.range_mark = rng.sample(range(256), 2)
        self.has_two_characteristics = rng.random() < 0.5
        self.sends_range_first = rng.random() < 0.5
        self.byte_order: Literal["little", "big"] = rng.choice(("little", "big"))
        self.modes = dict(zip(MODES, rng.sample(range(1, 200), len(MODES)), strict=True))
        self.prefixes = dict(zip(PREFIX_POWERS, rng.sample(range(16), len(PREFIX_POWERS)), strict=True))
        self.overload_bit, self.blank_bit, self.battery_bit = rng.sample(range(8), 3)
        self.filler = rng.randbytes(rng.randrange(3))  # with one byte both packets are equally long
        self.count = rng.randrange(256) if rng.random() < 0.5 else None
        self.offset = rng.randrange(256) if rng.random() < 0.5 else None

    def services(self) -> Services:
        """Return the one service: a characteristic for each kind of packet, or one for both."""
        numbers = CharacteristicDefinition("numbers", NUMBERS_UUID)
        ranges = CharacteristicDefinition("ranges", RANGES_UUID)
        return [(SERVICE_UUID, [numbers, ranges] if self.has_two_characteristics else [numbers])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return the two packets as pairs (key, packet); none for a mode the meter does not have."""
        mode = dial_mode(display)
        if mode is None:
            return []
        figures = display_number(display)
        counts = figures.counts if figures else 0
        number = -counts if figures and figures.negative else counts
        flags = (
            display.overload << self.overload_bit
            | display.blank << self.blank_bit
            | display.low_battery << self.battery_bit
        )
        point = (figures.decimals if figures else 0) << 4 | self.prefixes[unit_prefix(display)]
        numbers = self._packet(self.number_mark, *number.to_bytes(3, self.byte_order, signed=True), *self.filler)
        ranges = self._packet(self.range_mark, self.modes[mode], point, flags, display.battery_percent)
        if self.count is not None:
            self.count = (self.count + 1) % 256
        packets = [("numbers", numbers), ("ranges" if self.has_two_characteristics else "numbers", ranges)]
        return packets[::-1] if self.sends_range_first else packets

    def _packet(self, *body: int) -> bytes:
        """Return a packet with the counter and the sum, where the meter has them."""
        counted = bytes(body) if self.count is None else bytes([*body, self.count])
        return counted if self.offset is None else counted + bytes([sum8(counted, self.offset)])
