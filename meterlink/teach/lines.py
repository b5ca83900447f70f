"""Meters that send lines of text: which of a line's numbers is the shown one, and the meaning of its words."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise, product
from typing import Literal

from meterlink.capture.capture_file import CapturedPacket
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.core.text import clean_text
from meterlink.core.units import BASE_UNIT
from meterlink.profiles.lines import LineParser, LineSplitter, usual_meaning
from meterlink.profiles.model import LONGEST_PAUSE, UNIT_PREFIXES, Flag, Meaning, NumberForm, TextFormat
from meterlink.profiles.number_text import is_blank, is_overload, number_form_of, parse_number_text
from meterlink.profiles.tokens import NUMBER_AND_UNIT, blank_out_checksums, compile_tokenizer
from meterlink.teach import limits
from meterlink.teach.checksums import find_line_checksum
from meterlink.teach.lines_before import find_lines_before
from meterlink.teach.samples import Sample
from meterlink.teach.unexplained import ContradictedWordError, UnexplainedError

_ENDS = ("\r\n", "\n", "\r", ";", "")
_LATIN_BYTES = (b"\xb5", b"\xb0")  # µ and ° in ISO 8859-1
_MARKS = "{}[]()<>\"'|#*/_"  # marks that separate words in some meters' lines and belong to words in others' (m/s)
_FLAGS: dict[Flag, Callable[[Sample], bool]] = {
    Flag.OVERLOAD: lambda sample: sample.displayed.overload,
    Flag.LOW_BATTERY: lambda sample: "low_battery" in sample.displayed.flags,
    Flag.HOLD: lambda sample: "hold" in sample.displayed.flags,
    Flag.RELATIVE: lambda sample: "relative" in sample.displayed.flags,
}
_LONGEST_WORD = 20  # characters of a word that a sentence names
_TAILS = "a line that lost its beginning would look like a whole one with another number"


@dataclass(frozen=True, slots=True)
class _Line:
    """The numbers of a line, the word directly behind each number (empty for none), and all words."""

    numbers: tuple[Decimal | Status, ...]
    units: tuple[str, ...]
    words: tuple[str, ...]


def is_text(packets: Sequence[CapturedPacket]) -> bool:
    """Return whether the packets of a channel are text."""
    data = b"".join(packet.data for packet in packets)
    printable = sum(0x20 <= byte < 0x7F or byte in b"\r\n\t" for byte in data)
    if text_encoding(data) == "latin-1":
        beyond = sum(map(data.count, _LATIN_BYTES))
    else:
        # µ, Ω and ° are two bytes in UTF-8.
        beyond = len(data) - len(data.decode("utf-8", "ignore").encode("ascii", "ignore"))
    return bool(data) and printable + beyond >= limits.NEARLY_ALL * len(data)


def text_encoding(data: bytes) -> Literal["utf-8", "latin-1"]:
    """Return the encoding of text with units: in ISO 8859-1, µ and ° are one byte each, and never a part of another."""
    decoded = data.decode("utf-8", "surrogateescape")
    alone = sum(decoded.count(chr(0xDC00 + byte[0])) for byte in _LATIN_BYTES)
    return "latin-1" if alone > sum(map(decoded.count, "µ°μ")) else "utf-8"


def line_candidates(packets: Sequence[CapturedPacket]) -> Iterator[tuple[TextFormat, tuple[tuple[float, bytes], ...]]]:
    """Yield ``(text format, lines)`` for each way to cut packets into lines; a line is ``(seconds, bytes)``.

    The format includes the checksum of the lines, if they have one.
    """
    data = b"".join(packet.data for packet in packets)
    for end in _ENDS:
        text = TextFormat(end=end, encoding=text_encoding(data))
        cutter = LineSplitter(text)
        lines = tuple(
            (packet.seconds, line)
            for packet in packets
            for line in cutter.feed(packet.data, round(packet.seconds * 1e9))[0]
        )
        if lines:
            check = find_line_checksum([line for _, line in lines])
            yield replace(_in_packets(text, packets), checksums=(check,) if check is not None else ()), lines


def _in_packets(text: TextFormat, packets: Sequence[CapturedPacket]) -> TextFormat:
    """Return the format with the keys that say how its lines come in packets."""
    end = text.end.encode()
    if not end:
        return text
    counts: Counter[int] = Counter()
    waits: list[float] = []
    times: list[float] = []  # of the packets of the present line
    buffer, begun_inside = b"", 0  # the lines that begin in one packet with the end of another
    for packet in packets:
        *lines, tail = (buffer + packet.data).split(end)
        begun_inside += len(lines) - (not tail)
        times.append(packet.seconds)
        for _ in lines:
            counts[len(times)] += 1
            waits += [after - before for before, after in pairwise(times)]
            times = [packet.seconds]
        times = times if tail else []
        buffer = tail
    ((count, lines_so),) = counts.most_common(1) or [(1, 0)]
    usual = sorted(waits)[: max(1, round(limits.NEARLY_ALL * len(waits)))]
    pause = round(limits.SLACK_OF_PAUSES * usual[-1] + limits.LEAST_PAUSE_SECONDS, 2) if usual else LONGEST_PAUSE
    constant = lines_so >= limits.NEARLY_ALL * counts.total()
    return replace(
        text,
        pause=min(pause, LONGEST_PAUSE),
        packets=count if constant else None,
        continued=not constant and begun_inside >= limits.LEAST_SHARE_JOINED * counts.total(),
    )


def text_formats(
    text_format: TextFormat, samples: Sequence[Sample], lines: Sequence[tuple[float, bytes]]
) -> Iterator[TextFormat]:
    """Yield the text formats under which every sample's line gives the shown value, and a line of other shape none.

    ``lines`` are all ``(seconds, line)`` of the recording: they show how the number is written.

    Raises:
        UnexplainedError: the lines come in packets in such a way that a lost one would make a wrong number.
    """
    every = [line for _, line in lines]
    for found in _worded_formats(text_format, samples):
        strict = _strict(found, samples, every)
        strict = replace(strict, lines_before=find_lines_before(strict, samples, lines))
        # Where packets end anywhere in a line, a number of any length that lost some digits looks like another.
        if strict.continued and strict.number.digits is None and not strict.checksums:
            raise UnexplainedError(_TAILS)
        if strict.packets is None and _tails_look_whole(strict, every):
            if not strict.continued:
                raise UnexplainedError(_TAILS)
            yield strict
        else:
            yield replace(strict, continued=False)


def _tails_look_whole(text: TextFormat, lines: Sequence[bytes]) -> bool:
    """Return whether lines without their first bytes are read as other numbers: a lost packet would make one."""
    parser = LineParser(text)

    def digits_of(line: bytes) -> Decimal | None:
        return parser.parse_line(line, "", Timestamp(0, 0), []).digits

    return any(
        digits_of(line[at:]) not in {None, digits_of(line)}
        for line in list(dict.fromkeys(lines))[: limits.MOST_TAILS]
        for at in range(1, len(line))
    )


def _strict(text: TextFormat, samples: Sequence[Sample], every: Sequence[bytes]) -> TextFormat:
    """Return the format for words and shapes of lines with an entry only, and for numbers in the form of all lines."""
    text = replace(text, known_words_only=True)
    shape_of = LineParser(text).shape_of
    shapes = {shape_of(sample.frame)[0] for sample in samples} - {""}
    numbered = [sample.frame for sample in samples if sample.is_number]
    shapes_of_numbers = {shape_of(line)[0] for line in numbered}
    values = Counter[str]()
    for line in every:
        shape, value, unknown = shape_of(line)
        values[value] += shape in shapes_of_numbers and not unknown and isinstance(parse_number_text(value), Decimal)
    for line in numbered:
        values[shape_of(line)[1]] += limits.FEWEST_ALIKE
    values = +values  # without those that no line has
    return replace(
        text,
        shapes=tuple(sorted(shapes)),
        number=_number_form(values, split=text.packets is None),
        fixed_numbers=_fixed_numbers(text, numbered),
        same_numbers=_same_numbers(text, numbered),
        unit_words=_unit_words(text, samples),
    )


def _unit_words(text: TextFormat, samples: Sequence[Sample]) -> tuple[tuple[str, ...], ...]:
    """Return the sets of words by which lines tell their unit; none if one word alone always does.

    Where two words always came together, each of them may have the meaning of both.
    """
    words_of = LineParser(text).unit_words_of
    found = {words_of(sample.frame) for sample in samples if not sample.displayed.blank}
    return tuple(sorted(found)) if any(len(words) > 1 for words in found) else ()


def _fixed_numbers(text: TextFormat, numbered: Sequence[bytes]) -> tuple[tuple[int, str], ...]:
    """Return the whole numbers beside the value that all lines with a number have in common.

    Digits that never changed may stand for a state, such as a display hold. A measured value that did not change has
    decimals.
    """
    others_of = LineParser(text).other_numbers
    common = set(others_of(numbered[0]).items())
    for line in numbered[1:]:
        common &= others_of(line).items()
    return tuple(sorted((position, number) for position, number in common if number.isdecimal()))


def _same_numbers(text: TextFormat, numbered: Sequence[bytes]) -> tuple[int, ...]:
    """Return the positions of numbers that all lines write as the value: which one is shown under a hold is unknown."""
    parser = LineParser(text)
    rows = [(parser.other_numbers(line), parser.shape_of(line)[1]) for line in numbered]
    return tuple(position for position in sorted(rows[0][0]) if all(row.get(position) == value for row, value in rows))


def _number_form(values: Counter[str], *, split: bool) -> NumberForm:
    """Return the form that numbers have in common; ``values`` counts their texts.

    Numbers of 100.0 to 120.0 do not show that a number always has four digits: that takes a point that moves, or a zero
    before others. Where lines are ``split`` anywhere, a number with a lost beginning shows only by its digits, so four
    digits are demanded all the same.
    """
    forms = Counter[tuple[str, int, int, bool]]()
    for value, times in values.items():
        forms[number_form_of(value)] += times
    # A form seen once or twice without an entry may be the rest of a line that lost a packet.
    usual = [form for form, times in forms.items() if times >= limits.FEWEST_ALIKE]
    signs, digits, exponents = {form[0] for form in usual}, {form[1] for form in usual}, {form[2] for form in usual}
    sign: Literal["always", "minus"] | None = None
    if "+" not in signs:
        sign = "minus"
    elif "" not in signs:
        sign = "always"
    bare = [value.lstrip("+-") for value in values if number_form_of(value) in usual]
    points = {value.find(".") for value in bare}
    padded = any(len(value) > 1 and value[0] == "0" and value[1].isdigit() for value in bare)
    return NumberForm(
        sign,
        digits.pop() if len(digits) == 1 and (split or padded or len(points) > 1) else None,
        exponents.pop() if len(exponents) == 1 else None,
        all(form[3] for form in usual),
    )


def _worded_formats(text_format: TextFormat, samples: Sequence[Sample]) -> Iterator[TextFormat]:
    """Yield the text formats under which every sample's line gives the shown value.

    Raises:
        ContradictedWordError: there is none, because a word of the lines contradicts the entries.
    """
    contradiction: ContradictedWordError | None = None
    found = False
    lines = [sample for sample in samples if not sample.displayed.blank]
    if len({sample.displayed.digits for sample in lines if sample.is_number}) < limits.FEWEST_ALIKE:
        return
    # If blanks and commas do not separate the words, marks in the lines may, and so may the beginning of a number.
    marks = "".join(mark for mark in _MARKS if any(mark.encode() in sample.frame for sample in lines))
    commas = (False, True) if any(b"," in sample.frame for sample in lines) else (False,)
    for comma, separators, glued in product(commas, dict.fromkeys(("", marks)), (False, True)):
        parted = replace(text_format, separators=separators, split_before_number=glued, decimal_comma=comma)
        read = _reader(parted)
        shown = [(sample, read(sample.frame)) for sample in lines]
        numbered = [(sample, line) for sample, line in shown if sample.is_number]
        for number in range(1, min(len(line.numbers) for _, line in numbered) + 1):
            for in_base in (False, True):
                if all(_same(sample, line.numbers[number - 1], in_base=in_base) for sample, line in numbered):
                    # A unit may be one word, or its prefix may be a word of its own.
                    for apart in (False, True):
                        try:
                            worded = _worded(replace(parted, value_number=number), shown, in_base=in_base, apart=apart)
                        except ContradictedWordError as error:
                            contradiction = error
                            continue
                        found = True
                        yield worded
    if contradiction is not None and not found:
        raise contradiction


def unknown_words(text_format: TextFormat, lines: Sequence[tuple[float, bytes]]) -> list[str]:
    """Return the words of ``lines`` without a meaning in ``text_format``, the most frequent first, safe to print."""
    read = _reader(text_format)
    before = {word for lines_before in text_format.lines_before for line in lines_before for word in line.split()}
    known = text_format.known_words | before
    met = Counter(word for _, line in lines for word in dict.fromkeys(read(line).words) if word not in known)
    return [
        clean_text(word, _LONGEST_WORD)
        for word, times in met.most_common()
        if times >= limits.FEWEST_ALIKE and not _told_by_itself(word)
    ]


def _told_by_itself(word: str) -> bool:
    return is_overload(word) or is_blank(word) or usual_meaning(word) is not None


def _reader(text: TextFormat) -> Callable[[bytes], _Line]:
    words = compile_tokenizer(text)

    def read(line: bytes) -> _Line:
        numbers: list[Decimal | Status] = []
        units: list[str] = []
        said = []
        after_number = False
        for word in words(blank_out_checksums(line, text.checksums)).words:
            match = NUMBER_AND_UNIT.fullmatch(word)
            if match is None:
                said.append(word)
                if after_number:
                    units[-1] = word
                after_number = False
                continue
            numbers.append(parse_number_text(match[1]))
            units.append(match[2])
            after_number = not match[2]
            if match[2]:
                said.append(match[2])
        return _Line(tuple(numbers), tuple(units), tuple(said))

    return read


def _same(sample: Sample, number: Decimal | Status, *, in_base: bool) -> bool:
    """Return whether a number is the one shown, or has more digits and rounds to it."""
    if isinstance(number, Status) or sample.displayed.digits is None or (sample.prefix is None and in_base):
        return False
    shown = sample.displayed.digits.scaleb(sample.prefix or 0) if in_base else sample.displayed.digits
    step = Decimal(1).scaleb((sample.prefix or 0) * in_base - sample.places)
    finer = number.as_tuple().exponent < step.as_tuple().exponent  # type: ignore[operator]  # numbers are finite
    return number == shown or (finer and 2 * abs(number - shown) <= step)


def _target(sample: Sample, *, in_base: bool) -> str:
    if in_base and sample.displayed.quantity is not None:
        return BASE_UNIT[sample.displayed.quantity]
    return sample.displayed.unit


def _worded(text: TextFormat, shown: Sequence[tuple[Sample, _Line]], *, in_base: bool, apart: bool) -> TextFormat:
    """Return the text format with the meaning of every word in the lines."""
    named = [(sample, line, _target(sample, in_base=in_base)) for sample, line in shown]
    units = {unit for _, _, unit in named if unit}
    couplings = {sample.displayed.coupling for sample, _ in shown}
    counts = {len(line.numbers) for sample, line in shown if sample.is_number}
    meanings: list[tuple[str, Meaning]] = []
    ignore = []
    for word in sorted({word for _, line in shown for word in line.words}):
        if is_overload(word) or is_blank(word):
            continue
        meaning = _flag(word, shown) or _said(word, named, units, text.value_number, apart=apart)
        if meaning == Meaning():
            ignore.append(word)
        else:
            meanings.append((word, meaning))
    # A unit that words tell is not assumed where they are missing.
    telling = {word for word, meaning in meanings if meaning.unit}
    told = all(not telling.isdisjoint(line.words) for sample, line in shown if sample.is_number)
    return replace(
        text,
        number_count=counts.pop() if len(counts) == 1 else None,
        unit=next(iter(units)) if len(units) == 1 and not told else "",
        coupling=next(iter(couplings)) if len(couplings) == 1 else None,
        words=tuple(meanings),
        ignore=tuple(ignore),
    )


def _flag(word: str, shown: Sequence[tuple[Sample, _Line]]) -> Meaning | None:
    """Return the flag of a word that is in exactly the lines in which the display showed the flag; None for none."""
    there = [word in line.words for _, line in shown]
    for flag, lit in _FLAGS.items():
        if any(there) and there == [lit(sample) for sample, _ in shown]:
            return Meaning(flag=flag)
    return None


def _said(
    word: str, named: Sequence[tuple[Sample, _Line, str]], units: set[str], number: int, *, apart: bool
) -> Meaning:  # fmt: skip
    """Return the meaning of a word for unit and coupling: its usual one where no entry contradicts it.

    Raises:
        ContradictedWordError: the word states another prefix than all entries: values would be wrong by powers of ten.
    """
    known = usual_meaning(word)
    states_unit = known is not None and known.unit != ""
    lines = [one for one in named if word in one[1].words and not (states_unit and _is_beside(word, number, *one[:2]))]
    if not lines:
        return Meaning()  # the unit of another number
    within = [(sample, unit) for sample, _, unit in lines]
    there = {unit for _, unit in within if unit}
    if known is not None and len(there) == 1 and _other_prefix(known.unit, *there):
        said = clean_text(word, _LONGEST_WORD)
        raise ContradictedWordError(f"the lines say {said} where the entries say {next(iter(there))}")
    couplings = {sample.displayed.coupling for sample, _ in within}
    # A word that states a coupling is usual only where the display shows that coupling, or none.
    contradicted = known is not None and known.coupling is not None and not couplings <= {known.coupling, None}
    if known is not None and known.unit and there == {known.unit} and not contradicted:
        return known
    if known is not None and not known.unit and not contradicted:
        return known
    everywhere = len(within) == len(named)
    # Where the unit stands behind the number, a word in every line does not tell it.
    told = everywhere and _unit_is_behind(named, number)
    # A letter for the function may look like another unit (V beside mV): that does not prove this meaning.
    told |= states_unit and known is not None and known.unit not in there and _unit_is_behind(lines, number)
    return Meaning(
        unit=_common_unit(there, apart=apart) if (not everywhere or len(units) == 1) and not told else "",
        prefix=_common_prefix(there, units) if apart else "",
        coupling=next(iter(couplings)) if len(couplings) == 1 and (contradicted or not everywhere) else None,
    )


def _other_prefix(stated: str, shown: str) -> bool:
    """Return whether a stated unit has a prefix, and the shown one another or none; mohm may be written for MΩ."""
    prefix, unit = _parts(stated)
    return prefix != "" and _parts(shown)[1] == unit and stated.lower() != shown.lower()


def _is_beside(word: str, number: int, sample: Sample, line: _Line) -> bool:
    """Return whether a word of a line is there only as the unit of another number than ``number``, counted from 1.

    A line with a word for an overload in the place of that number has one number less.
    """
    others = [unit for place, unit in enumerate(line.units, 1) if place != number or not sample.is_number]
    return line.words.count(word) == others.count(word)


def _unit_is_behind(named: Sequence[tuple[Sample, _Line, str]], number: int) -> bool:
    """Return whether the unit that the display showed is always the word behind the number."""
    behind = [(usual_meaning(line.units[number - 1]), unit) for sample, line, unit in named if sample.is_number]
    return all(meaning is not None and meaning.unit == unit for meaning, unit in behind)


def _parts(unit: str) -> tuple[str, str]:
    return (unit[0], unit[1:]) if len(unit) > 1 and unit[0] in UNIT_PREFIXES else ("", unit)


def _common_unit(units: set[str], *, apart: bool) -> str:
    """Return the unit that all share, or with ``apart`` the unit behind their prefixes; empty for none."""
    if len(units) == 1:
        return next(iter(units))
    if not apart:
        return ""
    behind = {_parts(unit)[1] for unit in units}
    return next(iter(behind)) if len(behind) == 1 else ""


def _common_prefix(units: set[str], every: set[str]) -> str:
    prefixes = Counter(_parts(unit)[0] for unit in units)
    if len(units) > 1 and len(prefixes) == 1 and len(every) > len(units):
        return next(iter(prefixes))
    return ""
