"""Each encoding of the number, found in frames of nothing but the number and noise."""

import struct
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.capture.capture_file import make_display_entry
from meterlink.core.readings import Status
from meterlink.profiles.fields import compile_number
from meterlink.profiles.model import Bit, CandidateSegment, NumberField, NumberType, Rounding, Segments, UnknownSegment
from meterlink.teach.characters import character_encodings
from meterlink.teach.decimals import decimal_digit_encodings
from meterlink.teach.digit_codes import digit_code_encodings
from meterlink.teach.displays import add_constant_pool, lacks_constant_pool
from meterlink.teach.dropped_digits import dropped_digit_encodings
from meterlink.teach.encodings import SampleMatrix, Scaling
from meterlink.teach.fixed_point import rounded_unit_encodings
from meterlink.teach.floats import binary_float_encodings, decimal_float_encodings
from meterlink.teach.integers import integer_encodings
from meterlink.teach.samples import Sample
from support.examples import examples


def matrix_of(pairs):
    entries = [make_display_entry(float(index), text) for index, (text, _) in enumerate(pairs)]
    samples = [Sample(entry, entry.displayed_value, (frame,)) for entry, (_, frame) in zip(entries, pairs, strict=True)]
    return SampleMatrix.from_samples(samples)


def counts_of(matrix):
    return [-sample.counts if sample.negative else sample.counts for sample in matrix.number_samples]


def scalings_of(matrix):
    return [Scaling(sample.places) for sample in matrix.samples]


def accepts(encoding, frame):
    """Return whether the encoding's guard codes let the frame pass."""
    for code in encoding.guard_codes:
        bits = code.location.bits
        if bits:
            number = 0
            for bit in bits:
                number = number << 1 | (frame[bit.byte] >> bit.bit & 1) ^ bit.inverted
        else:
            location = code.location
            number = int.from_bytes(frame[location.at : location.at + location.size], location.order)
        if number not in dict(code.meanings):
            return False
    return True


@examples(60)
@given(st.integers(0, 2**32))
def test_integer_of_any_width_order_and_key_is_found_and_never_misread(seed):
    rng = Random(seed)
    width, signed = rng.randint(15, 32), rng.random() < 0.5
    big, mirrored = rng.random() < 0.5, rng.random() < 0.3
    size, offset = 7, rng.randrange(0, 56 - width)
    key = rng.randbytes(size) if rng.random() < 0.5 else bytes(size)

    def frame(value, noise):
        word = noise.getrandbits(8 * size)
        mask = (1 << width) - 1 << offset
        word = word & ~mask | (value & (1 << width) - 1) << offset
        data = word.to_bytes(size, "big" if big else "little")
        if mirrored:
            data = bytes(int(f"{byte:08b}"[::-1], 2) for byte in data)
        return bytes(a ^ b for a, b in zip(data, key, strict=True))

    values = [rng.randint(0, 9999) * (rng.choice([1, -1]) if signed else 1) for _ in range(16)]
    matrix = matrix_of([(f"{value / 100:.2f} V", frame(value, rng)) for value in values])
    (encoding,) = integer_encodings(matrix, counts_of(matrix), scalings_of(matrix))
    assert isinstance(encoding.source, NumberField)
    assert isinstance(encoding.source, NumberField)
    decode = compile_number(encoding.source)
    read = 0
    for value in rng.choices(range(-9999 if signed else 0, 10000), k=300):
        data = frame(value, rng)
        if accepts(encoding, data):
            assert decode(data) == (value if encoding.signed else abs(value))
            read += 1
    # Some numbers may need a bit that no sample has changed.
    assert read >= 100


@pytest.mark.parametrize(("number", "found"), [(13, False), (60, True)])
def test_a_single_bit_apart_from_the_others_is_proven_by_many_numbers_only(number, found):
    """The lowest bit is the highest one of another byte, or so it seems: few numbers may show that by chance."""
    rng = Random(number)
    counts = [rng.randrange(5_000, 16_384) for _ in range(number)]
    frames = [bytes([0x51, value >> 8 & 0x3F, value >> 1 & 0x7F, (value & 1) << 7 | 0x22, 0x10]) for value in counts]
    matrix = matrix_of([(f"{value / 1000:.3f} V", frame) for value, frame in zip(counts, frames, strict=True)])
    assert bool(list(integer_encodings(matrix, counts_of(matrix), scalings_of(matrix)))) is found


def test_two_bits_that_changed_their_places_are_not_believed_from_few_numbers():
    """Seven bits of the number in a byte, and seven in the next; the lowest two the other way round."""
    rng = Random(7)
    counts = [rng.randrange(5_000, 16_384) for _ in range(14)]

    def frame(value, turned):
        low = value & 3
        low = (low >> 1 | low << 1 & 2) if turned else low
        return bytes([0x51, (value & 0x7C | low) << 1, value >> 7, 0x22])

    for turned in (False, True):
        matrix = matrix_of([(f"{value / 1000:.3f} V", frame(value, turned)) for value in counts])
        assert bool(list(integer_encodings(matrix, counts_of(matrix), scalings_of(matrix)))) is not turned


@pytest.mark.parametrize("seed", range(8))
def test_ends_of_a_fully_used_field_are_no_numbers(seed):
    # Twelve bits in two's complement, of which IEEE 11073-20601 reserves five values for 'no number'.
    rng = Random(seed)

    def frame(value):
        return (rng.randrange(16) << 12 | value & 0xFFF).to_bytes(2, "big")

    values = [1999, -1998, *(rng.randint(-1999, 1999) for _ in range(20))]
    matrix = matrix_of([(f"{value / 1000:.3f} V", frame(value)) for value in values])
    (encoding,) = integer_encodings(matrix, counts_of(matrix), scalings_of(matrix))
    assert encoding.reserved_values == {0x7FE, 0x7FF, 0x800, 0x801, 0x802}
    wide = matrix_of([(f"{value / 1000:.3f} V", value.to_bytes(2, "big", signed=True)) for value in values])
    (encoding,) = integer_encodings(wide, counts_of(wide), scalings_of(wide))
    assert not encoding.reserved_values  # numbers of four digits do not reach the ends


def test_highest_numbers_of_whole_bytes_are_no_readings_although_the_digits_have_room():
    # Five digits have room for 99,999: the byte of ones behind the field may be its end, or its 17th bit.
    rng = Random(5)
    values = [rng.randrange(59_999) for _ in range(16)]
    overload = ("OL Mohm", b"\xff\xff\x0d")
    matrix = matrix_of([(f"{value / 1000:.3f} Mohm", value.to_bytes(2, "little") + b"\x0d") for value in values])
    with_overload = matrix_of(
        [overload] + [(f"{value / 1000:.3f} Mohm", value.to_bytes(2, "little") + b"\x0d") for value in values]
    )
    for some in (matrix, with_overload):
        (encoding,) = integer_encodings(some, counts_of(some), scalings_of(some))
        assert encoding.reserved_values == set(range(0xFFF0, 0x10000))
    read = [(0xFFF1 if index == 4 else value) for index, value in enumerate(values)]
    shown = matrix_of([(f"{value / 1000:.3f} Mohm", value.to_bytes(2, "little") + b"\x0d") for value in read])
    (encoding,) = integer_encodings(shown, counts_of(shown), scalings_of(shown))
    assert 0xFFF1 not in encoding.reserved_values  # a reading showed it


@pytest.mark.parametrize("beside", [b"", b"\0", b"\0\0"])
def test_a_number_that_a_frame_holds_twice_must_be_the_same_twice(beside):
    # The number shown and the number measured; the zeros beside one of them are flags.
    rng = Random(7)

    def frame(shown, measured):
        return beside + shown.to_bytes(2, "big") + b"\x55" + measured.to_bytes(2, "big")

    values = [rng.randrange(9999) for _ in range(16)]
    matrix = matrix_of([(f"{value / 100:.2f} V", frame(value, value)) for value in values])
    (encoding,) = integer_encodings(matrix, counts_of(matrix), scalings_of(matrix))
    assert accepts(encoding, frame(4711, 4711))
    assert not accepts(encoding, frame(4711, 4710))


@examples(40)
@given(st.integers(0, 2**32))
def test_digits_of_four_bits_anywhere_are_found(seed):
    rng = Random(seed)
    nibbles = rng.sample(range(16), 4)  # half bytes, the last digit first

    def frame(value, noise):
        word = noise.getrandbits(64)
        for digit, nibble in enumerate(nibbles):
            word = word & ~(15 << 4 * nibble) | (value // 10**digit % 10) << 4 * nibble
        return word.to_bytes(8, "little")

    matrix = matrix_of([(f"{value / 10:.1f} ohm", frame(value, rng)) for value in rng.sample(range(10000), 14)])
    encoding = next(decimal_digit_encodings(matrix, scalings_of(matrix)), None)
    assert encoding is not None
    assert isinstance(encoding.source, NumberField)
    decode = compile_number(encoding.source)
    for value in rng.sample(range(10000), 300):
        data = frame(value, rng)
        if accepts(encoding, data):
            assert decode(data) == value


@pytest.mark.parametrize("code", ["<f", ">f", "<d", ">d"])
@pytest.mark.parametrize("key", [b"\0", b"\x5c", b"\x31\xe2"])
@pytest.mark.parametrize("finer", [False, True])
def test_float_under_a_repeated_key(code, key, finer):
    rng = Random(7)

    def frame(value):
        extra = (rng.random() - 0.5) * 0.009 if finer else 0.0
        data = rng.randbytes(3) + struct.pack(code, value + extra)
        return data[:3] + bytes(byte ^ key[at % len(key)] for at, byte in enumerate(data[3:]))

    values = [round(rng.uniform(-500, 500), 2) for _ in range(14)]
    encoding = next(binary_float_encodings(matrix_of([(f"{value:.2f} V", frame(value)) for value in values])), None)
    assert encoding is not None
    assert isinstance(encoding.source, NumberField)
    decode = compile_number(encoding.source)
    for _ in range(100):
        value = round(rng.uniform(-500, 500), 2)
        data = bytes(byte ^ encoding.key.get(at, 0) for at, byte in enumerate(frame(value)))
        decoded = decode(data)
        assert isinstance(decoded, Decimal)
        assert decoded.quantize(Decimal("0.01")) == Decimal(f"{value:.2f}")


def test_decimal_float_is_found_only_if_its_exponent_has_changed():
    def frame(counts, places):
        return ((-places & 15) << 12 | counts).to_bytes(2, "little")

    rng = Random(8)
    values = [(rng.randrange(100, 2000), rng.choice([1, 2, 3])) for _ in range(12)]
    changing = [(f"{Decimal(counts).scaleb(-places):f} V", frame(counts, places)) for counts, places in values]
    constant = [(f"{counts / 100:.2f} V", frame(counts, 2)) for counts, _ in values]
    (encoding,) = decimal_float_encodings(matrix_of(changing))
    assert encoding.source.type is NumberType.SFLOAT
    assert not list(decimal_float_encodings(matrix_of(constant)))


@pytest.mark.parametrize("pad", ["0", " "])
@pytest.mark.parametrize("pointed", [False, True])
@pytest.mark.parametrize("key", [0, 0x99])
def test_characters(pad, pointed, key):
    rng = Random(11)

    def frame(value):
        text = f"{abs(value) / 100:.2f}" if pointed else f"{abs(value):d}"
        text = ("-" if value < 0 else "+") + text.rjust(6, pad) if pad == "0" else f"{'-' * (value < 0)}{text}".rjust(7)
        return b"\x02" + bytes(byte ^ key for byte in text.encode()) + rng.randbytes(1)

    values = [rng.randint(-9999, 9999) for _ in range(14)]
    encoding = next(character_encodings(matrix_of([(f"{value / 100:.2f} V", frame(value)) for value in values])), None)
    assert encoding is not None
    assert isinstance(encoding.source, NumberField)
    decode = compile_number(encoding.source)
    for value in rng.choices(range(1000, 10000), k=50):
        raw = decode(bytes(byte ^ encoding.key.get(at, 0) for at, byte in enumerate(frame(value))))
        assert not isinstance(raw, Status)
        assert abs(raw) in {value, Decimal(value).scaleb(-2)}


def test_fixed_unit_finer_than_the_display():
    rng = Random(12)

    def shown(micro):
        return f"{Decimal(micro).scaleb(-3).quantize(Decimal('0.01')):f} mV"

    values = [rng.randint(-300_000, 300_000) for _ in range(14)]
    matrix = matrix_of([(shown(value), value.to_bytes(4, "big", signed=True)) for value in values])
    encoding = next(rounded_unit_encodings(matrix), None)
    assert encoding is not None
    assert encoding.scalings[0] == Scaling(2, Decimal("0.001"))
    assert encoding.largest_value == 100_000 * 10  # 300.00 has five digits: only a greater number can be an overload


@pytest.mark.parametrize(
    ("between", "rounding"),
    [((), Rounding.UNKNOWN), ((1_245, 3_365), Rounding.HALF_UP), ((-1_245, 3_375), Rounding.HALF_EVEN)],
)
def test_a_number_between_two_displays_shows_how_the_display_rounds(between, rounding):
    rule = ROUND_HALF_EVEN if rounding is Rounding.HALF_EVEN else ROUND_HALF_UP

    def shown(tenths):
        return f"{Decimal(tenths).scaleb(-2).quantize(Decimal('0.1'), rule):f} V"

    values = [*between, *(10 * value + more for value, more in zip(range(130, 980, 61), range(-4, 5), strict=False))]
    matrix = matrix_of([(shown(value), value.to_bytes(4, "big", signed=True)) for value in values])
    encoding = next(rounded_unit_encodings(matrix), None)
    assert encoding is not None
    assert encoding.rounding is rounding


DIGITS = dict(zip("0123456789 -", Random(5).sample(range(256), 12), strict=True))


def coded(text):
    return bytes(DIGITS[character] for character in text)


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize("lead", ["0", " "])
def test_digits_by_a_table_of_characters(order, lead):
    rng = Random(14)
    step = 1 if order == "big" else -1

    def frame(value):
        return b"\x07" + coded(str(value).rjust(4, lead))[::step]

    values = [*(rng.randint(0, 9999) for _ in range(20)), 7, 1234, 5678, 9051]
    encoding = next(digit_code_encodings(matrix_of([(f"{value} ohm", frame(value)) for value in values])), None)
    assert encoding is not None
    assert encoding.suggested_readings == ()
    assert isinstance(encoding.source, NumberField)
    decode = compile_number(encoding.source)
    for value in range(0, 10_000, 7):
        assert decode(frame(value)) == value


def test_digit_that_no_reading_had_is_asked_for_and_refused():
    values = [1234, 5678, 4321, 8765, 1357, 2468, 3142, 5786, 6413, 7215]  # without 0 and 9
    encoding = next(digit_code_encodings(matrix_of([(f"{value} ohm", coded(str(value))) for value in values])), None)
    assert encoding is not None
    # Whether a shorter number has blanks or zeros before it is not known either.
    assert encoding.suggested_readings == ("a reading with a 0 or 9 in any place", "a reading with fewer digits")
    assert isinstance(encoding.source, NumberField)
    assert compile_number(encoding.source)(coded("1934")) is Status.INVALID


def test_a_code_for_two_digits_is_no_table_of_characters():
    values = [1234, 5678, 4321, 8765, 1357, 2468, 3142, 5786, 6413, 7215]
    alike = {**DIGITS, "7": DIGITS["1"]}
    pairs = [(f"{value} ohm", bytes(alike[character] for character in str(value))) for value in values]
    assert not list(digit_code_encodings(matrix_of(pairs)))


@pytest.mark.parametrize("rounding", [Rounding.DOWN, Rounding.HALF_UP])
@pytest.mark.parametrize("signed", [False, True])
def test_digit_that_the_display_drops_or_rounds(rounding, signed):
    rng = Random(15)
    raws = [rng.randint(1, 99_999) * (rng.choice([1, -1]) if signed else 1) for _ in range(14)]
    hidden = 0 if rounding is Rounding.DOWN else 5
    texts = [f"{'-' if raw < 0 else ''}{(abs(raw) + hidden) // 10 / 100:.2f} V" for raw in raws]
    frames = [raw.to_bytes(4, "big", signed=True) for raw in raws]
    encoding = next(dropped_digit_encodings(matrix_of(list(zip(texts, frames, strict=True)))), None)
    assert encoding is not None
    assert encoding.rounding is rounding
    assert encoding.scalings[0] == Scaling(2, Decimal("0.001"))


def test_readings_that_drop_and_round_alike_do_not_tell_how_the_display_rounds():
    # The digit dropped is below 5 every time: whether the display rounds is not known, and a guess is a count off.
    raws = [12341, 98762, 45670, 33333, 1004, 77712, 20203, 61114, 55550, 10001]
    pairs = [(f"{raw // 10 / 100:.2f} V", raw.to_bytes(3, "big")) for raw in raws]
    assert not list(dropped_digit_encodings(matrix_of(pairs)))


@pytest.mark.parametrize("size", [5, 6])
def test_fixed_unit_of_five_or_six_bytes(size):
    rng = Random(16)
    values = [rng.randint(-(10**11), 10**11) for _ in range(14)]
    texts = [f"{Decimal(value).scaleb(-8).quantize(Decimal('0.01')):f} V" for value in values]
    frames = [value.to_bytes(size, "little", signed=True) for value in values]
    encoding = next(rounded_unit_encodings(matrix_of(list(zip(texts, frames, strict=True)))), None)
    assert encoding is not None
    assert encoding.scalings[0] == Scaling(2, Decimal("1e-8"))


def test_nothing_is_found_in_noise():
    rng = Random(13)
    for _ in range(20):
        matrix = matrix_of([(f"{rng.randint(-9999, 9999) / 100:.2f} V", rng.randbytes(14)) for _ in range(12)])
        assert not list(integer_encodings(matrix, counts_of(matrix), scalings_of(matrix)))
        for search in (
            binary_float_encodings,
            decimal_float_encodings,
            character_encodings,
            rounded_unit_encodings,
            digit_code_encodings,
            dropped_digit_encodings,
        ):
            assert not list(search(matrix))
        assert not list(decimal_digit_encodings(matrix, scalings_of(matrix)))


def test_a_segment_whose_bit_is_nowhere_is_unknown():
    digit: tuple[Any, ...] = (*(Bit(0, bit) for bit in range(6)), CandidateSegment(0, inverted=True))
    source = Segments((digit,))
    assert lacks_constant_pool(source)
    assert add_constant_pool(source, ()).digits[0][6] is UnknownSegment.UNKNOWN
    source = add_constant_pool(source, (Bit(1, 0), Bit(1, 1)))
    assert (source.digits, source.pools) == ((digit,), ((Bit(1, 0), Bit(1, 1)),))


def test_bit_that_was_set_in_the_highest_digit_of_every_reading_must_stay_set():
    # The highest digits are 4 and 5: the bit of 4 never changed. It may be a flag, so 1 to 3 are refused, 4 and 5 read.
    values = [4321, 5876, 4999, 5012, 4680, 5555, 4104, 5231, 4747, 5398]
    frames = [bytes.fromhex(f"{value:04d}") for value in values]
    matrix = matrix_of([(f"{value} ohm", frame) for value, frame in zip(values, frames, strict=True)])
    encoding = next(decimal_digit_encodings(matrix, scalings_of(matrix)))
    assert all(accepts(encoding, frame) for frame in frames)
    assert accepts(encoding, bytes.fromhex("4002"))
    assert not accepts(encoding, bytes.fromhex("1002"))
    assert encoding.suggested_readings[-1] == "a reading of less than 4000 counts"
