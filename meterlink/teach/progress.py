"""The progress of teaching: how many entries of about how many, the open items, and the reason of a greater estimate.

The estimate is the number of entries that count, and for each open item the number of entries that it still needs: a
range or a sign needs two, a function as many as make it sure, a digit of the display one. Nothing else is added, so
that a figure that goes backwards always has an item, or an entry, as its reason.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from meterlink.capture.capture_file import DisplayEntry
from meterlink.core.text import clean_text, count_phrase
from meterlink.core.units import Quantity
from meterlink.teach import limits
from meterlink.teach.masks import HELPLESS_REASONS
from meterlink.teach.report import TeachReport
from meterlink.teach.samples import MeterFunction, Sample
from meterlink.teach.wishes import (
    A_DRIVER,
    A_NEGATIVE_READING,
    A_SECOND_OVERLOAD,
    AN_HOUR_LATER,
    BOTH_SIGNS,
    LONGER_RECORDING,
    parse_digit_wish,
)

_CONFIRMED = 2  # entries of a range or a sign: a single one may be a slip
_MOST_NAMED = 4  # items named in one line; of more, the number is said

_Range = tuple[MeterFunction, str, int]
"""A function, the unit on the display, and the digits behind the point."""


@dataclass(frozen=True, slots=True)
class OpenItem:
    """Something that teaching still needs, in the words of the person who shows it, and the entries that it needs.

    ``entries`` is 0 where no entry helps, for example for a longer recording. ``wish`` is the reading to show next;
    empty if ``text`` names it. ``str()`` begins with the number where it is ``numbered``: ``3 more of resistance``.
    """

    text: str
    entries: int
    numbered: bool = False
    wish: str = ""

    def __str__(self) -> str:
        return f"{self.entries} {self.text}" if self.numbered else self.text


@dataclass(frozen=True, slots=True)
class TeachProgress:
    """The progress after an entry. ``str()`` gives it in one line: ``14 of about 25; still open: kΩ, minus``.

    ``entered`` counts the entries that are used; those in ``left_out`` (with the reason for each) are not. ``reason``
    says in a sentence why fewer entries count than before, or why the estimate grew; it is empty where neither did.
    """

    entered: int
    open_items: tuple[OpenItem, ...]
    reason: str = ""
    left_out: dict[DisplayEntry, str] = field(default_factory=dict)
    ranges: frozenset[_Range] = frozenset()
    has_profile: bool = False

    @property
    def needed(self) -> int:
        """The number of entries that will be enough, as far as is known."""
        return self.entered + self.missing

    @property
    def missing(self) -> int:
        """The number of entries that are still to be made, as far as is known."""
        return sum(item.entries for item in self.open_items)

    def __str__(self) -> str:
        texts = list(map(str, self.open_items))
        if len(texts) > _MOST_NAMED + 1:
            texts[_MOST_NAMED:] = [f"{len(texts) - _MOST_NAMED} more"]
        still = f"still open: {', '.join(texts)}" if texts else "nothing is open"
        return f"{self.entered} of about {self.needed}; {still}" + (f". {self.reason}" if self.reason else "")

    @property
    def next_reading(self) -> str:
        """The reading to show next; empty if nothing is open that an entry closes."""
        return next((item.wish or item.text for item in self.open_items if item.entries), "")

    def as_object(self) -> dict[str, Any]:
        """Return the progress as a JSON object."""
        return {
            "entered": self.entered,
            "needed": self.needed,
            "open": [{"text": str(item), "entries": item.entries} for item in self.open_items],
        }


def find_progress(
    entries: Sequence[DisplayEntry], report: TeachReport, before: TeachProgress | None = None
) -> TeachProgress:
    """Return the progress of teaching with ``entries``, on which ``report`` is.

    ``before`` is the progress at the last entry; it is needed for the reason only.
    """
    left_out = _left_out(report)
    counted = [Sample(entry, entry.displayed_value, ()) for entry in entries if entry not in left_out]
    shown = [sample for sample in counted if sample.is_number]
    now = TeachProgress(
        entered=len(counted),
        open_items=tuple(_open_items(counted, shown, report)),
        left_out=left_out,
        ranges=frozenset(map(_range_of, shown)),
        has_profile=report.has_profile,
    )
    return now if before is None else replace(now, reason=_reason(now, before, shown))


def _left_out(report: TeachReport) -> dict[DisplayEntry, str]:
    """Return the entries that do not count, each with its reason."""
    return (
        dict.fromkeys(report.unused_entries, "has no packets")
        | dict.fromkeys(report.near_entries, "is one count off a display that moved")
        | dict.fromkeys((one.entry for one in report.contradictions), "contradicts the others")
    )


def _open_items(counted: Sequence[Sample], shown: Sequence[Sample], report: TeachReport) -> Iterator[OpenItem]:
    """Yield the open items, the most particular first: the others may come with them."""
    particular = [*_open_ranges(shown, report), *_open_signs(shown, report), *_open_overload(counted, report)]
    items = [OpenItem(text, entries, wish=wish) for _, text, entries, wish in particular]
    held_out = {one.function: one.suggested_readings for one in report.functions}
    for function, missing in _missing(shown, report).items():
        number = missing - sum(entries for one, _, entries, _ in particular if one == function)
        if number == 1 and (alike := held_out.get(str(function))):
            items.append(OpenItem(clean_text(alike[0]), 1))
        elif number > 0:
            items.append(
                OpenItem(f"more of {function}", number, numbered=True, wish=f"{function}: a reading that differs")
            )
    if report.profile is not None:
        items += _open_wishes(shown, report)
    elif report.contradictions:
        items.append(OpenItem(f"{count_phrase(len(report.contradictions), 'entry')} to check", 0))
    else:
        items += _different_numbers(shown, sum(item.entries for item in items), report)
    yield from items


_Particular = tuple[MeterFunction, str, int, str]
"""A function, the text of its open item, the entries that this needs, and the reading to show next."""


def _open_ranges(shown: Sequence[Sample], report: TeachReport) -> Iterator[_Particular]:
    """Yield the ranges with one entry only; a profile knows which of them another range confirms."""
    times = Counter(map(_range_of, shown))
    unconfirmed = set(report.unconfirmed_entries)
    for one, number in times.items():
        samples = [sample for sample in shown if _range_of(sample) == one]
        alone = [sample for sample in samples if sample.entry in unconfirmed]
        if (len(alone) == 1 and not _is_sign_alone(alone[0], number)) or len(alone) > 1:
            yield one[0], _range_words(one, times, alone[0]), len(alone), _like(alone[0])
        elif report.profile is None and number < _CONFIRMED:
            yield one[0], _range_words(one, times, samples[0]), _CONFIRMED - number, _like(samples[0])


def _like(sample: Sample) -> str:
    return f"a second reading like {clean_text(sample.entry.text)}"


def _is_sign_alone(sample: Sample, number: int) -> bool:
    """Return whether it is the minus of ``sample`` that is not confirmed, because its range has more entries."""
    return sample.negative and number >= _CONFIRMED


def _open_signs(shown: Sequence[Sample], report: TeachReport) -> Iterator[_Particular]:
    """Yield the minus and its entries; it belongs to the function that still needs most of them."""
    missing = _missing(shown, report)
    signed = sorted((one for one in missing if one.signed), key=lambda one: -missing[one])
    if not signed:
        return
    if report.profile is None:
        entries = max(0, _CONFIRMED - sum(sample.negative and sample.counts > 0 for sample in shown))
    elif A_NEGATIVE_READING in report.suggested_readings:
        entries = _CONFIRMED
    else:
        times = Counter(map(_range_of, shown))
        unconfirmed = set(report.unconfirmed_entries)
        entries = sum(
            sample.entry in unconfirmed and _is_sign_alone(sample, times[_range_of(sample)]) for sample in shown
        )
        if BOTH_SIGNS in report.suggested_readings:
            yield signed[0], "plus", 1, f"{signed[0]}: a positive reading"
            entries += 1
    if entries:
        yield signed[0], "minus", entries, f"{signed[0]}: a negative reading"


def _open_overload(counted: Sequence[Sample], report: TeachReport) -> Iterator[_Particular]:
    """Yield OL, only where ohms were shown: an open lead shows it. Nobody is to overload a meter on volts."""
    if any(sample.displayed.overload for sample in counted) and A_SECOND_OVERLOAD not in report.suggested_readings:
        return
    ohms = (sample.function for sample in counted if sample.displayed.quantity is Quantity.RESISTANCE)
    if (function := next(ohms, None)) is not None:
        yield function, "OL with an open lead", 1, "an open lead, with the dial on ohms: OL"


def _missing(shown: Sequence[Sample], report: TeachReport) -> dict[MeterFunction, int]:
    """Return for each function the entries that it still needs to be called sure."""
    number = Counter(sample.function for sample in shown)
    missing = {function: max(0, limits.FEWEST_SURE - entries) for function, entries in number.items()}
    if report.profile is None or report.stopped:  # nothing was held out, or not everything
        return missing
    held_out = {one.function: one for one in report.functions}
    for function in number:
        if (one := held_out.get(str(function))) is not None:
            # One entry more often makes several others readable.
            missing[function] = max(0, limits.FEWEST_SURE - one.right, min(1, len(one.suggested_readings)))
    return missing


def _open_wishes(shown: Sequence[Sample], report: TeachReport) -> Iterator[OpenItem]:
    """Yield the digits that the profile does not read, and the items that no entry closes.

    A greater number or a further range would widen it, too; but nobody knows whether the meter can show that. So it is
    with a greater digit in the first place, for which no entry is counted.
    """
    width = max((len(sample.digit_text) for sample in shown), default=0)
    greatest = max((int(sample.digit_text[0]) for sample in shown if len(sample.digit_text) == width), default=0)
    for wish in report.suggested_readings:
        if (digit := parse_digit_wish(wish)) is not None:
            digits, place = digit
            yield OpenItem(wish, 0 if place == width - 1 and min(digits) > greatest else 1)
    for recording in (LONGER_RECORDING, AN_HOUR_LATER):
        if any(wish.startswith(recording) for wish in report.suggested_readings):
            yield OpenItem(recording, 0)
    refused = report.unlabelled_frames - report.unlabelled_read
    if refused > (1 - limits.LEAST_YIELD) * report.unlabelled_frames:
        yield OpenItem(f"{refused} of {report.unlabelled_frames} packets without an entry are refused", 0)


def _different_numbers(shown: Sequence[Sample], asked: int, report: TeachReport) -> Iterator[OpenItem]:
    """Yield the different numbers without which no encoding is found; ``asked`` entries bring as many of them."""
    missing = limits.ENOUGH_DIFFERENT_NUMBERS - len({sample.displayed.digits for sample in shown})
    if missing > asked:
        number = missing - asked
        yield OpenItem(f"different number{'s' * (number != 1)}", number, numbered=True)
    elif report.reason in HELPLESS_REASONS or A_DRIVER in report.suggested_readings:
        yield OpenItem("packets that no reading explains", 0)
    elif missing <= 0 and not asked:
        wishes = report.suggested_readings or ("a reading that differs",)
        yield OpenItem(wishes[0], 1)


def _range_of(sample: Sample) -> _Range:
    return sample.function, sample.displayed.unit, sample.places


def _range_words(one: _Range, ranges: Counter[_Range], sample: Sample) -> str:
    """Return the unit, and where it has several ranges, a reading of this one."""
    function, unit, _ = one
    coupled = " ".join(filter(None, (unit, function.coupling)))
    if sum(other[:2] == one[:2] for other in ranges) == 1:
        return coupled
    return f"the range of {clean_text(sample.entry.text)}"


# Reasons


def _reason(now: TeachProgress, before: TeachProgress, shown: Sequence[Sample]) -> str:
    """Return why the figure went backwards, in a sentence; empty if it did not."""
    lost = before.entered + len(before.left_out) - now.entered - len(now.left_out)
    newly_out = [entry for entry in now.left_out if entry not in before.left_out]
    if newly_out:
        others = f", and {len(newly_out) - 1} more" if len(newly_out) > 1 else ""
        return f"Not counted: {clean_text(newly_out[0].text)!r} {now.left_out[newly_out[0]]}{others}."
    if now.entered < before.entered and lost > 0:
        return f"{count_phrase(lost, 'entry').capitalize()} removed."
    if now.needed > before.needed and now.missing:
        return f"The estimate grew: {_cause(now, before, shown)}."
    return ""


def _cause(now: TeachProgress, before: TeachProgress, shown: Sequence[Sample]) -> str:
    """Return the cause of a greater estimate, as a clause."""
    earlier = {item.text: item.entries for item in before.open_items}
    opened = next((item for item in now.open_items if item.entries > earlier.get(item.text, 0)), None)
    new = [sample for sample in shown if _range_of(sample) in now.ranges - before.ranges]
    if new and opened is not None:
        return f"{_range_words(_range_of(new[0]), Counter(now.ranges), new[0])} was seen for the first time"
    if before.has_profile and not now.has_profile:
        return "the profile no longer explains every entry"
    if opened is not None:
        return f"now it is known that this is open: {opened}"
    return "the newest entry brings nothing that is still open"
