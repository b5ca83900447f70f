"""Lines of text with the decimal numbers of IEEE 488.2 (8.7.3 NR2, 8.7.4 NR3), as notifications of at most 20 bytes.

A line is a header word for the mode, a blank, the number, a blank, its unit, and a line feed. Two forms:

- `LinesEncoder`: NR3 in the base unit, ``CAPA +4.70E-06 F``; the last digit is the display's last place;
- `PrefixedLinesEncoder`: NR2 in the display's unit with its SI prefix, ``CAPA 4.70 uF``.

Overload is 9.9E+37 and no number 9.91E+37 (SCPI 1999.0, 7.2.1). The seed draws the header words.
"""

from random import Random

from meterlink.core.units import BASE_UNIT
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition, Services
from meterlink_simulators.encoders.display_numbers import MODES, dial_mode, display_number, unit_prefix
from meterlink_simulators.encoders.notifications import split_notifications

# Random bases (RFC 9562 version 4) of this simulator.
SERVICE_UUID = "46a10000-93d5-4e82-b07c-28f1c5e9640d"
LINES_UUID = "46a10001-93d5-4e82-b07c-28f1c5e9640d"
PREFIXED_SERVICE_UUID = "46a20000-93d5-4e82-b07c-28f1c5e9640d"
PREFIXED_LINES_UUID = "46a20001-93d5-4e82-b07c-28f1c5e9640d"

_OVERLOAD, _NONE = "9.9E+37", "9.91E+37"
# Units in characters every terminal has: ohm and degree Celsius as IEEE 488.2 (7.7.3, suffix units) spells them.
_ASCII_UNITS = {"Ω": "OHM", "°C": "CEL"}
_SYLLABLES = ("BA", "DE", "FI", "GO", "KU", "LA", "ME", "NI", "PO", "RU", "SA", "TE", "VI", "ZO")


class LinesEncoder:
    """One meter that sends NR3 in base units."""

    service_uuid = SERVICE_UUID
    lines_uuid = LINES_UUID
    _family = "lines"

    def __init__(self, seed: int = 0) -> None:
        rng = Random(f"{self._family}/{seed}")
        words = rng.sample([first + second for first in _SYLLABLES for second in _SYLLABLES], len(MODES))
        self.headers = dict(zip(MODES, words, strict=True))

    def services(self) -> Services:
        """Return the one service; its one characteristic sends the text."""
        return [(self.service_uuid, [CharacteristicDefinition("lines", self.lines_uuid)])]

    def encode(self, display: DisplayState) -> list[tuple[str, bytes]]:
        """Return one line in pieces, as pairs (key, packet); empty for a mode the meter does not have."""
        mode = dial_mode(display)
        if mode is None:
            return []
        special = _OVERLOAD if display.overload else _NONE
        number = special if display.digits is None else self.number(display)
        line = f"{self.headers[mode]} {number} {self.unit(display)}\n"
        return [("lines", piece) for piece in split_notifications(line.encode())]

    def number(self, display: DisplayState) -> str:
        """Return NR3: a sign, one digit before the point, the exponent in the base unit."""
        figures = display_number(display)
        assert figures is not None  # noqa: S101  # callers pass displays with a number
        digits = f"{figures.counts:0{figures.decimals + 1}d}"
        sign = "-" if figures.negative else "+"
        return f"{sign}{digits[0]}.{digits[1:]}E{figures.exponent + len(digits) - 1:+03d}"

    def unit(self, display: DisplayState) -> str:
        """Return the base unit."""
        base = BASE_UNIT[display.quantity]
        return _ASCII_UNITS.get(base, base)


class PrefixedLinesEncoder(LinesEncoder):
    """One meter that sends NR2 in the display's unit."""

    service_uuid = PREFIXED_SERVICE_UUID
    lines_uuid = PREFIXED_LINES_UUID
    _family = "prefixed lines"

    def number(self, display: DisplayState) -> str:
        """Return NR2: the displayed digits; without a point on the display, the point is last."""
        text = f"{display.digits:f}"
        return text if "." in text else f"{text}."

    def unit(self, display: DisplayState) -> str:
        """Return the display's unit."""
        return unit_prefix(display).replace("µ", "u") + super().unit(display)
