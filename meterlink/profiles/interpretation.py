"""The combined meaning of a frame's codes, annunciators, decimal points and words: unit, scale, status."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_DOWN, ROUND_HALF_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

from meterlink.core.binary_numbers import EXACT_CONTEXT, has_plausible_magnitude
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Status
from meterlink.core.units import Quantity, quantity_of, resolution_of
from meterlink.profiles.fields import RawValue, compile_location
from meterlink.profiles.model import Bit, Code, FieldLocation, Flag, Meaning, NumberType, Profile, Rounding, ValueFormat
from meterlink.profiles.model import NumberField as FrameNumber
from meterlink.profiles.number_text import NEGATIVE_ZERO
from meterlink.profiles.refusal import Refusal, RefusalReason

# Interpretations kept, by the bits of codes and annunciators: a meter sends some tens, noise any number.
NEVER_NEGATIVE = frozenset({Quantity.RESISTANCE, Quantity.CAPACITANCE})
"""Quantities of which no passive part has a negative value (physics): a negative number is a wrong bit, or a
difference in the meter's relative mode."""

_CACHE_SIZE = 1024
DECIMAL_ROUNDING = {
    Rounding.HALF_EVEN: ROUND_HALF_EVEN,
    Rounding.HALF_UP: ROUND_HALF_UP,
    Rounding.DOWN: ROUND_DOWN,
    Rounding.UNKNOWN: ROUND_HALF_UP,
}
_BINARY_FLOATS = frozenset({NumberType.FLOAT32, NumberType.FLOAT64})

DecodedNumber = tuple[Decimal | None, Status, Decimal | None]
"""``(digits, status, resolution)`` of a reading; digits and resolution in its display unit, None where unknown."""

_OVERLOAD: DecodedNumber = (None, Status.OVERLOAD, None)
_INVALID: DecodedNumber = (None, Status.INVALID, None)


@dataclass(frozen=True, slots=True)
class Interpretation:
    """The meaning of a frame apart from its number.

    ``convert`` turns the number into digits. For most integers that is a product with ``resolution``, which is None
    for others. ``unscaled``: neither places nor a scale apply. ``refusal``: why the frame has no value; None where
    the number decides.
    """

    unit: str
    quantity: Quantity
    convert: Callable[[RawValue], DecodedNumber]
    coupling: Coupling | None = None
    low_battery: bool = False
    display_hold: bool = False
    relative: bool = False
    unscaled: bool = False
    resolution: Decimal | None = None
    refusal: Refusal | None = None


class InterpretationCache:
    """The interpretations of a profile's frames, by the bits of codes, annunciators and points.

    ``mask`` has these bits set, in a frame read as one little-endian number; ``last_byte`` is the offset of the last
    byte that has one (-1: none). ``cached`` has the interpretations by masked number; `interpret` adds to them.
    """

    def __init__(self, profile: Profile, value: ValueFormat, fallback_unit: str) -> None:
        self._codes = [(code, compile_location(code.location), dict(code.meanings)) for code in profile.codes]
        self._annunciators = profile.annunciators
        self._value = value
        self._fallback_unit = fallback_unit
        self._resolution_known = not (isinstance(value.source, FrameNumber) and value.source.type in _BINARY_FLOATS)
        bits = [bit for code in profile.codes for bit in _bits_of(code.location)]
        bits += [bit for bit, _ in profile.annunciators] + [bit for _, bit in value.points]
        self.last_byte = max((bit.byte for bit in bits), default=-1)
        self.mask = 0
        for bit in bits:
            self.mask |= _mask(bit)
        self.cached: dict[int, Interpretation] = {}

    def interpret(self, frame: bytes, key: int) -> Interpretation:
        """Return and cache the interpretation of a frame; ``key`` is its number under ``mask``."""
        if len(self.cached) >= _CACHE_SIZE:
            self.cached.clear()
        interpretation = self.cached[key] = self._interpret(frame, key)
        return interpretation

    def _interpret(self, frame: bytes, key: int) -> Interpretation:
        value = self._value
        frame_meanings: list[Meaning | None] = []
        unknown: list[str] = []
        for code, read, meanings in self._codes:
            meaning = meanings.get(read(frame), code.otherwise)
            frame_meanings.append(meaning)
            if meaning is None:
                unknown.append(_describe_unknown(code, read(frame)))
        frame_meanings += [meaning for bit, meaning in self._annunciators if _is_lit(bit, key)]
        places = value.places
        if value.points:
            lit_points = [number for number, bit in value.points if _is_lit(bit, key)]
            places = lit_points[0] if lit_points else 0
            if len(lit_points) > 1:
                frame_meanings.append(None)
                unknown.append(f"{len(lit_points)} decimal points")
        defaults = Meaning(unit=value.unit, coupling=value.coupling, places=places, scale=value.scale)
        return merge_meanings(
            frame_meanings,
            defaults,
            self._fallback_unit,
            resolution_known=self._resolution_known,
            most_digits=value.most_digits,
            unknown=Refusal(RefusalReason.CODE, ", ".join(unknown)),
            rounding=value.rounding,
        )


def _describe_unknown(code: Code, number: int) -> str:
    """Return the bits that no meaning of a code has so, where they are few; otherwise the whole field."""
    location = code.location
    if not location.bits:
        last = location.at + location.size - 1
        name = f"byte {last}" if location.size == 1 else f"bytes {location.at} to {last}"
        return f"{name} is 0x{number:0{2 * location.size}x}"
    # Most codes of a taught profile are bits that have always been the same: then the bits that differ are named.
    nearest = min((known ^ number for known, _ in code.meanings), key=int.bit_count, default=0)
    width = len(location.bits)
    places = [place for place in range(width) if nearest >> width - 1 - place & 1]
    if len(code.meanings) > 1 or not places:
        places = list(range(width))
    bits = [location.bits[place] for place in places]
    values = "".join(str((number >> width - 1 - place & 1) ^ location.bits[place].inverted) for place in places)
    names = " ".join(f"{bit.byte}.{bit.bit}" for bit in bits)
    return f"bit {names} is {values}" if len(bits) == 1 else f"bits {names} are {values}"


def merge_meanings(
    meanings: Sequence[Meaning | None],
    defaults: Meaning,
    fallback_unit: str,
    *,
    resolution_known: bool = True,
    most_digits: int | None = None,
    unknown: Refusal | None = None,
    rounding: Rounding = Rounding.HALF_EVEN,
) -> Interpretation:
    """Merge the meanings of a frame; an unknown (None) or conflicting one makes it invalid.

    ``defaults`` apply where no meaning says otherwise; ``fallback_unit`` is the unit of an invalid frame.
    ``resolution_known`` is false for numbers that do not show the display's resolution. A number with more than
    ``most_digits`` digits is invalid (None: not checked). ``unknown`` is the refusal where a meaning is unknown.
    ``rounding``: as in `ValueFormat`.
    """
    known = [meaning for meaning in meanings if meaning is not None]
    units = {meaning.unit for meaning in known} - {""}
    prefixes = {meaning.prefix for meaning in known} - {""}
    couplings = {meaning.coupling for meaning in known} - {None} or {defaults.coupling}
    places = {meaning.places for meaning in known} - {None} or {defaults.places}
    scales = {meaning.scale for meaning in known} - {None} or {defaults.scale}
    flags = {meaning.flag for meaning in known}
    unscaled = places == {None} == scales
    conflicts = [values for values in (units, prefixes, couplings, places, scales) if len(values) > 1]
    refusal: Refusal | None = None
    if None in meanings:
        refusal = unknown or Refusal(RefusalReason.CODE)
    elif conflicts:
        detail = " and ".join(sorted(map(str, conflicts[0])))
        refusal = Refusal(RefusalReason.CONFLICT, detail)
    elif Flag.INVALID in flags:
        refusal = Refusal(RefusalReason.BLANK)
    unit = min(prefixes, default="") + min(units, default=defaults.unit) if len(units) <= 1 >= len(prefixes) else ""
    try:
        quantity = quantity_of(unit)
    except InputError:
        refusal = refusal or Refusal(RefusalReason.CONFLICT, f"the unit {unit}" if unit else "no unit")
        unit, quantity = fallback_unit, quantity_of(fallback_unit)
    coupling = couplings.pop() if len(couplings) == 1 else None
    resolution: Decimal | None = None
    if refusal is not None:
        convert = _constant(_INVALID)
    elif Flag.OVERLOAD in flags:
        convert = _constant(_OVERLOAD)
    elif Flag.NO_NUMBER in flags:
        convert, refusal = _overload_or_invalid, Refusal(RefusalReason.BLANK)
    else:
        decimals, scale, negative = places.pop(), scales.pop(), Flag.NEGATIVE in flags
        convert = compile_conversion(
            decimals, scale, negative=negative, resolution_known=resolution_known, rounding=rounding
        )
        convert = _refuse_negative(convert, quantity)
        if most_digits is not None:
            convert = _limit_digits(most_digits, convert)
        elif not negative and scale is None:
            resolution = resolution_for_places(decimals)
    return Interpretation(
        unit,
        quantity,
        convert,
        coupling,
        low_battery=Flag.LOW_BATTERY in flags,
        display_hold=Flag.HOLD in flags,
        relative=Flag.RELATIVE in flags,
        unscaled=unscaled,
        resolution=resolution,
        refusal=refusal,
    )


def resolution_for_places(places: int | None) -> Decimal:
    """Return the display resolution for ``places`` decimals: 0.01 for 2, 1 for None."""
    return Decimal((0, (1,), -(places or 0)))


def fallback_unit_of(default: str, meanings: Iterable[Meaning]) -> str:
    """Return the unit of a reading without a known unit: ``default``, else the first unit of a meaning, else V."""
    for unit in (default, *(meaning.unit for meaning in meanings)):
        if unit:
            return unit
    return "V"


def _overload_or_invalid(raw: RawValue) -> DecodedNumber:
    return _OVERLOAD if raw is Status.OVERLOAD else _INVALID


def _constant(number: DecodedNumber) -> Callable[[RawValue], DecodedNumber]:
    return lambda _raw: number


def _refuse_negative(
    convert: Callable[[RawValue], DecodedNumber], quantity: Quantity
) -> Callable[[RawValue], DecodedNumber]:
    if quantity not in NEVER_NEGATIVE:
        return convert

    def convert_positive(raw: RawValue) -> DecodedNumber:
        number = convert(raw)
        return _INVALID if number[0] is not None and number[0] < 0 else number

    return convert_positive


def _limit_digits(
    most_digits: int, convert: Callable[[RawValue], DecodedNumber]
) -> Callable[[RawValue], DecodedNumber]:
    def convert_short(raw: RawValue) -> DecodedNumber:
        number = convert(raw)
        digits = number[0]
        too_long = digits is not None and len(digits.normalize(EXACT_CONTEXT).as_tuple().digits) > most_digits
        return _INVALID if too_long else number

    return convert_short


def compile_conversion(
    places: int | None,
    scale: Decimal | None,
    *,
    negative: bool,
    resolution_known: bool = True,
    rounding: Rounding = Rounding.HALF_EVEN,
) -> Callable[[RawValue], DecodedNumber]:
    """Return the function that turns the number of a frame into a `DecodedNumber`; ``negative`` negates it.

    ``places``, ``scale`` and ``rounding`` are those of `meterlink.profiles.model.ValueFormat`.
    """
    decimal_rounding = DECIMAL_ROUNDING[rounding]
    step = resolution_for_places(places)
    if scale is not None and scale.normalize().as_tuple().digits == (1,):
        scale = scale.normalize()  # a power of ten only moves the point: 1000 is read as 1e3
    multiply = EXACT_CONTEXT.multiply
    ok = Status.OK

    def convert_integer(raw: int) -> DecodedNumber:
        digits = multiply(Decimal(raw), step)
        return (digits.copy_negate() if negative else digits), ok, step

    def convert_any(raw: RawValue) -> DecodedNumber:
        if isinstance(raw, Status):
            return _OVERLOAD if raw is Status.OVERLOAD else _INVALID
        if raw is NEGATIVE_ZERO:
            zero, status, zero_resolution = convert_any(0)
            return (None if zero is None else zero.copy_negate()), status, zero_resolution
        if scale is None and isinstance(raw, int):
            return convert_integer(raw)
        number = Decimal(raw) if scale is None else multiply(Decimal(raw), scale)
        if number and not has_plausible_magnitude(number):
            return _INVALID
        resolution: Decimal | None = step
        if places is not None:
            exact = number
            number = exact.quantize(step, decimal_rounding, EXACT_CONTEXT)
            if rounding is Rounding.UNKNOWN and number != exact.quantize(step, ROUND_HALF_DOWN, EXACT_CONTEXT):
                return _INVALID
        else:
            resolution = resolution_of(number) if resolution_known else None
        return (number.copy_negate() if negative else number), ok, resolution

    return convert_any


def _bits_of(location: FieldLocation) -> Iterable[Bit]:
    return location.bits or (
        Bit(byte, bit) for byte in range(location.at, location.at + location.size) for bit in range(8)
    )


def _mask(bit: Bit) -> int:
    return 1 << 8 * bit.byte + bit.bit


def _is_lit(bit: Bit, word: int) -> bool:
    return bool(word & _mask(bit)) != bit.inverted
