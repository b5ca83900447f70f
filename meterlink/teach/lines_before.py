"""Lines without a value before those with one: ``HOLD``, ``F VDC``. They say what the value is."""

from collections import Counter
from collections.abc import Sequence

from meterlink.core.clock import Timestamp
from meterlink.profiles.line_reader import LineReader, general_words
from meterlink.profiles.lines import LineParser
from meterlink.profiles.model import TextFormat
from meterlink.profiles.tokens import NUMBER_AND_UNIT
from meterlink.teach.samples import Sample

_Words = tuple[tuple[str, ...], ...]


def find_lines_before(
    text: TextFormat, samples: Sequence[Sample], lines: Sequence[tuple[float, bytes]]
) -> tuple[tuple[str, ...], ...]:
    """Return the sequences of lines that came before the lines of ``samples``, as `TextFormat.lines_before` has them.

    ``lines`` are all ``(seconds, line)`` of the recording, in order of time. A sequence before one sample alone does
    not count: a line may have been lost. A number in such a line is any number if it has decimals or if it changed; a
    whole number that never changed may be the code of a state.
    """
    reader = LineReader(text, LineParser(text))
    before: dict[bytes, list[tuple[float, _Words]]] = {}  # each line, by the times at which it came
    kinds: dict[_Words, set[_Words]] = {}  # the sequences of a recording that differ in numbers only
    for seconds, line in lines:
        reader.read(line, "", Timestamp(0, 0), [])
        words = reader.words_before()
        before.setdefault(line, []).append((seconds, words))
        kinds.setdefault(_general(words), set()).add(words)
    found: Counter[tuple[str, ...]] = Counter()
    for sample in samples:
        _, words = min(before[sample.frame], key=lambda one: abs(one[0] - sample.entry.seconds))
        found[_as_allowed(words, kinds[_general(words)])] += 1
    return tuple(sorted(lines for lines, times in found.items() if times > 1)) or tuple(found)


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
