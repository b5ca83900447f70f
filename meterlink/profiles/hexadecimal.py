"""Bytes in a profile: pairs of hexadecimal digits, with or without blanks between the pairs."""

import re

from meterlink.core.errors import InputError
from meterlink.core.text import count_phrase
from meterlink.tomlfile.field_types import Parsed
from meterlink.tomlfile.problems import quote_value

_PAIRS = re.compile(r"[ \t\r\n]*(?:[0-9A-Fa-f]{2}[ \t\r\n]*)+")


def hexadecimal(most: int) -> Parsed[bytes]:
    """Return the type of 1 to ``most`` bytes."""

    def parse(text: str) -> bytes:
        if not _PAIRS.fullmatch(text):
            raise InputError(f"{quote_value(text)} is not pairs of hexadecimal digits.")
        data = bytes.fromhex(text)
        if len(data) > most:
            raise InputError(f"it has {count_phrase(len(data), 'byte')}.", f"Write 1 to {most} bytes.")
        return data

    # Four characters a byte: a pair, and two blanks.
    return Parsed(parse, '"a5 5a"', pattern=rf"^\s*(?:[0-9A-Fa-f]{{2}}\s*){{1,{most}}}$", longest=max(80, 4 * most))
