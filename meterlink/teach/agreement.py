"""The entries that agree with each other, where some are slips or were read off a moving display.

People read a display, type for seconds, and make slips: a wrong digit, the value of the part before, AC or DC
forgotten, a number typed as an overload. One slip keeps every encoding from fitting. So a profile is made from some of
the entries only, in turn from different ones, until it explains most of the others, too. Those that it contradicts are
the slips. Random choice is seeded, and the number of profiles made is limited.

Among the frames that a person may have looked at, a profile finds the one that was read: it decodes to the entry. If
the display moved and the entry is one count off, the person saw a value between two packets; such an entry contradicts
nothing and teaches nothing, so that it never weakens the others.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from random import Random

from meterlink.capture.capture_file import DisplayedValue
from meterlink.core.readings import Coupling
from meterlink.core.units import convert
from meterlink.driver_api import Reading, Status
from meterlink.teach import limits
from meterlink.teach.likely_frames import Guess, Look
from meterlink.teach.samples import Sample
from meterlink.teach.unexplained import UnexplainedError

Decode = Callable[[bytes], Reading | None]
"""Decodes one frame; None or an invalid reading where it cannot."""

Learn = Callable[[Sequence[Sample]], Decode]
"""Makes a profile that explains all samples. Raises UnexplainedError where there is none."""


@dataclass(slots=True)
class Agreement:
    """The result of the search; indexes are those of the looks.

    ``read_frames`` gives for each entry that agrees the frame that was read, by its index in the look; ``still`` are
    those of them of which all frames say the same. ``near`` are entries that are one count off a moving display.
    ``slips`` maps each other entry to the reading that the others make of it; None if they cannot read it. ``rivals``
    maps a slip to ``(an entry that agrees, its reading by the slip)``: if that entry were the slip, this one would
    agree with all others, so nothing decides which of the two is right.
    """

    read_frames: dict[int, int] = field(default_factory=dict)
    still: set[int] = field(default_factory=set)
    near: set[int] = field(default_factory=set)
    slips: dict[int, Reading | None] = field(default_factory=dict)
    rivals: dict[int, tuple[int, Reading | None]] = field(default_factory=dict)


def find_agreement(
    looks: Sequence[Look],
    learn: Learn,
    says: Callable[[Reading | None, Sample], bool],
    guesses: Sequence[Guess],
) -> Agreement | None:
    """Return the agreement of most of the entries; None without one.

    ``says`` returns whether a reading is the value of a sample's entry. ``guesses`` are those of `likely_frames`.
    """
    return _Search(looks, learn, says, guesses).result()


class _Search:
    def __init__(
        self,
        looks: Sequence[Look],
        learn: Learn,
        says: Callable[[Reading | None, Sample], bool],
        guesses: Sequence[Guess],
    ) -> None:
        self.looks, self.learn, self.says = looks, learn, says
        self.left = min(limits.MOST_PROFILES, limits.PROFILES_BESIDE + len(looks))
        self.guesses = guesses

    def result(self) -> Agreement | None:
        best: Agreement | None = None
        seen: list[int] = []
        for likely, chosen in self._choices():
            decode = self._learned({index: likely[index] for index in chosen})
            found = None if decode is None else self._grown(decode, likely)
            if found is not None and (best is None or len(found.slips) < len(best.slips)):
                best, seen = found, likely
            if self.left <= 0 or (best is not None and limits.FEW_SLIPS * len(best.slips) <= len(self.looks)):
                break
        if best is None or limits.MANY_SLIPS * len(best.slips) > len(self.looks):
            return None
        best.rivals = self._rivals(best, seen)
        return best

    def _rivals(self, found: Agreement, likely: Sequence[int]) -> dict[int, tuple[int, Reading | None]]:
        """Return for each slip the entry that agrees only because the slip does not, as in `Agreement.rivals`.

        Two entries are alone with a unit, a range or a sign, and one of them is a slip: the others know nothing of it.
        """
        rivals: dict[int, tuple[int, Reading | None]] = {}
        for slip, reading in found.slips.items():
            shown = self.looks[slip].sample.displayed
            forgotten = reading is not None and shown.coupling is None and reading.coupling is not None
            if reading is None or not _has_value(reading) or shown.digits is None or forgotten:
                continue
            for other in self._alone_with(reading, found):
                others = {index: at for index, at in found.read_frames.items() if index != other}
                some = [self._sample(index, at) for index, at in sorted((others | {slip: likely[slip]}).items())]
                try:
                    decode = self.learn(some)
                except UnexplainedError:
                    continue
                turned = decode(self.looks[other].frames[found.read_frames[other]])
                if not self.says(turned, self.looks[other].sample):
                    rivals[slip] = other, turned if _has_value(turned) else None
                    break
        return rivals

    def _alone_with(self, reading: Reading, found: Agreement) -> list[int]:
        """Return the entries of ``found`` that alone have the unit and the point of ``reading``, or its sign."""
        shown = {index: self.looks[index].sample for index in found.read_frames}
        alike = (
            [index for index, one in shown.items() if _range_of(one.displayed) == _range_of(reading)],
            [index for index, one in shown.items() if one.negative] if _is_negative(reading) else [],
        )
        return list(dict.fromkeys(indexes[0] for indexes in alike if len(indexes) == 1))

    def _choices(self) -> Iterator[tuple[list[int], list[int]]]:
        """Yield ``(likely frames, entries to make a profile from)``: many that agree best, then fewer at random."""
        number = sum(look.sample.is_number for look in self.looks)
        for left_out in limits.LEFT_OUT_IN_TURN:
            if number - left_out < limits.FEWEST_ENTRIES:
                break
            for guess in self.guesses:
                yield guess.likely, guess.ranked[: number - left_out]
        rng = Random(number)  # noqa: S311  # seeded: the same capture gives the same result
        sizes = [size for size in limits.SIZES_OF_A_CHOICE if size < number]
        while sizes:
            for size in sizes:
                for guess in self.guesses:
                    pool = guess.ranked[: max(size + 2, size * 3 // 2)]
                    yield guess.likely, rng.sample(pool, size)

    def _learned(self, read_frames: dict[int, int]) -> Decode | None:
        """Return a profile made from these frames; None if there is none, or if no more are to be made."""
        self.left -= 1
        if self.left < -limits.PROFILES_TO_GROW:
            self.left = -limits.PROFILES_TO_GROW
            return None
        try:
            return self.learn([self._sample(index, at) for index, at in sorted(read_frames.items())])
        except UnexplainedError:
            return None

    def _sample(self, index: int, at: int) -> Sample:
        look = self.looks[index]
        first = max(0, at + 1 - len(look.sample.frames))
        return Sample(look.sample.entry, look.sample.displayed, look.frames[first : at + 1])

    def _grown(self, decode: Decode, likely: list[int]) -> Agreement | None:
        """Return the agreement around a profile: add the entries that it explains, make it again, and so on."""
        found = self._classified(decode, {}, likely)
        for _ in range(limits.MOST_ROUNDS):
            if self._learned(found.read_frames) is None:
                return None
            taught = found.read_frames
            unread = {index: likely[index] for index, reading in found.slips.items() if not _has_value(reading)}
            for alike in self._trusted_first(unread):
                taught = taught | self._fitting(taught, {index: unread[index] for index in alike})
            again = self._learned(taught)
            if again is None:
                return None
            found = self._classified(again, taught, likely)
            if found.read_frames.keys() == taught.keys():
                break
        return found

    def _trusted_first(self, indexes: Iterable[int]) -> list[list[int]]:
        """Return the entries in groups to be added in turn: numbers, then each kind of overload, the commonest first.

        Numbers agree in many bits, an overload in few, so that of the two the overload is the slip. Of two overloads it
        is the one that fewer entries show.
        """
        groups: dict[object, list[int]] = {}
        for index in indexes:
            shown = self.looks[index].sample.displayed
            groups.setdefault(None if shown.digits is not None else (shown.unit, shown.coupling), []).append(index)
        return [groups[kind] for kind in sorted(groups, key=lambda kind: (kind is not None, -len(groups[kind])))]

    def _fitting(self, base: dict[int, int], more: dict[int, int]) -> dict[int, int]:
        """Return the entries of ``more`` that fit beside those of ``base``, tried in halves."""
        if not more or self._learned(base | more) is not None:
            return more
        if len(more) == 1:
            return {}
        items = sorted(more.items())
        first = self._fitting(base, dict(items[: len(items) // 2]))
        return first | self._fitting(base | first, dict(items[len(items) // 2 :]))

    def _classified(self, decode: Decode, taught: dict[int, int], likely: list[int]) -> Agreement:
        """Return the entries sorted by the readings of a profile; it was made from ``taught``."""
        found = Agreement()
        for index, look in enumerate(self.looks):
            readings = [decode(frame) for frame in look.frames]
            probable = readings[likely[index]]
            at = self._read_at(index, readings, likely[index])
            if at is None and index in taught and not _has_value(probable):
                at = taught[index]  # an overload may be known by the lack of a value
            if at is not None:
                found.read_frames[index] = at
                if len(readings) > 1 and all(self.says(reading, look.sample) for reading in readings):
                    found.still.add(index)
            elif _is_near(readings, look.sample):
                found.near.add(index)
            else:
                found.slips[index] = probable
        return found

    def _read_at(self, index: int, readings: Sequence[Reading | None], likely: int) -> int | None:
        """Return the index of the frame that was read: the likely one if it says the entry, else the last that does."""
        sample = self.looks[index].sample
        candidates = (likely, *reversed(range(self.looks[index].first, len(readings))))
        return next((at for at in candidates if self.says(readings[at], sample)), None)


def _range_of(shown: Reading | DisplayedValue) -> tuple[str, Coupling | None, object]:
    """Return unit, coupling and point."""
    return shown.unit, shown.coupling, None if shown.digits is None else shown.digits.as_tuple().exponent


def _is_negative(reading: Reading) -> bool:
    return reading.digits is not None and reading.digits.is_signed()


def _has_value(reading: Reading | None) -> bool:
    return reading is not None and reading.status is not Status.INVALID


def _is_near(readings: Sequence[Reading | None], sample: Sample) -> bool:
    """Return whether the display moved, and the entry is one count off one of its values."""
    shown = sample.displayed
    if shown.digits is None:
        return False
    step = Decimal(1).scaleb(-sample.places)
    values = set()
    for reading in readings:
        if reading is None or reading.digits is None or reading.quantity is not shown.quantity:
            continue
        if reading.coupling is shown.coupling:
            values.add(convert(reading.digits, reading.unit, shown.unit))
    around = [value for value in values if abs(value - shown.digits) <= limits.MOVING_COUNTS * step]
    return len(around) > 1 and any(abs(value - shown.digits) <= step for value in around)
