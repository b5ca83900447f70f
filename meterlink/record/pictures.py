"""Pictures inside a report: known by their first bytes, never by their names."""

from base64 import b64encode

from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.record.model import Picture

NOT_READABLE = "Left out: the file cannot be read as a picture."
"""The remark on a picture whose bytes begin as those of one, and go on otherwise."""

LARGEST_PICTURE = 3 << 20
"""Bytes of one picture; a phone's photo of a nameplate has 1 to 3 MB, and a report is sent by mail."""
LARGEST_SUM = 12 << 20
"""Bytes of all pictures of a report; with base64 it is 16 MiB, and many mail servers refuse 20 or 25."""

_RIFF, _WEBP = b"RIFF", b"WEBP"
_SIGNATURES = {b"\x89PNG\r\n\x1a\n": "png", b"\xff\xd8\xff": "jpeg", b"GIF87a": "gif", b"GIF89a": "gif"}


def make_picture(name: str, data: bytes | None, room: int = LARGEST_SUM) -> Picture:
    """Return a picture from the bytes of its file; None: there is no such file any more.

    ``room`` is the number of bytes that the report still takes. SVG is left out: it can carry scripts.
    """
    name = clean_text(name, LONGEST_REMARK)
    if data is None:
        return Picture(name, remark="The file is not there.")
    if len(data) > min(room, LARGEST_PICTURE):
        return Picture(name, remark="Left out: the file is too large for a report.")
    kind = _kind(data)
    if not kind:
        return Picture(name, remark="Left out: the file is not a PNG, JPEG, GIF or WebP picture.")
    return Picture(name, f"data:image/{kind};base64,{b64encode(data).decode('ascii')}")


def _kind(data: bytes) -> str:
    if data.startswith(_RIFF) and data[8:12] == _WEBP:
        return "webp"
    return next((kind for signature, kind in _SIGNATURES.items() if data.startswith(signature)), "")
