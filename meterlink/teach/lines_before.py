"""Lines without a value, as ``HOLD`` and ``F VDC``: they name the state of the value in the next line."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

from meterlink.core.clock import Timestamp
from meterlink.profiles.line_reader import LineReader, general_words
from meterlink.profiles.lines import LineParser
from meterlink.profiles.model import TextFormat
from meterlink.profiles.refusal import Refusal, RefusalReason
from meterlink.profiles.tokens import NUMBER_AND_UNIT
from meterlink.teach import limits
from meterlink.teach.samples import Sample
from meterlink.teach.unexplained import UnexplainedError

_Words = tuple[tuple[str, ...], ...]

_OF_EITHER = "lines without a value stand halfway between two values: each may belong to either"


@dataclass(slots=True)
class _Kind:
    """All sequences of lines in a recording that differ in numbers only; ``near`` came near to the next value."""

    sequences: set[_Words] = field(default_factory=set)
    times: int = 0
    near: int = 0


class _Came(NamedTuple):
    """A line with a value: its time, the ``words`` of the lines before it, and of the ``newest`` lines before any."""

    seconds: float
    words: _Words
    newest: _Words


def without_lines_before(lines: Sequence[tuple[float, bytes]]) -> Sequence[tuple[float, bytes]]:
    """Return the ``(seconds, line)`` of a recording that may have a value.

    Where lines with a digit and others take turns, the others have none, but for one in the place of a number: ``OL``.
    """
    behind = [(line, _has_digit(following)) for (_, line), (_, following) in pairwise(lines) if not _has_digit(line)]
    before_number = Counter(line for line, is_number in behind if is_number)
    if before_number.total() < limits.LEAST_MAJORITY * sum(_has_digit(line) for _, line in lines):
        return lines
    return [one for one in lines if before_number[one[1]] < limits.FEWEST_ALIKE]


def _has_digit(line: bytes) -> bool:
    return any(byte in b"0123456789" for byte in line)


def find_lines_before(
    text: TextFormat, samples: Sequence[Sample], lines: Sequence[tuple[float, bytes]]
) -> tuple[tuple[str, ...], ...]:
    """Return the sequences of lines that came before the lines of ``samples``, as `TextFormat.lines_before` has them.

    ``lines`` are all ``(seconds, line)`` of the recording, in order of time. A sequence before one sample alone does
    not count: a line may have been lost. Where values come without lines before them, the newest sequence earlier
    counts as well: it may tell a state for good. A number in such a line is any number if it has decimals or if it
    changed; a whole number that never changed may be the code of a state.

    Raises:
        UnexplainedError: the lines may belong to the value before them as well.
    """
    before, kinds = _sequences(text, lines)
    found: Counter[tuple[str, ...]] = Counter()
    earlier: Counter[tuple[str, ...]] = Counter()
    for sample in samples:
        came = min(before[sample.frame], key=lambda one: abs(one.seconds - sample.entry.seconds))
        if not sample.displayed.flags:  # perhaps only these lines tell the flag
            earlier[_as_allowed(came.newest, kinds[_general(came.newest)].sequences)] += 1
        elif came.words:
            continue
        kind = kinds[_general(came.words)]
        if kind.near >= limits.NEARLY_ALL * kind.times:
            found[_as_allowed(came.words, kind.sequences)] += 1
    if not found:
        raise UnexplainedError(_OF_EITHER)
    if found[()] > 1:
        found += earlier
    return tuple(sorted(lines for lines, times in found.items() if times > 1)) or tuple(found)


def _sequences(
    text: TextFormat, lines: Sequence[tuple[float, bytes]]
) -> tuple[dict[bytes, list[_Came]], dict[_Words, _Kind]]:
    """Return when each line came, and the kinds of the sequences before those with a value."""
    reader = LineReader(text, LineParser(text))
    before: dict[bytes, list[_Came]] = {}
    kinds: dict[_Words, _Kind] = {(): _Kind({()})}
    newest: _Words = ()
    newest_value = float("-inf")
    first_behind: float | None = None
    for seconds, line in lines:
        refusals: list[Refusal] = []
        reader.read(line, "", Timestamp(0, 0), refusals)
        words = reader.before
        newest = words or newest
        before.setdefault(line, []).append(_Came(seconds, words, newest))
        first_behind = seconds if first_behind is None else first_behind
        if refusals and refusals[0].reason is not RefusalReason.BLANK:
            continue
        kind = kinds.setdefault(_general(words), _Kind())
        kind.sequences.add(words)
        kind.times += 1
        kind.near += not words or first_behind - newest_value >= limits.LEAST_REST_RATIO * (seconds - first_behind)
        newest_value, first_behind = seconds, None
    return before, kinds


def _general(words: _Words) -> _Words:
    return tuple(tuple(general_words(line)) for line in words)


def _as_allowed(words: _Words, alike: set[_Words]) -> tuple[str, ...]:
    allowed = []
    for place, line in enumerate(words):
        general = tuple(general_words(line))
        changed = [len({other[place][at] for other in alike}) > 1 for at in range(len(line))]
        allowed.append(
            " ".join(
                any_number if moved or not _is_whole(word) else word
                for word, any_number, moved in zip(line, general, changed, strict=True)
            )
        )
    return tuple(allowed)


def _is_whole(word: str) -> bool:
    match = NUMBER_AND_UNIT.fullmatch(word)
    return match is None or match[1].isdecimal()
