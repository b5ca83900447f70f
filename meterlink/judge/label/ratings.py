"""Ratings of run and start capacitors as written on the part: ``45+7.5 MFD ±6% 440 VAC 50/60 Hz``.

A text with one possible meaning is read; any other raises a question that lists its meanings. The rules:

- A unit belongs to the number before it, and to the numbers that a ``/``, ``+``, ``-`` or ``to`` joins to that number.
  The units tell the slashes in ``45/5 uF``, ``370/440 V`` and ``50/60 Hz`` apart.
- Two values in µF: ``+`` makes them the sections of a dual capacitor, ``to`` a marked range. ``-`` is a range where the
  second is above the first by at most half (88-106). ``/``, or ``-`` with the larger first, makes sections where one is
  at least twice the other (45/5). Any other pair raises a question, and so does a range with 370 V or more.
- The larger section is HERM, the smaller FAN (common practice, no source); so are two values beside those words.
- J is the IEC 60062 tolerance letter after a unit, K and M are after a unit of capacitance or a tolerance; elsewhere
  they raise a question. N, Q, S, T and Z raise one after a unit. No motor capacitor has the tolerances of the other
  letters: here they are terminals and classes.
- A number without a unit raises a question, unless the caller gives the unit. So does a code: letters and digits.
- Words without digits, and the marks of `meterlink.judge.label.marks`, are not values: they are listed in
  ``unused_words``, as are DC volts. Any other remaining text raises a question.
- So does a number that is on no part (455 MFD at 440 V, 45 MFD 340 V, 40.5 MFD), where one change makes the rating a
  usual one: the question offers the text as printed, and each rating that is one change away
  (`meterlink.judge.label.corrected`). ``as printed`` in the text says that its numbers are right.
- So does a value above 20 µF of a fan alone: the label names FAN, and no compressor (75 MFD FAN is a worn 7.5). So do
  volts with a question mark behind them (400? V): as typed, the usual ones one glyph away, or none.
- Where no reading has volts and plausible numbers and uses every number, the question offers those ratings as well
  (440 MFD 40 VAC). An unreadable sign in the place of a section is refused.
- An M apart from its unit raises a question on a run capacitor: ±20 % is on no usual one.
- Every question offers the rating as printed: the reading that takes no number for misread, and leaves out the fewest.
  A text without such a reading is refused, so that the person types it again. The other choices have usual values, or
  leave out the unexplained number.
"""

import re
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from typing import NamedTuple

from meterlink.core.errors import InputError
from meterlink.core.questions import Choice, OpenQuestionError, Question
from meterlink.core.units import Quantity, quantity_of
from meterlink.judge.judging import format_decimal
from meterlink.judge.label.corrected import correct
from meterlink.judge.label.parser import parse_label
from meterlink.judge.label.rated_part import AS_PRINTED, RatedPart
from meterlink.judge.label.sections import RATING_EXAMPLE, is_fan_alone
from meterlink.judge.label.spelling import normalize_label
from meterlink.judge.label.tokens import MAX_LABEL_LENGTH
from meterlink.judge.label.unclear import UnclearLabelError
from meterlink.judge.label.usual_values import (
    LARGEST_FAN,
    LARGEST_PERCENT,
    SPELLED_FANS,
    SPELLED_SINGLES,
    USUAL_MICROFARADS,
    CapacitorKind,
    is_odd_pair,
    is_rarely_made,
    is_usual_marked_range,
)

_AS_PRINTED = re.compile(rf"\b{AS_PRINTED}\b", re.IGNORECASE)
# A bare number, also with letters for digits, that may be a value: not a longer one, one in a code, or one with a unit,
# which is asked about.
_SHORT_NUMBER = re.compile(r"(?<![0-9A-Za-z.])[0-9OIlSBZGQDA]{1,3}(?![0-9A-Za-z]|\s*(?:V|%))")
# Parts whose numbers are no capacitance where neither a unit nor the part's name says so.
_OTHER_PART = re.compile(r"\b(?:TRANSFORMER|XFMR|CONTACTOR|RELAY|COIL|BREAKER|FUSE|THERMOSTAT|VALVE)\b", re.IGNORECASE)
_CAPACITOR = re.compile(r"M\.?F|[uµnp]F|FARAD|CAP|KONDENS|CONDENS", re.IGNORECASE)
_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)*")
_RANGE = re.compile(r"[0-9]\s*(?:-|\.\.+|…|to)\s*[0-9]", re.IGNORECASE)
_DEEPEST = 6  # unclear places that one choice settles; a label with more must be typed again
_MOST_PARSED = 300  # texts tried for one question, which bounds its time
_WIDEST_TOLERANCE = Decimal("0.2")  # of the value, IEC 60062: M, the widest letter on motor capacitors
_FOUND_FIRST = 3  # of the readings without a correction, before those with one
_MOST_CHOICES = 6  # a longer list is no help


class _Reading(NamedTuple):
    """A part, the words of the text that it leaves out, and the numbers that are read otherwise than they stand.

    ``is_corrected``: something is taken for read wrongly: a digit, a sign, a unit.
    """

    part: RatedPart
    left_out: tuple[str, ...]
    replaced: tuple[str, ...] = ()
    is_corrected: bool = False


def read_label(
    text: str, *, kind: CapacitorKind | None = None, unit: str | None = None
) -> RatedPart | Question[RatedPart]:
    """Return the part that the label ``text`` describes, or a question if it has several meanings.

    ``kind`` is the known kind of the part; ``unit`` (of capacitance) applies to the first value without a unit. The key
    of a choice is a spelling of its rating that is read without a question.

    Raises:
        InputError: the text is not a rating, or ``unit`` is not a unit of capacitance.
    """
    given, is_confirmed = _AS_PRINTED.subn("", normalize_label(text[: MAX_LABEL_LENGTH + 1]))
    _check_text(text, given, unit)
    is_fan = is_fan_alone(given)
    search = _Search(kind, unit, is_fan=is_fan)
    try:
        part = parse_label(given, kind, unit)
    except UnclearLabelError as unclear:
        why = unclear.reason
        found = list(search.readings(given, unclear, (), _DEEPEST))
        if not any(map(_is_complete, found)):
            corrected = [reading for reading in _corrected(given, kind, needs_farad=not found) if reading.part.volts]
            found = [*found[:_FOUND_FIRST], *corrected, *found[_FOUND_FIRST:]]
            search.is_ordered = search.is_ordered and not corrected
    else:
        is_large = is_fan and _is_large_for_fan(part)
        if is_confirmed or (part.is_plausible and not is_large):
            return part
        spelled = str(part).removesuffix(AS_PRINTED).strip()
        usual_part = f"usual part for a fan alone, up to {LARGEST_FAN} µF" if is_large else "usual part"
        why = f"{spelled!r} is on no {usual_part}: is a digit or a sign read wrongly?"
        singles = SPELLED_FANS if is_large else SPELLED_SINGLES
        text_with_unit = given if unit is None else spelled
        found = [_Reading(part, ()), *_corrected(text_with_unit, kind, needs_farad=True, singles=singles)]
        search.is_ordered = False
    readings = _offered_readings(found)
    if not readings:
        raise InputError(f"{text.strip()!r}: {why}", _how_to_write(given))
    choices = tuple(Choice(str(reading.part), _words(reading), reading.part) for reading in readings)
    usual = choices[0].key if search.is_ordered and choices[0].conclusion.is_plausible else None
    return Question(f"{text.strip()!r}: {why}", choices, usual)


def _how_to_write(given: str) -> str:
    if _RANGE.search(given):
        return f"Write both numbers of a range with the unit: 88-106 uF 250 V. Another rating: {RATING_EXAMPLE}."
    return f"Write the rating as {RATING_EXAMPLE}."


def _check_text(text: str, given: str, unit: str | None) -> None:
    """Refuse a text that is no rating at sight; ``given`` is its normalized spelling.

    Raises:
        InputError: it is too long, or of another part; or ``unit`` is not a unit of capacitance.
    """
    if unit is not None and quantity_of(unit) is not Quantity.CAPACITANCE:
        raise InputError(f"{unit!r} is not a unit of capacitance.", "Use µF.")
    if len(text) > MAX_LABEL_LENGTH:
        raise InputError(f"{text[:20]!r}… is longer than any rating.", f"Write only the rating: {RATING_EXAMPLE}.")
    if unit is None and _OTHER_PART.search(given) and not _CAPACITOR.search(given):
        raise InputError(f"{text.strip()!r} names no capacitance.", f"Write the rating as {RATING_EXAMPLE}.")


def parse_rating(text: str, *, kind: CapacitorKind | None = None, unit: str | None = None) -> RatedPart:
    """Return the part that the label ``text`` describes, for a caller who cannot ask.

    ``kind`` is the known kind of the part; ``unit`` (of capacitance) applies to the first value without a unit.

    Raises:
        OpenQuestionError: the text has several meanings, or its meaning needs an assumption.
        InputError: the text is not a rating, or ``unit`` is not a unit of capacitance.
    """
    result = read_label(text, kind=kind, unit=unit)
    if isinstance(result, Question):
        raise OpenQuestionError(result)
    return result


def describe_part(part: RatedPart) -> str:
    """Return a rating in words: ``dual run capacitor, HERM 45 µF, FAN 5 µF, ±6 %, up to 440 V``."""
    kind = f"{part.kind} capacitor" if part.kind else "capacitor"
    if part.marked_range is not None:
        words = [kind, f"marked {part.marked_range}"]
    elif len(part.sections) == 2:
        words = [
            f"dual {kind}",
            *(f"{name} {value}" for name, value in zip(part.section_names, part.sections, strict=True)),
        ]
    else:
        words = [kind, str(part.sections[0])]
    if part.tolerance is not None:
        words.append(str(part.tolerance))
    if part.max_volts is not None:
        words.append(f"up to {format_decimal(part.max_volts)} V")
    if part.hertz:
        words.append("/".join(map(format_decimal, part.hertz)) + " Hz")
    return ", ".join(words)


def _words(reading: _Reading) -> str:
    left_out, replaced = (" and ".join(map(repr, words)) for words in (reading.left_out, reading.replaced))
    without = f"; leave {left_out} out" if left_out else ""
    return describe_part(reading.part) + (f"; {replaced} read wrongly" if replaced else "") + without


class _Search:
    """The search for the readings of an unclear text: each alternative is put in its place, and the new text is read.

    ``is_fan``: the text names a fan, and no compressor. ``is_ordered``: everywhere the most usual alternative came
    first, so the first reading is the usual one.
    """

    def __init__(self, kind: CapacitorKind | None, unit: str | None, *, is_fan: bool) -> None:
        self.kind = kind
        self.unit = unit
        self.is_fan = is_fan
        self.parsed = 0
        self.is_ordered = True

    def readings(
        self, text: str, unclear: UnclearLabelError, left_out: tuple[str, ...], depth: int
    ) -> Iterator[_Reading]:
        """Yield the readings of ``text`` in the order of its alternatives; ``left_out`` are the words already lost."""
        self.is_ordered = self.is_ordered and unclear.is_ordered
        for alternative in unclear.alternatives:
            if self.parsed == _MOST_PARSED:
                return
            self.parsed += 1
            settled = text[: unclear.start] + alternative.text + text[unclear.end :]
            without = left_out + alternative.left_out
            try:
                part = parse_label(settled, self.kind, self.unit)
            except UnclearLabelError as next_unclear:
                if depth:
                    yield from self.readings(settled, next_unclear, without, depth - 1)
            except InputError:
                continue
            else:
                yield _Reading(replace(part, unused_words=part.unused_words + without), without)
                most = USUAL_MICROFARADS[CapacitorKind.RUN][1]
                is_large = not part.is_plausible and len(part.sections) == 1 and part.sections[0].digits > most
                is_fan = self.is_fan and _is_large_for_fan(part)
                singles = SPELLED_FANS if is_fan else SPELLED_SINGLES
                if is_large or is_fan:  # 125 MFD, 75 MFD FAN
                    self.is_ordered = False
                    for corrected in _corrected(settled, self.kind, needs_farad=True, singles=singles):
                        if not corrected.left_out:
                            unused = tuple(dict.fromkeys((*corrected.part.unused_words, *without)))
                            yield corrected._replace(
                                part=replace(corrected.part, unused_words=unused), left_out=without
                            )


def _offered_readings(readings: list[_Reading]) -> list[_Reading]:
    """Return the readings to offer, each rating once: the printed ones and the usual ones, at most `_MOST_CHOICES`.

    Without a printed reading nothing is offered. The reading that leaves out most words is always kept: it is right
    where the numbers belong to something else.
    """
    by_rating: dict[str, _Reading] = {}
    for reading in readings:
        by_rating.setdefault(str(reading.part), reading)
    distinct = list(by_rating.values())
    printed = _printed_readings(distinct)
    if not printed:
        return []
    unusual = [_unusual_values(reading.part) for reading in distinct]
    usual = [reading for reading, count in zip(distinct, unusual, strict=True) if count == min(unusual)]
    # A wrong rating among the choices is a wrong verdict where the right one is missing.
    offered = usual if any(reading in usual for reading in printed) else [*printed[:_FOUND_FIRST], *usual]
    if len(offered) <= _MOST_CHOICES:
        return offered
    barest = max(offered, key=lambda reading: len(reading.left_out))
    last = [barest] if barest.left_out else []
    first_printed = next(reading for reading in offered if reading in printed)
    wanted = last if first_printed in last else [first_printed, *last]
    others = [reading for reading in offered if reading not in wanted]
    kept = [*wanted, *others[: _MOST_CHOICES - len(wanted)]]
    return sorted(kept, key=lambda reading: (reading in last, offered.index(reading)))


def _printed_readings(readings: list[_Reading]) -> list[_Reading]:
    """Return the readings that take nothing for read wrongly, and leave the fewest numbers out."""
    as_printed = [(_numbers_left_out(reading), reading) for reading in readings if not reading.is_corrected]
    fewest = min((count for count, _ in as_printed), default=0)
    return [reading for count, reading in as_printed if count == fewest]


def _numbers_left_out(reading: _Reading) -> int:
    return len(_NUMBER.findall(" ".join(reading.left_out)))


def _is_complete(reading: _Reading) -> bool:
    """Return whether a reading has volts, plausible values, and leaves nothing out that may be a value."""
    part = reading.part
    return (
        part.is_plausible
        and bool(part.volts)
        and not reading.is_corrected
        and not _unusual_values(part)
        and not _SHORT_NUMBER.search(" ".join(reading.left_out))
    )


def _is_large_for_fan(part: RatedPart) -> bool:
    """Return whether a part is no start capacitor, and has one value, larger than those for a fan alone."""
    is_single_run = len(part.sections) == 1 and part.kind is not CapacitorKind.START
    return is_single_run and part.sections[0].digits > LARGEST_FAN


def _corrected(
    text: str, kind: CapacitorKind | None, *, needs_farad: bool, singles: frozenset[str] = SPELLED_SINGLES
) -> Iterator[_Reading]:
    for rating, replaced, left_out, marks in correct(text, kind, needs_farad=needs_farad, singles=singles):
        try:
            part = parse_label(rating, kind, None)
        except (UnclearLabelError, InputError):
            continue
        yield _Reading(
            replace(part, unused_words=(*replaced, *left_out, *marks)), left_out, replaced, is_corrected=True
        )


def _unusual_values(part: RatedPart) -> int:
    if part.marked_range is not None:  # it asks for its kind: its values are not held against either
        low, high = part.marked_range.low, part.marked_range.high
        is_odd = low is None or high is None or not is_usual_marked_range(low, high)
        return is_odd + len(replace(part, kind=None).unusual_values())
    values = [section.digits for section in part.sections]
    is_odd = len(values) == 2 and is_odd_pair(values[0], values[1])
    tolerance = part.tolerance
    if tolerance is not None and tolerance.unit == "%":
        is_odd = is_odd or tolerance.minus > LARGEST_PERCENT
    elif tolerance is not None:  # ±5 µF of 7.5 µF is no tolerance
        is_odd = is_odd or tolerance.plus > _WIDEST_TOLERANCE * min(values)
    return is_odd + len(part.unusual_values()) - any(map(is_rarely_made, values))
