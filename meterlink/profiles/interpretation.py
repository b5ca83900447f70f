"""What codes, annunciators, points and words say together of one frame: unit, scale, status."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from meterlink.core.binary_numbers import EXACT_CONTEXT, has_plausible_magnitude
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Status
from meterlink.core.units import Quantity, quantity_of, resolution_of
from meterlink.profiles.fields import RawValue, compile_location
from meterlink.profiles.model import Bit, FieldLocation, Flag, Meaning, NumberType, Profile, ValueFormat
from meterlink.profiles.model import NumberField as FrameNumber
from meterlink.profiles.number_text import NEGATIVE_ZERO

# Different bytes of codes and annunciators whose meaning is kept; a meter sends some tens, noise may send any.
_CACHE_SIZE = 1024
_BINARY_FLOATS = frozenset({NumberType.FLOAT32, NumberType.FLOAT64})

DecodedNumber = tuple[Decimal | None, Status, Decimal | None]
"""Digits, status and resolution of a reading."""

_OVERLOAD: DecodedNumber = (None, Status.OVERLOAD, None)
_INVALID: DecodedNumber = (None, Status.INVALID, None)


@dataclass(frozen=True, slots=True)
class Interpretation:
    """All that is said of a frame beside its number.

    ``finish`` turns that into digits. For most integers that is a product with ``step``, None where it is more.
    ``as_written`` is whether neither places nor a scale apply.
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


class InterpretationCache:
    """The outcomes of a profile's frames by the bits of codes, annunciators and points, filled as they are met.

    ``mask`` is these bits in a frame taken as one little-endian number, ``furthest`` the last byte they are in (-1
    for none). ``remembered`` holds what is known of them; `learn` what is not.
    """

    def __init__(self, profile: Profile, value: ValueFormat, fallback_unit: str) -> None:
        self._codes = [(compile_location(code.location), dict(code.meanings), code.otherwise) for code in profile.codes]
        self._lit = profile.annunciators
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
        """Return, and remember, the outcome of a frame; ``key`` is its number under the ``mask``."""
        if len(self.cached) >= _CACHE_SIZE:
            self.cached.clear()
        outcome = self.cached[key] = self._interpretation(frame, key)
        return outcome

    def _interpretation(self, frame: bytes, key: int) -> Interpretation:
        value = self._value
        said = [meanings.get(take(frame), otherwise) for take, meanings, otherwise in self._codes]
        said += [meaning for bit, meaning in self._lit if _is_lit(bit, key)]
        places = value.places
        if value.points:
            lit = [number for number, bit in value.points if _is_lit(bit, key)]
            places = lit[0] if lit else 0
            said += [None] * (len(lit) > 1)
        usual = Meaning(unit=value.unit, coupling=value.coupling, places=places, scale=value.scale)
        return merge_meanings(
            said, usual, self._fallback_unit, resolution_known=self._resolution_known, most_digits=value.most_digits
        )


def merge_meanings(
    meanings: Sequence[Meaning | None],
    defaults: Meaning,
    fallback_unit: str,
    *,
    resolution_known: bool = True,
    most_digits: int | None = None,
) -> Interpretation:
    """Return what all that is said comes to; what is unknown (None) or contradicts itself makes the frame invalid.

    ``usual`` stands where nothing else is said. ``tells_step`` is false for numbers that do not tell the display's
    steps by themselves, and ``most_digits`` how long the display's numbers are.
    """
    known = [meaning for meaning in meanings if meaning is not None]
    units = {meaning.unit for meaning in known} - {""}
    prefixes = {meaning.prefix for meaning in known} - {""}
    couplings = {meaning.coupling for meaning in known} - {None} or {defaults.coupling}
    places = {meaning.places for meaning in known} - {None} or {defaults.places}
    scales = {meaning.scale for meaning in known} - {None} or {defaults.scale}
    flags = {meaning.flag for meaning in known}
    as_written = places == {None} == scales
    valid = None not in meanings and all(len(one) <= 1 for one in (units, prefixes, couplings, places, scales))
    unit = min(prefixes, default="") + min(units, default=defaults.unit) if len(units) <= 1 >= len(prefixes) else ""
    try:
        quantity = quantity_of(unit)
    except InputError:
        valid, unit, quantity = False, fallback_unit, quantity_of(fallback_unit)
    coupling = couplings.pop() if len(couplings) == 1 else None
    step: Decimal | None = None
    if not valid or Flag.INVALID in flags:
        finish = _constant(_INVALID)
    elif Flag.OVERLOAD in flags:
        finish = _constant(_OVERLOAD)
    elif Flag.NO_NUMBER in flags:
        finish = _overload_or_invalid
    else:
        decimals, scale, negative = places.pop(), scales.pop(), Flag.NEGATIVE in flags
        finish = compile_conversion(decimals, scale, negative=negative, resolution_known=resolution_known)
        if most_digits is not None:
            finish = _limit_digits(most_digits, finish)
        elif not negative and scale is None:
            step = resolution_for_places(decimals)
    return Interpretation(
        unit,
        quantity,
        finish,
        coupling,
        low_battery=Flag.LOW_BATTERY in flags,
        display_hold=Flag.HOLD in flags,
        relative=Flag.RELATIVE in flags,
        unscaled=as_written,
        resolution=step,
    )


def resolution_for_places(places: int | None) -> Decimal:
    """Return one step of the last of so many places."""
    return Decimal((0, (1,), -(places or 0)))


def fallback_unit_of(default: str, meanings: Iterable[Meaning]) -> str:
    """Return the unit of a reading whose unit nothing says: the first that the profile names."""
    for unit in (default, *(meaning.unit for meaning in meanings)):
        if unit:
            return unit
    return "V"


def _overload_or_invalid(raw: RawValue) -> DecodedNumber:
    return _OVERLOAD if raw is Status.OVERLOAD else _INVALID


def _constant(number: DecodedNumber) -> Callable[[RawValue], DecodedNumber]:
    return lambda _raw: number


def _limit_digits(
    most_digits: int, convert: Callable[[RawValue], DecodedNumber]
) -> Callable[[RawValue], DecodedNumber]:
    def finish_short(raw: RawValue) -> DecodedNumber:
        number = convert(raw)
        digits = number[0]
        too_long = digits is not None and len(digits.normalize(EXACT_CONTEXT).as_tuple().digits) > most_digits
        return _INVALID if too_long else number

    return finish_short


def compile_conversion(
    places: int | None, scale: Decimal | None, *, negative: bool, resolution_known: bool = True
) -> Callable[[RawValue], DecodedNumber]:
    """Return what turns a number in a frame into the digits on the display.

    ``places`` and ``scale`` are those of `meterlink.profiles.model.Value`. ``negative`` puts a minus before it.
    """
    step = resolution_for_places(places)
    if scale is not None and scale.normalize().as_tuple().digits == (1,):
        scale = scale.normalize()  # a power of ten moves the point, however it is written: 1000 like 1e3
    multiply = EXACT_CONTEXT.multiply
    ok = Status.OK

    def integer(raw: int) -> DecodedNumber:
        digits = multiply(Decimal(raw), step)
        return (digits.copy_negate() if negative else digits), ok, step

    def any_number(raw: RawValue) -> DecodedNumber:
        if isinstance(raw, Status):
            return _OVERLOAD if raw is Status.OVERLOAD else _INVALID
        if raw is NEGATIVE_ZERO:
            zero, status, place = any_number(0)
            return (None if zero is None else zero.copy_negate()), status, place
        if scale is None and isinstance(raw, int):
            return integer(raw)
        number = Decimal(raw) if scale is None else multiply(Decimal(raw), scale)
        if number and not has_plausible_magnitude(number):
            return _INVALID
        resolution: Decimal | None = step
        if places is not None:
            number = number.quantize(step, ROUND_HALF_EVEN, EXACT_CONTEXT)
        else:
            resolution = resolution_of(number) if resolution_known else None
        return (number.copy_negate() if negative else number), ok, resolution

    return any_number


def _bits_of(place: FieldLocation) -> Iterable[Bit]:
    return place.bits or (Bit(byte, bit) for byte in range(place.at, place.at + place.size) for bit in range(8))


def _mask(bit: Bit) -> int:
    return 1 << 8 * bit.byte + bit.bit


def _is_lit(bit: Bit, word: int) -> bool:
    return bool(word & _mask(bit)) != bit.inverted
