"""The ``[frame]`` table of a profile: how frames are cut out of packets."""

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from meterlink.core.text import count_phrase
from meterlink.profiles.bits import LARGEST_OFFSET, LONGEST_FRAME
from meterlink.profiles.checksum_table import CHECKSUMS
from meterlink.profiles.hexadecimal import hexadecimal
from meterlink.profiles.location_keys import OFFSET, ORDER, ORDER_DESCRIPTION
from meterlink.profiles.model import FramePart, FrameTail, Framing, LengthField, PacketBeside
from meterlink.profiles.pause_key import PAUSE, PAUSE_KEY, REST, REST_KEY
from meterlink.tomlfile.field_types import Boolean, Either, Entries, Integer, ListOf
from meterlink.tomlfile.tables import FieldError, Key, Table, Tables

_MOST_PACKETS = 64  # of a frame
_MOST_TAILS = 16  # lengths of frames
_MOST_BESIDE = 32  # kinds of packets
PARTS = 2
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


def _check_parts(parts: tuple[FramePart, ...], pause_seconds: Decimal, rest_seconds: Decimal) -> Iterator[FieldError]:
    if not parts:
        return
    if len(parts) != PARTS:
        yield FieldError("part", f"a frame has {PARTS} parts, not {len(parts)}.", "Write [[frame.part]] twice.")
    elif _alike(*parts):
        remedy = "Write marks = { 0 = 0x41 }, a byte that differs, or another length or channel."
        yield FieldError("part", "a packet may be either part.", remedy)
    if pause_seconds >= rest_seconds:
        remedy = "Write pause = a time from the first part to the second that is shorter than to the next frame."
        yield FieldError("pause", "the pause in a frame is not shorter than the rest between frames.", remedy)


def _check_bytes_of_parts(
    parts: tuple[FramePart, ...],
    start: Any,
    length: Any,
    end: Any,
    hex: Any,  # noqa: A002  # the name of a key
    marks: Any,
) -> Iterator[FieldError]:
    yield from _without_parts(parts, start=start, length=length, end=end, hex=hex, marks=marks)


def _check_packets_of_parts(
    parts: tuple[FramePart, ...], one_per_packet: Any, starts_packet: Any, packet_sizes: Any, followed: Any
) -> Iterator[FieldError]:
    yield from _without_parts(
        parts,
        one_per_packet=one_per_packet,
        starts_packet=starts_packet,
        packet_sizes=packet_sizes,
        followed=followed,
    )


def _without_parts(parts: tuple[FramePart, ...], **given: Any) -> Iterator[FieldError]:
    for key in (key for key, value in given.items() if value and parts):
        yield FieldError(key, f"a frame with parts has no {key}.", "Remove it, or write marks in [[frame.part]].")


def _check_part(length: int, marks: tuple[tuple[int, int], ...]) -> Iterator[FieldError]:
    for at, _ in marks:
        if at >= length:
            message = f"byte {at} is beyond a packet of {length} bytes (0 to {length - 1})."
            yield FieldError(("marks", str(at)), message, "Correct the offset, or length.")


def _check_tail(length: int, at: int, content: bytes, mask: bytes) -> Iterator[FieldError]:
    if at + len(content) > length:
        message = f"the content ends beyond a frame of {length} bytes."
        yield FieldError("content", message, "Correct at, content or length.")
    yield from _check_mask(content, mask)


def _check_beside(length: int, content: bytes, mask: bytes) -> Iterator[FieldError]:
    if len(content) != length:
        message = f"it has {count_phrase(len(content), 'byte')}, the packet {length}."
        yield FieldError("content", message, "Write all bytes of the packet, or correct length.")
    yield from _check_mask(content, mask)


def _check_mask(content: bytes, mask: bytes) -> Iterator[FieldError]:
    if len(mask) != len(content):
        message = f"it has {count_phrase(len(mask), 'byte')}, the content {len(content)}."
        yield FieldError("mask", message, "Write as many bytes as in content: ff for a byte that is compared.")


def _check_tails(tails: tuple[FrameTail, ...], parts: tuple[FramePart, ...]) -> Iterator[FieldError]:
    if tails and parts:
        yield FieldError("tail", "a frame with parts has no tail.", "Remove it: its length is always the same.")
    lengths = [tail.length for tail in tails]
    if len(set(lengths)) < len(lengths):
        yield FieldError("tail", "two tails have one length.", "Write one [[frame.tail]] for each length.")


def _alike(one: FramePart, other: FramePart) -> bool:
    """Return whether a packet can be both parts."""
    marks = dict(one.marks)
    same_marks = all(marks.get(at, byte) == byte for at, byte in other.marks)
    return one.channel == other.channel and one.length == other.length and same_marks


_LENGTH_FIELD = Table(
    LengthField,
    Key("at", OFFSET, description="The first byte of the field."),
    Key("size", Integer(1, 2), 1, description="The number of bytes of the field."),
    Key("order", ORDER, "little", description=ORDER_DESCRIPTION),
    Key("add", Integer(-LONGEST_FRAME, LONGEST_FRAME), 0, description="Bytes of the frame besides those it counts."),
)
_MARKS = Entries(_find_offset, _OFFSET, Integer(0, 0xFF), "2 = 0x41", wanted="Write 2 = 0x41: the byte at an offset.")
_PART = Table(
    FramePart,
    Key("length", Integer(1, LONGEST_FRAME // PARTS), description="Bytes of the packet."),
    Key("channel", Integer(0, 7), 0, description="The number of its characteristic in connection.notify, from 0."),
    Key("marks", _MARKS, (), description="Bytes of the packet that tell it from others."),
    checks=(_check_part,),
)
_TAIL = Table(
    FrameTail,
    Key("length", Integer(1, LONGEST_FRAME), description="Bytes of the frame."),
    Key("at", OFFSET, description="The first byte of the content."),
    Key("content", hexadecimal(LONGEST_FRAME), description="The bytes at the end of the frame, or before its check."),
    Key("mask", hexadecimal(LONGEST_FRAME), description="The bits of the content that are compared."),
    checks=(_check_tail,),
)
_BESIDE = Table(
    PacketBeside,
    Key("length", Integer(1, LONGEST_FRAME), description="Bytes of the packet."),
    Key("content", hexadecimal(LONGEST_FRAME), description="The packet as it comes in the states that are known."),
    Key("mask", hexadecimal(LONGEST_FRAME), description="The bits of the content that are compared."),
    Key("channel", Integer(0, 7), 0, description="The number of its characteristic in connection.notify, from 0."),
    Key("marks", _MARKS, (), description="Bytes of the packet that tell it from others."),
    checks=(_check_part, _check_beside),
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
        _MARKS,
        (),
        description="Bytes of the frames that are read; frames without them are of another kind.",
    ),
    Key("part", Tables(_PART, 0, PARTS), (), "parts", "Two packets that together are one frame, in their order."),
    REST_KEY,
    Key("tail", Tables(_TAIL, 0, _MOST_TAILS), (), "tails", "The ends of frames of several lengths, one for each."),
    Key("beside", Tables(_BESIDE, 0, _MOST_BESIDE), (), "beside", "Packets without a number that tell a state."),
    Key("counted", Boolean(), default=False, description="A frame that is still equal after a second is invalid."),
    Key("checksum", CHECKSUMS, (), "checksums", "Check bytes; a frame with a wrong one is invalid."),
    checks=(_check_length, _check_hex, _check_parts, _check_bytes_of_parts, _check_packets_of_parts, _check_tails),
    computed=(PAUSE, REST),
)
