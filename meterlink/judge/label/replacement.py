"""The parts on the truck that may replace a failed run or start capacitor, best first.

The rule (common practice, no source): the same rated µF in every section, an equal or higher voltage rating, and the
same duty. Two near matches are offered and marked as temporary: a part whose rated value differs but lies within the
original's tolerance, and two singles in parallel whose values add up to it. A start capacitor is matched by its range:
the range of the new part must lie inside it.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from itertools import chain, combinations_with_replacement, product
from operator import add

from meterlink.core.errors import InputError
from meterlink.core.verdicts import Limits
from meterlink.judge.judging import format_decimal
from meterlink.judge.label.rated_part import DUAL_SECTION_NAMES, RatedPart
from meterlink.judge.label.usual_values import CapacitorKind

_MOST_OPTIONS = 10  # offered, best first
_MOST_SERVERS = 20  # choices for one section that are combined with those of the other, best first


@dataclass(frozen=True, slots=True)
class StockEntry:
    """One kind of part on the truck: its marked rating, the number left, and a note on its place."""

    part: RatedPart
    count: int
    note: str = ""

    @property
    def part_and_place(self) -> str:
        """The part with its place: ``45 µF 440 V (right bin)``."""
        return f"{self.part} ({self.note})" if self.note else str(self.part)


class ReplacementMethod(StrEnum):
    """The ways to replace a part, best first."""

    SAME_RATING = "same rating"
    INSIDE_RANGE = "inside the marked range"
    TWO_SINGLES = "two singles for a dual"
    ONE_SECTION = "one section of a dual"
    OTHER_VALUE = "another rated value"
    PARALLEL = "in parallel"


_ORDER = list(ReplacementMethod)
_TEMPORARY = {ReplacementMethod.OTHER_VALUE, ReplacementMethod.PARALLEL}


@dataclass(frozen=True, slots=True)
class ReplacementOption:
    """One way to replace the part.

    ``parts`` are the stock entries to use, one part of each; two parts of one entry list it twice. ``remarks`` are
    sentences for the technician who fits it.
    """

    method: ReplacementMethod
    parts: tuple[StockEntry, ...]
    remarks: tuple[str, ...]

    @property
    def is_temporary(self) -> bool:
        """Whether it serves only until the right part is there."""
        return self.method in _TEMPORARY

    @property
    def parts_and_places(self) -> str:
        """The parts, each with its place on the truck: ``45 µF 440 V (right bin) and 5 µF 440 V``."""
        return _listed(entry.part_and_place for entry in self.parts)

    def __str__(self) -> str:
        return _listed(str(entry.part) for entry in self.parts)


def _listed(parts: Iterable[str]) -> str:
    return " and ".join(f"{count} x {part}" if count > 1 else part for part, count in Counter(parts).items())


@dataclass(frozen=True, slots=True)
class ReplacementResult:
    """The options, best first, and ``(entry, reason)`` for each stock entry that no option uses."""

    original: RatedPart
    options: tuple[ReplacementOption, ...]
    excluded: tuple[tuple[StockEntry, str], ...]


@dataclass(frozen=True, slots=True)
class ReplacementCheck:
    """Whether a part may replace the original: the ``method``, None if it may not, and ``objection`` says why.

    ``remarks`` are sentences for the technician who fits it.
    """

    method: ReplacementMethod | None
    remarks: tuple[str, ...] = ()
    objection: str = ""


# The method, the parts of each section, and the relative difference of their rating from the original's.
_Chosen = tuple[ReplacementMethod, tuple[tuple[StockEntry, ...], ...], Decimal]


@dataclass(frozen=True, slots=True)
class _Server:
    """Parts for one section of the original; ``off`` is the relative difference of their rating from the section's."""

    way: ReplacementMethod
    parts: tuple[StockEntry, ...]
    off: Decimal


def find_replacements(original: RatedPart, stock: Sequence[StockEntry]) -> ReplacementResult:
    """Return the parts of ``stock`` that may replace ``original``, best first.

    They are ranked by `ReplacementMethod` in its order, then by the nearest rating, then by the lowest sufficient
    voltage, then with tolerances no wider than the original's first. An original of unknown kind is treated as a run
    capacitor, the stricter rule.

    Raises:
        InputError: the original's voltage rating is missing.
    """
    needed = original.max_volts
    if needed is None:
        raise InputError(
            f"The voltage rating of {original} is missing.", "Read it off the part: a lower one must not be fitted."
        )
    reasons = {place: _against(original, needed, entry) for place, entry in enumerate(stock)}
    usable = [entry for place, entry in enumerate(stock) if not reasons[place]]
    ranked = sorted(_options(original, usable), key=lambda ranked: (ranked[0], _fitness(original, needed, ranked[1])))
    every = [option for _, option in ranked]
    options = every[:_MOST_OPTIONS]
    passed_over = []
    for place, entry in enumerate(stock):
        if any(entry is used for option in options for used in option.parts):
            continue
        would_do = any(entry is used for option in every for used in option.parts)
        other = "It would do, after those listed." if would_do else "Not the rating that is wanted."
        passed_over.append((entry, reasons[place] or other))
    return ReplacementResult(original, tuple(options), tuple(passed_over))


def check_replacement(original: RatedPart, new: RatedPart) -> ReplacementCheck:
    """Return whether ``new`` may replace ``original``, by the rule of `find_replacements`."""
    if original.max_volts is None:
        return ReplacementCheck(
            None, objection=f"The voltage of the old part, {original}, is unknown: a lower one must not be fitted."
        )
    result = find_replacements(original, [StockEntry(new, 1)])
    if not result.options:
        ((_, reason),) = result.excluded
        return ReplacementCheck(None, objection=f"{new} is no replacement for {original}. {reason}")
    best = result.options[0]
    return ReplacementCheck(best.method, best.remarks)


def _against(original: RatedPart, needed: Decimal, entry: StockEntry) -> str:
    """Return why ``entry`` is no replacement at all, empty where it may be one."""
    if entry.count == 0:
        return "None left."
    if entry.part.max_volts is None:
        return "It has no AC voltage rating."
    if entry.part.max_volts < needed:
        return f"{format_decimal(entry.part.max_volts)} V is below {format_decimal(needed)} V."
    if original.kind is not CapacitorKind.START and entry.part.kind is CapacitorKind.START:
        return "A start capacitor stands only the seconds of a start."
    return ""


def _options(
    original: RatedPart, stock: Sequence[StockEntry]
) -> Iterator[tuple[tuple[int, Decimal], ReplacementOption]]:
    """Yield ``((method's rank, relative difference), option)`` for every option."""
    wanted = original.limits()
    duals = [entry for entry in stock if len(entry.part.sections) == 2]
    singles = [entry for entry in stock if len(entry.part.sections) < 2]
    servers = [sorted(_servers(original, limits, singles), key=_server_rank) for limits in wanted]
    chosen: list[_Chosen]
    if len(wanted) == 1:
        chosen = [(server.way, (server.parts,), server.off) for server in servers[0]]
        chosen += [
            (ReplacementMethod.ONE_SECTION, ((entry,),), Decimal(0)) for entry in duals if _section_of(original, entry)
        ]
    else:
        chosen = [found for entry in duals if (found := _dual_for_dual(wanted, entry))]
        for herm, fan in product(*(found[:_MOST_SERVERS] for found in servers)):
            parts = herm.parts + fan.parts
            if all(sum(other is entry for other in parts) <= entry.count for entry in parts):
                way = max(herm.way, fan.way, key=_ORDER.index)
                chosen.append(
                    (
                        ReplacementMethod.TWO_SINGLES if way is ReplacementMethod.SAME_RATING else way,
                        (herm.parts, fan.parts),
                        herm.off + fan.off,
                    )
                )
    for way, groups, off in chosen:
        parts = tuple(chain.from_iterable(groups))
        remarks = (*_wiring(groups), *_remarks(original, way, parts))
        yield (_ORDER.index(way), off), ReplacementOption(way, parts, remarks)


def _server_rank(server: _Server) -> tuple[int, Decimal]:
    return _ORDER.index(server.way), server.off


def _servers(original: RatedPart, wanted: Limits, singles: Sequence[StockEntry]) -> Iterator[_Server]:
    """Yield the singles that fit one section, and the pairs that fit it in parallel."""
    by_range = original.marked_range is not None
    given = [(entry, *_span(entry.part)) for entry in singles]
    for entry, low, high, nominal in given:
        if by_range or entry.part.marked_range is not None:
            if _inside(wanted, low, high):
                way = (
                    ReplacementMethod.SAME_RATING
                    if (low, high) == (wanted.low, wanted.high)
                    else ReplacementMethod.INSIDE_RANGE
                )
                yield _Server(way, (entry,), _off(wanted, nominal))
        elif nominal == wanted.nominal:
            yield _Server(ReplacementMethod.SAME_RATING, (entry,), Decimal(0))
        elif _inside(wanted, nominal, nominal):
            yield _Server(ReplacementMethod.OTHER_VALUE, (entry,), _off(wanted, nominal))
    for (one, *of_one), (other, *of_other) in combinations_with_replacement(given, 2):
        if one is other and one.count < 2:
            continue
        low, high, nominal = map(add, of_one, of_other)  # capacitances in parallel add
        if _inside(wanted, low, high) if by_range else _inside(wanted, nominal, nominal):
            yield _Server(ReplacementMethod.PARALLEL, (one, other), _off(wanted, nominal))


def _span(part: RatedPart) -> tuple[Decimal, Decimal, Decimal]:
    """Return ``(lowest, highest, rated)`` value of a single part, µF."""
    (limits,) = part.limits()
    low, high, nominal = limits.low, limits.high, limits.nominal
    assert low is not None and high is not None and nominal is not None  # noqa: S101, PT018  # of ratings and ranges
    return low, high, nominal


def _inside(wanted: Limits, low: Decimal | None, high: Decimal | None) -> bool:
    if wanted.low is None or wanted.high is None or low is None or high is None:
        return False
    return wanted.low <= low and high <= wanted.high


def _off(wanted: Limits, nominal: Decimal | None) -> Decimal:
    assert wanted.nominal and nominal is not None  # noqa: S101, PT018  # ratings and ranges have one
    return abs(nominal - wanted.nominal) / wanted.nominal


def _section_of(original: RatedPart, entry: StockEntry) -> str:
    """Return the name of the section of a dual part that fits a single original, empty where none does."""
    (wanted,) = original.limits()
    for name, given in zip(DUAL_SECTION_NAMES, entry.part.limits(), strict=True):
        alike = (
            given.nominal == wanted.nominal if original.marked_range is None else _inside(wanted, given.low, given.high)
        )
        if alike:
            return name
    return ""


def _dual_for_dual(wanted: Sequence[Limits], entry: StockEntry) -> _Chosen | None:
    pairs = list(zip(wanted, entry.part.limits(), strict=True))
    if not all(_inside(section, given.nominal, given.nominal) for section, given in pairs):
        return None
    off = sum((_off(section, given.nominal) for section, given in pairs), Decimal(0))
    return (ReplacementMethod.OTHER_VALUE if off else ReplacementMethod.SAME_RATING), ((entry,),), off


def _fitness(original: RatedPart, needed: Decimal, option: ReplacementOption) -> tuple[Decimal, bool]:
    """Return the sort key among equal ratings: ``(volts above the needed volts, whether a tolerance is wider)``."""
    above = max((entry.part.max_volts or needed) - needed for entry in option.parts)
    return above, any(_is_wider(original, entry.part) for entry in option.parts)


def _is_wider(original: RatedPart, part: RatedPart) -> bool:
    """Return whether a part's tolerance is relatively wider than the original's."""
    if original.marked_range is not None:
        return False  # the part lies inside the range
    return max(map(_spread, part.limits())) > max(map(_spread, original.limits()))


def _spread(limits: Limits) -> Decimal:
    low, high, nominal = limits.low, limits.high, limits.nominal
    assert low is not None and high is not None and nominal  # noqa: S101, PT018  # ratings and ranges have all three
    return max(nominal - low, high - nominal) / nominal


def _wiring(groups: Sequence[tuple[StockEntry, ...]]) -> Iterator[str]:
    """Yield how separate parts make one dual; ``groups`` are the parts of HERM and of FAN."""
    if len(groups) < len(DUAL_SECTION_NAMES):
        return
    if all(len(parts) == 1 for parts in groups):
        yield "Separate parts for one dual: tie one terminal of each together as C, the others are the sections."
        return
    sections = []
    for name, parts in zip(DUAL_SECTION_NAMES, groups, strict=True):
        listed = " and ".join(str(entry.part) for entry in parts)
        ends, are = ("terminals", "together are") if len(parts) > 1 else ("terminal", "is")
        sections.append(f"the other {ends} of {listed} {are} {name}")
    yield f"Separate parts for one dual: tie one terminal of each together as C; {'; '.join(sections)}."


def _remarks(original: RatedPart, way: ReplacementMethod, parts: tuple[StockEntry, ...]) -> tuple[str, ...]:
    remarks = []
    match way:
        case ReplacementMethod.ONE_SECTION:
            name = _section_of(original, parts[0])
            remarks.append(f"Connect C and {name} only, and insulate the terminal that is left over.")
        case ReplacementMethod.OTHER_VALUE:
            remarks.append(f"Temporary: not the same rating, but within the tolerance of {original}.")
        case ReplacementMethod.PARALLEL:
            remarks.append("Temporary: values in parallel add up. Fit the right part on the next visit.")
    for entry in dict.fromkeys(parts):
        if original.kind is not CapacitorKind.START and entry.part.kind is None:
            remarks.append(f"Nothing on {entry.part} says run or start: only a run capacitor stands continuous duty.")
        if _is_wider(original, entry.part):
            remarks.append(f"The tolerance of {entry.part} is wider than the original's: measure it before it goes in.")
        if original.hertz and entry.part.hertz and not set(original.hertz) <= set(entry.part.hertz):
            marked = "/".join(map(format_decimal, entry.part.hertz))
            remarks.append(f"{entry.part} is marked for {marked} Hz only: check the supply.")
    return tuple(remarks)
