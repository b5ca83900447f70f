"""Why a frame of known codes has no number: the meter shows none, or its field has something else."""

from collections.abc import Callable

from meterlink.core.readings import Status
from meterlink.profiles.fields import compile_location, compile_number
from meterlink.profiles.model import Bit, FieldLocation, NumberField, NumberType, Segments, ValueFormat
from meterlink.profiles.number_text import is_blank
from meterlink.profiles.refusal import Refusal, RefusalReason
from meterlink.profiles.segments import UNKNOWN, read_characters

_BLANK = Refusal(RefusalReason.BLANK)
# Types with values that mean 'no number' (IEEE 754, IEEE 11073-20601).
_FLOATS = frozenset({NumberType.FLOAT32, NumberType.FLOAT64, NumberType.SFLOAT, NumberType.FLOAT})


def compile_no_number(value: ValueFormat) -> Callable[[bytes], Refusal]:
    """Return the function that says why a frame, long enough and without its key, has no number."""
    source = value.source
    if isinstance(source, Segments):
        return lambda plain: _of_segments(source, plain)
    read, most_digits = compile_number(source), value.most_digits

    def explain(plain: bytes) -> Refusal:
        if read(plain) is not Status.INVALID:
            detail = "an implausible one" if most_digits is None else f"implausible, or above {most_digits} digits"
            return Refusal(RefusalReason.NUMBER, detail)
        return _BLANK if _is_stated(source, plain) else Refusal(RefusalReason.NUMBER, _content(source.location, plain))

    return explain


def _of_segments(segments: Segments, plain: bytes) -> Refusal:
    if segments.pools:
        return Refusal(RefusalReason.NUMBER, "the known segments do not decide the digits")
    text = read_characters(segments, plain)
    if UNKNOWN in text:
        number = text.index(UNKNOWN)
        digit = zip("abcdefg", segments.digits[number], strict=True)
        lit = "".join(name for name, bit in digit if isinstance(bit, Bit) and _is_lit(plain, bit))
        return Refusal(RefusalReason.NUMBER, f"digit {number + 1} shows the segments {lit or 'none'}")
    if any(character.isdecimal() for character in text):
        return Refusal(RefusalReason.NUMBER, f"the display shows {text.strip()!r}")  # half a number is no statement
    return _BLANK


def _is_stated(number: NumberField, plain: bytes) -> bool:
    """Return whether the field has a content that means 'no number'."""
    if number.type in _FLOATS or compile_location(number.location)(plain) in number.invalid:
        return True
    if number.type is not NumberType.ASCII:
        return False
    text = plain[number.location.at : number.location.at + number.location.size].decode("latin-1").strip(" \0")
    return not text or is_blank(text)


def _content(location: FieldLocation, plain: bytes) -> str:
    if location.bits:
        return f"its bits are {compile_location(location)(plain):#x}"
    first, last = location.at, location.at + location.size - 1
    place = f"byte {first} is" if first == last else f"bytes {first} to {last} are"
    return f"{place} {plain[first : last + 1].hex(' ')}"


def _is_lit(plain: bytes, bit: Bit) -> bool:
    return bool(plain[bit.byte] >> bit.bit & 1) != bit.inverted
