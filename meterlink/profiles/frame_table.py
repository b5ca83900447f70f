"""The ``[frame]`` table of a profile: how frames are cut out of packets."""

import re
from collections.abc import Iterator

from meterlink.profiles.bits import LARGEST_OFFSET, LONGEST_FRAME
from meterlink.profiles.checksum_table import CHECKSUMS
from meterlink.profiles.hexadecimal import hexadecimal
from meterlink.profiles.location_keys import OFFSET, ORDER, ORDER_DESCRIPTION
from meterlink.profiles.model import Framing, LengthField
from meterlink.profiles.pause_key import PAUSE, PAUSE_KEY
from meterlink.tomlfile.field_types import Boolean, Either, Entries, Integer, ListOf
from meterlink.tomlfile.tables import FieldError, Key, Table

_MOST_PACKETS = 64  # of a frame
_OFFSET = r"(?:0|[1-9][0-9]{0,2})"


def _find_offset(text: str) -> int | None:
    return int(text) if re.fullmatch(_OFFSET, text) and int(text) <= LARGEST_OFFSET else None


def _check_hex(length: int | LengthField | None, hex: bool) -> Iterator[FieldError]:  # noqa: A002, FBT001  # keys
    if hex and isinstance(length, LengthField):
        yield FieldError("length", "frames with hex have no length field.", "Write end = the bytes after each frame.")


def _check_length(length: int | LengthField | None, start: bytes, end: bytes) -> Iterator[FieldError]:
    if isinstance(length, int) and length < len(start) + len(end):
        message = "the frame is shorter than its start and end."
        yield FieldError("length", message, "Write the number of bytes of the whole frame.")


_LENGTH_FIELD = Table(
    LengthField,
    Key("at", OFFSET, description="The first byte of the field."),
    Key("size", Integer(1, 2), 1, description="The number of bytes of the field."),
    Key("order", ORDER, "little", description=ORDER_DESCRIPTION),
    Key("add", Integer(-LONGEST_FRAME, LONGEST_FRAME), 0, description="Bytes of the frame besides those it counts."),
)
FRAME = Table(
    Framing,
    Key("start", hexadecimal(16), b"", description="The first bytes of every frame, as they come."),
    Key(
        "length",
        Either(Integer(1, LONGEST_FRAME), _LENGTH_FIELD),
        None,
        description="Bytes of the whole frame, or the field that has it.",
    ),
    Key("end", hexadecimal(16), b"", description="The last bytes of every frame, as they come."),
    Key("one_per_packet", Boolean(), default=False, description="Every packet is one frame."),
    Key("longest", Integer(1, LONGEST_FRAME), LONGEST_FRAME, description="Limit of a frame in bytes."),
    Key("hex", Boolean(), default=False, description="Each byte between start and end is two hexadecimal digits."),
    Key("key", hexadecimal(64), b"", description="Exclusive-ored repeatedly on the frame."),
    Key("key_from", OFFSET, 0, description="The first byte that the key is applied to."),
    PAUSE_KEY,
    Key(
        "starts_packet", Boolean(), default=False, description="A frame begins with a packet, or behind another frame."
    ),
    Key(
        "packet_sizes",
        ListOf(Integer(1, LONGEST_FRAME), 0, _MOST_PACKETS),
        (),
        description="Bytes of a frame's packets in their order; the last packet has the rest.",
    ),
    Key("followed", Boolean(), default=False, description="A frame counts when the next start comes behind it."),
    Key(
        "marks",
        Entries(_find_offset, _OFFSET, Integer(0, 0xFF), "2 = 0x41", wanted="Write 2 = 0x41: the byte at an offset."),
        (),
        description="Bytes of the frames that are read; frames without them are of another kind.",
    ),
    Key("checksum", CHECKSUMS, (), "checksums", "Check bytes; a frame with a wrong one is invalid."),
    checks=(_check_length, _check_hex),
    computed=(PAUSE,),
)
