"""Frames of changing length: sign and magnitude in 24 bits, and a range code from a table.

The meter is silent until its start command is written to its command characteristic. It falls silent again
`KEEP_ALIVE_REFRESHES` after the last command; either of its two commands keeps it sending. A frame::

    0      number of bytes that follow
    1      mode: quantity and coupling
    2      range code: unit prefix and point together
    3-5    sign in the top bit, magnitude in the other 23, big-endian; magnitude all ones for overload, all ones but
           the last for no number
    6      status: low battery in one bit, the others constant
    (7)    battery, percent: in every fourth frame only
    last 2 CRC-16 of all bytes before them, little-endian

The seed draws codes, commands and the CRC's parameters.
"""

from random import Random

from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.checksums import Crc
from meterlink_simulators.encoders.display_numbers import MODES, DisplayNumber, dial_mode, display_number

# A random base (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "c5380000-7b1d-4f64-8ea9-d02b6f4c9175"
FRAMES_UUID = "c5380001-7b1d-4f64-8ea9-d02b6f4c9175"
COMMANDS_UUID = "c5380002-7b1d-4f64-8ea9-d02b6f4c9175"

# Refreshes that the meter sends after a command: four seconds of a display refreshed ten times a second.
KEEP_ALIVE_REFRESHES = 40

_OVERLOAD, _NONE = 0x7FFFFF, 0x7FFFFE
# Powers of ten of one count in a pocket meter's ranges: 1 pF to 10 kΩ.
_EXPONENTS = range(-12, 5)
_BATTERY_EVERY = 4


class RangedEncoder:
    """One meter of this family."""

    def __init__(self, seed: int = 0) -> None:
        rng = Random(f"ranged/{seed}")
        self.modes = dict(zip(MODES, rng.sample(range(256), len(MODES)), strict=True))
        self.ranges = dict(zip(_EXPONENTS, rng.sample(range(64), len(_EXPONENTS)), strict=True))
        self.battery_bit = rng.randrange(8)
        self.constant_bits = rng.randrange(256) & ~(1 << self.battery_bit)
        self.crc = Crc(16, rng.randrange(1, 1 << 16, 2), rng.randrange(1 << 16), 0, rng.random() < 0.5)
        self.start_command = rng.randbytes(3)
        self.keep_alive_command = rng.randbytes(2)
        self._refreshes_left = 0
        self._frames = 0

    def services(self) -> Services:
        """Return the one service: a characteristic for frames and one for commands."""
        commands = CharacteristicDefinition(
            "commands", COMMANDS_UUID, frozenset({"write", "write-without-response"}), on_write=self._handle_command
        )
        return [(SERVICE_UUID, [CharacteristicDefinition("frames", FRAMES_UUID, frozenset({"notify"})), commands])]

    def _handle_command(self, command: bytes) -> None:
        if command == self.start_command or (command == self.keep_alive_command and self._refreshes_left):
            self._refreshes_left = KEEP_ALIVE_REFRESHES

    def connection_ended(self) -> None:
        """Fall silent: the next connection must start the meter again."""
        self._refreshes_left = 0

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return one frame as ``[(key, packet)]``; empty while not started, or for a mode the meter does not have."""
        mode = dial_mode(display)
        if mode is None or not self._refreshes_left:
            return []
        self._refreshes_left -= 1
        figures = display_number(display)
        body = [
            self.modes[mode],
            self.ranges[figures.exponent] if figures else 0x40,
            *_sign_and_magnitude(display, figures).to_bytes(3, "big"),
            self.constant_bits | display.low_battery << self.battery_bit,
        ]
        if self._frames % _BATTERY_EVERY == 0:
            body.append(display.battery_percent)
        self._frames += 1
        unchecked = bytes([len(body) + 2, *body])
        return [("frames", unchecked + self.crc.checksum(unchecked).to_bytes(2, "little"))]


def _sign_and_magnitude(display: DisplayState, number: DisplayNumber | None) -> int:
    if number is None:
        return _OVERLOAD if display.overload else _NONE
    return number.negative << 23 | number.counts
