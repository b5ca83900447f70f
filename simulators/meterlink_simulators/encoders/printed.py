"""Frames of ASCII characters, longer than one notification: they are split, and sometimes two are joined.

Twenty-six characters::

    0      opening bracket
    1, 2   mode, two letters
    3, 4   serial letters, constant
    5      sign: a minus, else an equals sign
    6-12   the number as displayed, right-aligned in seven characters; ``^^^`` for overload, ``...`` for no number
    13     comma
    14, 15 prefix letter and unit letter
    16     comma
    17     B for a low battery, else b
    18-21  frame number, four digits
    22     comma
    23, 24 sum of the 22 characters between bracket and this comma, two hexadecimal digits
    25     closing bracket

A notification holds twenty characters (the least ATT MTU of 23 less its header of 3: Core vol. 3 part F, 5.2.1 and
3.4.7.1). At intervals a frame is delayed and sent with the next one, split at twenty as before. The seed
draws brackets, letters and the interval.
"""

from random import Random

from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.checksums import sum8
from meterlink_simulators.encoders.display_numbers import MODES, PREFIX_POWERS, dial_mode, unit_prefix
from meterlink_simulators.encoders.notifications import split_notifications

# A random base (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "09ce0000-5f28-4b7d-a1e4-8d3b6c97f052"
FRAMES_UUID = "09ce0001-5f28-4b7d-a1e4-8d3b6c97f052"

_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"
_BRACKETS = (("(", ")"), ("[", "]"), ("{", "}"), ("<", ">"))


class PrintedEncoder:
    """One meter of this family."""

    def __init__(self, seed: int = 0) -> None:
        rng = Random(f"printed/{seed}")
        self.opening, self.closing = rng.choice(_BRACKETS)
        pairs = rng.sample([first + second for first in _LETTERS for second in _LETTERS], len(MODES) + 1)
        self.serial = pairs.pop()
        self.modes = dict(zip(MODES, pairs, strict=True))
        self.prefixes = dict(zip(PREFIX_POWERS, rng.sample(_LETTERS, len(PREFIX_POWERS)), strict=True))
        self.join_interval = rng.randrange(4, 8)
        self.count = 0
        self._delayed = b""

    def services(self) -> Services:
        """Return the one service; its one characteristic sends the characters."""
        return [(SERVICE_UUID, [CharacteristicDefinition("characters", FRAMES_UUID)])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return one frame in pieces, as pairs (key, packet); empty when it is delayed, then two frames."""
        frame = self.frame(display)
        if not frame:
            return []
        self.count += 1
        waiting = self._delayed + frame
        if self.count % self.join_interval == 0:
            self._delayed = waiting
            return []
        self._delayed = b""
        return [("characters", piece) for piece in split_notifications(waiting)]

    def frame(self, display: DisplayState) -> bytes:
        """Return one whole frame; empty for a mode the meter does not have."""
        mode = dial_mode(display)
        if mode is None:
            return b""
        special = "^^^" if display.overload else "..."
        number = special if display.digits is None else f"{abs(display.digits):f}"
        minus = display.digits is not None and display.digits.is_signed()
        unit = self.prefixes[unit_prefix(display)] + self.modes[mode][0].lower()
        battery = "B" if display.low_battery else "b"
        text = (
            f"{self.modes[mode]}{self.serial}{'-' if minus else '='}{number:>7},{unit},{battery}"
            f"{self.count % 10_000:04d},"
        )
        return f"{self.opening}{text}{sum8(text[:-1].encode()):02X}{self.closing}".encode()
