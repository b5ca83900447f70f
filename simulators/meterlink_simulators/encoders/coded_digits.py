"""Frames of display digits as bytes of the meter's own table of characters.

Ten bytes::

    0     start mark
    1     mode: quantity and coupling
    2     decimals in the upper four bits, prefix in the lower four
    3-8   the display, leftmost character first: a minus or a blank, blanks, digits; "OL" for overload, six minus
          signs for no number
    9     sum of bytes 0 to 8, modulo 256

The seed draws the mark, the codes of modes and prefixes, and the byte of each character.
"""

from random import Random

from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.checksums import sum8
from meterlink_simulators.encoders.display_numbers import MODES, PREFIX_POWERS, dial_mode, display_number, unit_prefix

# A random base (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "9e720000-1c5b-4d83-a6f4-40b7d92e8a15"
FRAMES_UUID = "9e720001-1c5b-4d83-a6f4-40b7d92e8a15"

_WIDTH = 6  # characters of the display


class CodedDigitsEncoder:
    """One meter of this family."""

    def __init__(self, seed: int = 0) -> None:
        rng = Random(f"coded digits/{seed}")
        self.start = rng.randrange(256)
        self.modes = dict(zip(MODES, rng.sample(range(1, 200), len(MODES)), strict=True))
        self.prefixes = dict(zip(PREFIX_POWERS, rng.sample(range(16), len(PREFIX_POWERS)), strict=True))
        characters = "0123456789 -OL"
        self.characters = dict(zip(characters, rng.sample(range(256), len(characters)), strict=True))

    def services(self) -> Services:
        """Return the one service; its one characteristic sends the frames."""
        return [(SERVICE_UUID, [CharacteristicDefinition("frames", FRAMES_UUID)])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return one frame as ``[(key, packet)]``; empty for a mode the meter does not have."""
        mode = dial_mode(display)
        if mode is None:
            return []
        figures = display_number(display)
        text = "OL" if display.overload else "-" * _WIDTH
        if figures is not None:
            digits = f"{figures.counts:0{figures.decimals + 1}d}"
            text = ("-" if figures.negative else "") + digits
        point = (figures.decimals if figures else 0) << 4 | self.prefixes[unit_prefix(display)]
        characters = [self.characters[character] for character in text.rjust(_WIDTH)]
        body = bytes([self.start, self.modes[mode], point, *characters])
        return [("frames", body + bytes([sum8(body)]))]
