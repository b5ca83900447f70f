"""UUIDs in a profile: 4 hexadecimal digits, a whole UUID, or the name of a channel in a capture."""

import re

from meterlink.core.errors import InputError
from meterlink.driver_api import uuid16
from meterlink.tomlfile.field_types import Either, ListOf, Parsed
from meterlink.tomlfile.problems import quote_value

_MOST_UUIDS = 64  # more than the characteristics of any meter
_UUID16 = re.compile(r"[0-9a-f]{4}")
# A channel in a capture of another program may have any name of one word of ASCII, but none like a mistyped UUID.
_PATTERN = r"[0-9A-Fa-f]{4}|[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}|(?![0-9A-Fa-f-]*$|.{36}$)[!-~]{1,80}"
_REMEDY = 'Write 4 hexadecimal digits or a whole UUID: "0000fff1-0000-1000-8000-00805f9b34fb".'


def canonical_uuid(text: str) -> str:
    """Return a UUID in lower case, 16 bits as the 128 they stand for; any other word in lower case."""
    low = text.lower()
    return uuid16(int(low, 16)) if _UUID16.fullmatch(low) else low


def _parse_uuid(text: str) -> str:
    if not re.fullmatch(_PATTERN, text):
        raise InputError(f"{quote_value(text)} is not a UUID.", _REMEDY)
    return canonical_uuid(text)


def _parse_single(text: str) -> tuple[str]:
    return (_parse_uuid(text),)


_EXAMPLE, _ANCHORED = '"<characteristic UUID>"', f"^(?:{_PATTERN})$"
UUID = Parsed(_parse_uuid, _EXAMPLE, pattern=_ANCHORED)
UUIDS: Either[tuple[str, ...]] = Either(
    Parsed(_parse_single, _EXAMPLE, pattern=_ANCHORED),
    ListOf(UUID, 0, _MOST_UUIDS, distinct=True, example=f"[{_EXAMPLE}]"),
)
"""A list of UUIDs, or one UUID without a list."""
