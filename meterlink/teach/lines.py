"""Meters that send lines of text: which of a line's numbers is the shown one, and what its words mean."""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterlink.captures import Packet
from meterlink.errors import InputError
from meterlink.profiles.lines import LineCutter
from meterlink.profiles.model import PREFIXES, Meaning, Text
from meterlink.profiles.written import NUMBER, is_overload, number_in
from meterlink.readings import Coupling, Status
from meterlink.teach.samples import Sample
from meterlink.units import BASE_UNIT, parse_unit

_ENDS = ("\r\n", "\n", "\r", ";", "")
_TEXT = 0.97  # of the bytes are printable or blanks; the first packet may be half a line
_BLANKS = re.compile(r"[\s,;:=]+")
_SIGN = re.compile(r"(?:(?<=[\s,;:=])|^)([+-])\s+(?=[0-9.])")
_NUMBER_AND_UNIT = re.compile(rf"({NUMBER})(.*)", re.DOTALL)
_COUPLINGS = {"AC": Coupling.AC, "DC": Coupling.DC}
_FEWEST = 3  # different numbers shown: characters speak for themselves, but one number may be any


@dataclass(frozen=True, slots=True)
class _Line:
    numbers: tuple[Decimal | Status, ...]
    words: tuple[str, ...]


def is_text(packets: Sequence[Packet]) -> bool:
    """Return whether what came on a channel is text."""
    data = b"".join(packet.data for packet in packets)
    printable = sum(0x20 <= byte < 0x7F or byte in b"\r\n\t" for byte in data)
    # µ, Ω and ° are two bytes in UTF-8.
    beyond = len(data) - len(data.decode("utf-8", "ignore").encode("ascii", "ignore"))
    return bool(data) and printable + beyond >= _TEXT * len(data)


def line_cuts(packets: Sequence[Packet]) -> Iterator[tuple[Text, tuple[tuple[float, bytes], ...]]]:
    """Yield the ways of cutting packets into lines, and the lines with their times."""
    data = b"".join(packet.data for packet in packets)
    for end in _ENDS:
        if end and data.count(end.encode()) < len(packets) / 20:
            continue
        text = Text(end=end)
        cutter = LineCutter(text)
        lines = tuple((packet.t, line) for packet in packets for line in cutter.feed(packet.data))
        if lines:
            yield text, lines


def texts(text: Text, samples: Sequence[Sample]) -> Iterator[Text]:
    """Yield what makes every sample's line say what was shown."""
    shown = [(sample, _read(sample.frame)) for sample in samples if not sample.shows.blank]
    numbered = [(sample, line) for sample, line in shown if sample.is_number]
    if len({sample.shows.digits for sample, _ in numbered}) < _FEWEST:
        return
    for number in range(1, min(len(line.numbers) for _, line in numbered) + 1):
        for in_base in (False, True):
            if all(_same(sample, line.numbers[number - 1], in_base=in_base) for sample, line in numbered):
                # A unit may be one word, or its prefix may stand apart.
                for apart in (False, True):
                    yield _worded(text, number, shown, in_base=in_base, apart=apart)


def _read(line: bytes) -> _Line:
    try:
        words = [word for word in _BLANKS.split(_SIGN.sub(r"\1", line.decode("utf-8").strip("\0 \t\r\n"))) if word]
    except UnicodeDecodeError:
        return _Line((), ())
    numbers: list[Decimal | Status] = []
    said = []
    for word in words:
        match = _NUMBER_AND_UNIT.fullmatch(word)
        if match is None:
            said.append(word)
            continue
        numbers.append(number_in(match[1]))
        if match[2]:
            said.append(match[2])
    return _Line(tuple(numbers), tuple(said))


def _same(sample: Sample, number: Decimal | Status, *, in_base: bool) -> bool:
    if isinstance(number, Status) or sample.shows.digits is None or (sample.prefix is None and in_base):
        return False
    return number == (sample.shows.digits.scaleb(sample.prefix or 0) if in_base else sample.shows.digits)


def _target(sample: Sample, *, in_base: bool) -> str:
    if in_base and sample.shows.quantity is not None:
        return BASE_UNIT[sample.shows.quantity]
    return sample.shows.unit


def _worded(text: Text, number: int, shown: Sequence[tuple[Sample, _Line]], *, in_base: bool, apart: bool) -> Text:
    """Return the text with the meaning of every word that was met."""
    named = [(sample, line, _target(sample, in_base=in_base)) for sample, line in shown]
    words = sorted({word for _, line in shown for word in line.words})
    units = {unit for _, _, unit in named if unit}
    usual = next(iter(units)) if len(units) == 1 else ""
    meanings: list[tuple[str, Meaning]] = []
    ignore = []
    for word in words:
        known = _usual_meaning(word)
        within = [(sample, unit) for sample, line, unit in named if word in line.words]
        there = {unit for _, unit in within if unit}
        couplings = {sample.shows.coupling for sample, _ in within}
        everywhere = len(within) == len(named)
        if is_overload(word) or re.fullmatch(r"-{2,}", word):
            continue
        if known is not None and known.unit and there == {known.unit}:
            continue
        if known is not None and known.coupling and couplings == {known.coupling}:
            continue
        meaning = Meaning(
            unit=_common_unit(there, apart=apart) if not everywhere or len(units) == 1 else "",
            prefix=_common_prefix(there, units) if apart else "",
            coupling=next(iter(couplings)) if len(couplings) == 1 and not everywhere else None,
        )
        if everywhere and len({sample.shows.coupling for sample, _, _ in named}) == 1:
            meaning = Meaning(meaning.unit, meaning.prefix, next(iter(couplings)))
        if meaning == Meaning():
            ignore.append(word)
        else:
            meanings.append((word, meaning))
    return Text(end=text.end, number=number, unit=usual, words=tuple(meanings), ignore=tuple(ignore))


def _usual_meaning(word: str) -> Meaning | None:
    if word in _COUPLINGS:
        return Meaning(coupling=_COUPLINGS[word])
    try:
        return Meaning(unit=parse_unit(word))
    except InputError:
        return None


def _parts(unit: str) -> tuple[str, str]:
    return (unit[0], unit[1:]) if len(unit) > 1 and unit[0] in PREFIXES else ("", unit)


def _common_unit(units: set[str], *, apart: bool) -> str:
    """Return the unit all share, or with ``apart`` what stands behind their prefixes; empty for none."""
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
