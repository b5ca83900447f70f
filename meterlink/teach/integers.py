"""Whole numbers in the frame: any width and order of bits, any constant exclusive-or, two's complement or a magnitude.

Over all samples, bit k of the shown number must equal one bit of the frame, or its complement. Where the numbers have
changed enough bits, the positions show how the number lies in the frame.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import comb, log2

from meterlink.profiles.model import Code, Meaning, NumberField, NumberType
from meterlink.teach import limits
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling, agreement_code, location_of_bits

_WAYS = 4  # the four ways in which neighbouring bits of a number can run through bytes

_NONE: frozenset[int] = frozenset()

_Placed = list[tuple[int, bool]]  # (position, inverted), lowest bit first
_Run = Callable[[int], int]


def integer_encodings(
    table: SampleMatrix, values: Sequence[int], scalings: Sequence[Scaling], name: str = "integer"
) -> Iterator[Encoding]:
    """Yield the encodings of ``values`` (signed; one for each sample that shows a number) as whole numbers."""
    if len({abs(value) for value in values}) < limits.FEWEST_DIFFERENT_NUMBERS:
        return
    negatives = any(value < 0 for value in values)
    most = _most(table, values)
    found = _twos_complement(table, values, most) if negatives else None
    signed = found is not None
    if found is None:
        found = _magnitude(table, [abs(value) for value in values], most)
    if found is None:
        return
    kind = NumberType.INT if signed else NumberType.UINT
    above = 1 << found.exercised
    yield Encoding(
        name=f"{name}, {'twos complement' if signed else 'unsigned'}",
        source=NumberField(kind, location_of_bits(list(reversed(found.bits)))),
        used_positions=frozenset(position for position, _ in (*found.bits, *found.also)),
        scalings=tuple(scalings),
        signed=signed,
        guard_codes=found.agreements,
        largest_value=most,
        reserved_values=_ends(found, signed=signed) - {value % (1 << len(found.bits)) for value in values},
        suggested_readings=(
            f"a reading of {above} counts or more (the digits without the point){_as_shown(above, table, scalings)}",
        ),
    )


def _as_shown(number: int, table: SampleMatrix, scalings: Sequence[Scaling]) -> str:
    """Return the number in the range of the greatest reading, as a display shows it: ``, as 81.92 µF``."""
    sample, scaling = max(
        ((sample, scaling) for sample, scaling in zip(table.samples, scalings, strict=True) if sample.is_number),
        key=lambda pair: pair[0].counts,
    )
    shown = number * scaling.scale if scaling.scale is not None else Decimal(number).scaleb(-(scaling.places or 0))
    return f", as {round(shown, sample.places)} {sample.displayed.unit}"


def _ends(found: "_Found", *, signed: bool) -> frozenset[int]:
    """Return the values at the ends of a field, which mean an overload or no number in many meters.

    For a signed field: the two greatest and the three least, which IEEE 11073-20601 reserves in its mantissas. For an
    unsigned field: all ones; of whole bytes, the highest sixteen, for the words of a display (common practice, no
    source). Empty if unchanged bits keep numbers from the ends; but unsigned bits that end with a byte are a field, and
    those above it may be another.
    """
    if signed:
        top = 1 << len(found.bits) - 1
        return frozenset({top - 1, top - 2, top, top + 1, top + 2}) if found.exercised == len(found.bits) - 1 else _NONE
    above = 1 << found.exercised
    if _ends_with_byte(found.bits[: found.exercised]):
        return frozenset(range(above - limits.RESERVED_AT_TOP, above))
    return frozenset({above - 1}) if found.exercised == len(found.bits) else _NONE


def _ends_with_byte(bits: "_Placed") -> bool:
    """Return whether bits fill whole bytes, at least two."""
    whole = {position // 8 for position, _ in bits}
    return len(whole) >= limits.FEWEST_BYTES_RESERVED and len(bits) == 8 * len(whole)


@dataclass(frozen=True, slots=True)
class _Found:
    bits: _Placed
    also: _Placed
    agreements: tuple[Code, ...]
    exercised: int = 0


def _most(table: SampleMatrix, values: Sequence[int]) -> int:
    """Return the greatest number for which the digits shown have room: 9999 for four digits, in the same unit."""
    room = [
        abs(value) // sample.counts * (10 ** len(sample.digit_text) - 1)
        for value, sample in zip(values, table.number_samples, strict=True)
        if sample.counts
    ]
    return max(room, default=0)


def _bit_sequences(table: SampleMatrix, values: Sequence[int]) -> list[int]:
    return [table.column_of([bool(value >> bit & 1) for value in values]) for bit in range(limits.WIDEST_SPAN)]


def _magnitude(table: SampleMatrix, values: Sequence[int], most: int) -> _Found | None:
    sequences = _bit_sequences(table, values)
    exercised = [bit for bit, sequence in enumerate(sequences) if sequence not in (0, table.number_mask)]
    return _located(table, sequences, exercised, len(set(values)), None, most.bit_length())


def _twos_complement(table: SampleMatrix, values: Sequence[int], most: int) -> _Found | None:
    sequences = _bit_sequences(table, values)
    sign = sequences[-1]
    exercised = [bit for bit, sequence in enumerate(sequences) if sequence not in (0, table.number_mask, sign)]
    return _located(table, sequences, exercised, len(set(values)), sign, most.bit_length())


def _located(
    table: SampleMatrix, sequences: list[int], exercised: list[int], different: int, sign: int | None, reach: int
) -> _Found | None:
    """Return the location of the bits: a run of neighbouring bits or, if no run fits, each bit for itself."""
    if not exercised:
        return None
    runs = [
        found for run in _runs(table, exercised[0], sequences) if (found := _run(table, run, sequences, sign, reach))
    ]
    evidence = len(exercised) * (different - 1) - log2(_WAYS * table.columns.bits)
    if not runs or evidence < limits.LEAST_EVIDENCE_BITS:
        return _scattered(table, sequences, exercised, different, sign)
    runs = table.prefer_unexempt(runs, lambda found: [position for position, _ in found.bits])
    # The bytes beside a number may hold it up: of two that are the same, one has fewer bits above the highest shown.
    first, *others = sorted(runs, key=lambda found: -len(found.bits))
    # A frame may hold the number twice (measured and on display hold, say): it is unknown which is shown, so they
    # must agree.
    twice = tuple(
        agreement_code([one, other])
        for second in others
        for one, other in zip(first.bits, second.bits, strict=False)
        if one[0] != other[0]
    )
    also = [pair for second in others for pair in (*second.bits, *second.also)]
    return _Found(first.bits, [*first.also, *also], (*first.agreements, *twice), first.exercised)


def _runs(table: SampleMatrix, anchor: int, sequences: list[int]) -> Iterator[_Run]:
    for position in range(table.columns.bits):
        if table.columns.inversion_of(position, sequences[anchor], table.number_mask) is None:
            continue
        mirrored = position ^ 7  # counts the bits of each byte from the other end
        for step in (1, -1):
            yield lambda bit, base=position, step=step: base + step * (bit - anchor)  # type: ignore[misc]
            yield lambda bit, base=mirrored, step=step: (base + step * (bit - anchor)) ^ 7  # type: ignore[misc]


def _run(table: SampleMatrix, run: _Run, sequences: list[int], sign: int | None, reach: int) -> _Found | None:
    bits: _Placed = []
    # A constant bit that is not always equal to the sign is below the sign, too.
    top = max(bit for bit, sequence in enumerate(sequences) if sequence != (sign or 0))
    for bit in range(top + 1):
        position = run(bit)
        if not 0 <= position < table.columns.bits:
            return None
        inverted = table.columns.inversion_of(position, sequences[bit], table.number_mask)
        if inverted is None:
            return None
        bits.append((position, inverted))
    if sign is None:
        return _widened(table, run, bits, reach)
    extension: _Placed = []
    for bit in range(top + 1, limits.WIDEST_SPAN):
        position = run(bit)
        if not 0 <= position < table.columns.bits:
            break
        inverted = table.columns.inversion_of(position, sign, table.number_mask)
        if inverted is None:
            break
        extension.append((position, inverted))
    if not extension:
        return None
    # Bits that always equalled the sign, over many readings of either sign, can only be higher bits of the number. They
    # are added as far as the digits shown have room. No reading shows the meaning of a higher bit that differs.
    negative = (sign & table.number_mask).bit_count()
    if log2(comb(table.number_mask.bit_count(), negative)) >= limits.LEAST_SIGN_EVIDENCE:
        more = max(0, min(len(extension) - 1, reach - len(bits)))
        bits, extension = [*bits, *extension[:more]], extension[more:]
    agreements = (agreement_code(extension),) if len(extension) > 1 else ()
    return _Found([*bits, *extension], [], agreements, len(bits))


def _widened(table: SampleMatrix, run: _Run, bits: _Placed, reach: int) -> _Found:
    """Return the bits with the bits above them that were 0 under every number.

    Bits are added as far as the digits shown have room (``reach`` bits), then whole bytes of zeros. They belong to the
    number or to something else, so they must stay 0.
    """
    dark: _Placed = []
    for bit in range(len(bits), limits.WIDEST_FIELD):
        position = run(bit)
        inside = 0 <= position < table.columns.bits
        begun = dark or bits
        new_byte = position // 8 != begun[-1][0] // 8
        if not inside or (bit >= reach and new_byte and not _all_zero(table, position)):
            break
        inverted = table.columns.inversion_of(position, 0, table.number_mask)
        if inverted is None:
            break
        dark.append((position, inverted))
    if not dark:
        return _Found(bits, [], (), len(bits))
    stay = Code(location_of_bits(list(reversed(dark))), ((0, Meaning()),))
    return _Found([*bits, *dark], [], (stay,), len(bits))


def _all_zero(table: SampleMatrix, position: int) -> bool:
    """Return whether the whole byte of ``position`` was 0 under every number."""
    first = position // 8 * 8
    return all(table.columns[one] & table.number_mask == 0 for one in range(first, first + 8))


def _scattered(
    table: SampleMatrix, sequences: list[int], exercised: list[int], different: int, sign: int | None
) -> _Found | None:
    """Return the location of bits in no order; every bit below the highest must have changed."""
    if exercised != list(range(len(exercised))) or any(one != (sign or 0) for one in sequences[len(exercised) :]):
        return None
    wanted = [*(sequences[bit] for bit in exercised), *([] if sign is None else [sign])]
    every = [table.matching_positions(sequence) for sequence in wanted]
    if not all(every):
        return None
    positions = [position for candidates in every for position, _ in candidates]
    evidence = len(wanted) * (different - 1 - log2(2 * table.columns.bits))
    if len(set(positions)) < len(positions) or evidence < limits.LEAST_EVIDENCE_BITS:
        return None
    beside = _beside_a_neighbour(every[: len(exercised)])
    if not all(bit in beside or _is_proven(bit, different, 2 * table.columns.bits) for bit in range(len(exercised))):
        return None
    return _Found(
        [candidates[0] for candidates in every],
        [pair for candidates in every for pair in candidates[1:]],
        tuple(agreement_code(candidates) for candidates in every if len(candidates) > 1),
        len(exercised),
    )


def _beside_a_neighbour(every: Sequence[_Placed]) -> set[int]:
    """Return the bits of the number whose place in a byte is next to that of the bit above or below.

    All of them run through their bytes in one direction: two of them in the other one have changed their places.
    """
    pairs = {
        step: {bit for bit in range(len(every) - 1) if _is_beside(every[bit], every[bit + 1], step)} for step in (1, -1)
    }
    low = max(pairs.values(), key=len)
    return low | {bit + 1 for bit in low}


def _is_beside(candidates: _Placed, others: _Placed, step: int) -> bool:
    return any(one // 8 == other // 8 and other - one == step for one, _ in candidates for other, _ in others)


def _is_proven(bit: int, different: int, positions: int) -> bool:
    """Return whether a bit of the number hardly follows its frame's bit by chance, of so many ``positions``.

    All bits together prove the number, but the true bit of one may be elsewhere, or not in the frame as it is. Where
    the last digit flickers, an entry fits either value of the lowest bit: so it may be with half of the entries.
    """
    evidence = (different - 1) / 2 if bit == 0 else different - 1
    return evidence - log2(positions) >= limits.LEAST_SIGN_EVIDENCE
