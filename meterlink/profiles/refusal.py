"""The reasons for which a profile's driver refuses bytes: it gives no value rather than guess."""

from dataclasses import dataclass
from enum import StrEnum


class RefusalReason(StrEnum):
    """Why bytes gave no value; each is a word for programs."""

    NO_FRAME = "no-frame"  # they have not the start, the length or the end of a frame
    PART = "part"  # a part of a frame or of a line: its beginning or its end was lost
    UNPAIRED = "unpaired"  # half of a frame of two packets: its other half is missing, or may be that of another frame
    OTHER_KIND = "other-kind"  # a frame or line of a kind that the profile does not read; it makes no reading
    CHECKSUM = "checksum"  # the check bytes are wrong
    SHORT = "short"  # the frame ends before the fields that the profile reads
    CODE = "code"  # bits with a value that has no meaning in the profile
    CONFLICT = "conflict"  # two meanings that exclude each other, for example V and A
    NOT_TEXT = "not-text"  # the line has bytes that are no characters
    SHAPE = "shape"  # a line of another shape than the profile's
    WORD = "word"  # a word that has no meaning in the profile
    NUMBER = "number"  # no number where the value is, or one that no display shows
    REPEATED = "repeated"  # the frame before, sent again by a meter that counts its frames
    BLANK = "blank"  # the meter itself shows no value


_WORDS = {
    RefusalReason.NO_FRAME: "not a frame",
    RefusalReason.PART: "part of a frame",
    RefusalReason.UNPAIRED: "half of a frame",
    RefusalReason.OTHER_KIND: "a frame or line of another kind",
    RefusalReason.CHECKSUM: "wrong check bytes",
    RefusalReason.SHORT: "frame too short",
    RefusalReason.CODE: "unknown code",
    RefusalReason.CONFLICT: "conflicting meanings",
    RefusalReason.NOT_TEXT: "not text",
    RefusalReason.SHAPE: "line of another shape",
    RefusalReason.WORD: "unknown word",
    RefusalReason.NUMBER: "not a number",
    RefusalReason.REPEATED: "the frame before, sent again",
    RefusalReason.BLANK: "no value on the display",
}


@dataclass(frozen=True, slots=True)
class Refusal:
    """Bytes that gave no value, and why.

    ``detail`` names the cause, safe to print: ``bit 3.7 is 1``; it may be empty. ``data`` are the refused bytes, as the
    packet of an invalid reading has them. `meterlink.profiles.ProfileDriver.refusals` has those of the packet fed last.
    ``str()`` is reason and detail for people: ``unknown code: bit 3.7 is 1``.
    """

    reason: RefusalReason
    detail: str = ""
    data: bytes = b""

    def __str__(self) -> str:
        return f"{_WORDS[self.reason]}: {self.detail}" if self.detail else _WORDS[self.reason]
