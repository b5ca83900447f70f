"""The bits of labelled frames outside the number, and the values of each under the entries."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from functools import reduce
from operator import or_

from meterlink.profiles.model import Bit, Code, FieldLocation, Meaning, Segments
from meterlink.teach import limits
from meterlink.teach.columns import bit_at
from meterlink.teach.encodings import Encoding, SampleMatrix
from meterlink.teach.frame_meanings import FrameMeaning


class BitEvidence:
    """Samples with the meaning that each must have; ``numbers`` and ``overloads`` are the places of such samples.

    ``said`` has the meaning of each sample, None without a number; ``alike`` the frames that certainly showed the same
    display, its own included.
    """

    def __init__(
        self,
        table: SampleMatrix,
        encoding: Encoding,
        said: Sequence[FrameMeaning | None],
        alike: Sequence[Sequence[bytes]],
    ) -> None:
        self.table, self.encoding, self.said, self.alike = table, encoding, said, alike
        self.frames = [sample.frame for sample in table.samples]
        self.numbers = [place for place, one in enumerate(said) if one is not None]
        self.overloads = [place for place, one in enumerate(table.samples) if one.displayed.overload]

    @property
    def segmented(self) -> bool:
        """Whether the number is shown by the segments of a display."""
        return isinstance(self.encoding.source, Segments)

    def remaining_bits(self, exempt: frozenset[int]) -> list[int]:
        """Return the positions outside the number and ``exempt``, without restless bytes.

        In these most bits change while the display does not: noise, unknown checksums. Their bits that never changed
        stay. So do all bits of a display, because its segments lie anywhere.
        """
        used = self.encoding.used_positions | exempt
        rest = [one for one in range(self.table.columns.bits) if one not in used]
        if self.segmented or not self.table.all_frames:
            return rest
        moving = Counter(position // 8 for position in rest if not self.is_steady(position))
        words = [int.from_bytes(frame, "little") for frame in self.table.all_frames]
        moved = reduce(or_, (word ^ words[0] for word in words))
        return [one for one in rest if moving[one // 8] < limits.FEWEST_RESTLESS_BITS or not moved >> one & 1]

    def values(self, position: int, places: Iterable[int]) -> set[int]:
        """Return the values of a bit in the samples ``places``."""
        byte, bit = position >> 3, position & 7
        return {frame[byte] >> bit & 1 for place in places for frame in self.alike[place]}

    def is_steady(self, position: int) -> bool:
        """Return whether a bit never changed while the display stayed the same."""
        return all(len(self.values(position, [place])) == 1 for place in self.numbers)

    def following(self, groups: Sequence[Sequence[int]], among: Iterable[int]) -> list[int]:
        """Return the bits that are constant within each group of samples, but not over all of them."""
        found = []
        for position in among:
            within = [self.values(position, group) for group in groups]
            if all(len(values) == 1 for values in within) and len(set().union(*within)) > 1:
                found.append(position)
        return found

    def groups(self, by: Callable[[FrameMeaning], FrameMeaning]) -> list[list[int]]:
        """Return the numbers grouped by the part of their meaning that ``by`` selects."""
        groups: dict[FrameMeaning, list[int]] = {}
        for place in self.numbers:
            groups.setdefault(by(self.meaning(place)), []).append(place)
        return list(groups.values())

    def meaning(self, place: int) -> FrameMeaning:
        """Return the meaning of the number ``place``."""
        one = self.said[place]
        assert one is not None  # noqa: S101  # numbers are the samples with a meaning
        return one


def code_of(bits: Sequence[int], meanings: dict[int, Meaning]) -> Code:
    """Return the code of the bits at these positions, most significant first."""
    return Code(FieldLocation(bits=tuple(map(bit_at, bits))), tuple(sorted(meanings.items(), key=lambda pair: pair[0])))


def number_at(place: FieldLocation, frame: bytes) -> int:
    """Return the unsigned number in a place of a frame."""
    if not place.bits:
        return int.from_bytes(frame[place.at : place.at + place.size], place.order)
    number = 0
    for bit in place.bits:
        number = number << 1 | _lit(bit, frame)
    return number


def _lit(bit: Bit, frame: bytes) -> int:
    return (frame[bit.byte] >> bit.bit & 1) ^ bit.inverted
