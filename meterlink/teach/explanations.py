"""Explanations of samples: profiles that agree with every one of them, the likeliest first."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from meterlink.core.readings import Status
from meterlink.profiles import Profile
from meterlink.profiles.fields import compile_number
from meterlink.profiles.model import Checksum, Segments, TextFormat
from meterlink.teach import limits
from meterlink.teach.characters import character_encodings
from meterlink.teach.decimals import decimal_digit_encodings
from meterlink.teach.decoding import decodes_all
from meterlink.teach.digit_codes import digit_code_encodings
from meterlink.teach.displays import segment_encodings
from meterlink.teach.dropped_digits import dropped_digit_encodings
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling
from meterlink.teach.fixed_point import fixed_unit_encodings, rounded_unit_encodings
from meterlink.teach.floats import binary_float_encodings, decimal_float_encodings
from meterlink.teach.frame_meanings import FoundMeanings, meaning_candidates
from meterlink.teach.framings import FramingCandidate
from meterlink.teach.integers import integer_encodings
from meterlink.teach.lines import text_formats, unknown_words
from meterlink.teach.samples import Sample, may_overload
from meterlink.teach.slow_bytes import SlowByte
from meterlink.teach.states import find_meanings
from meterlink.teach.stopping import IsStopped, check_stop
from meterlink.teach.taught_profile import ProfileHead, frame_profile, text_profile
from meterlink.teach.unexplained import UnexplainedError
from meterlink.teach.wishes import A_NEGATIVE_READING, AN_OVERLOAD

NO_EXPLANATION = "no way of writing the number was found that fits every entry"
"""The reason where nothing more is known."""

_DISAGREES = "the profile found does not agree with every entry"


@dataclass(frozen=True, slots=True)
class Explanation:
    """A profile that explains every entry, its encoding in words, the readings that would help, and idle bits.

    ``freed`` and ``pinned`` are the slow bytes that may take any value, and those that may not. ``used`` are
    the positions of the number. ``unfinished``: a counter did not roll over, so the next byte may belong to it.
    ``lone_overload`` is that of `meterlink.teach.frame_meanings.FoundMeanings`.
    """

    profile: Profile
    encoding: str
    wanted: tuple[str, ...]
    idle: frozenset[int] = frozenset()
    freed: tuple[int, ...] = ()
    pinned: tuple[SlowByte, ...] = ()
    used: frozenset[int] = frozenset()
    unfinished: bool = False
    lone_overload: Sample | None = None

    @property
    def has_parts(self) -> bool:
        """Whether two packets are one frame."""
        return self.profile.framing is not None and bool(self.profile.framing.parts)


@dataclass(frozen=True, slots=True)
class FrameEvidence:
    """The frames of one way of cutting, as far as explanations use them.

    ``common`` is the length of the part that all frames have, ``others`` that part of every frame. ``exempt`` are the
    positions of counters and check bytes. ``is_stopped`` ends the search.
    """

    cut: FramingCandidate
    check: Checksum | None
    common: int
    others: Sequence[bytes]
    exempt: frozenset[int]
    slow: Sequence[SlowByte]
    is_stopped: IsStopped


def explain_lines(
    head: ProfileHead, channel: str, text: TextFormat, lines: Sequence[tuple[float, bytes]], samples: Sequence[Sample],
    *, is_stopped: IsStopped,
) -> Explanation:  # fmt: skip
    """Return the likeliest explanation of ``samples`` of lines, of which ``text`` gives the ending.

    Raises:
        UnexplainedError: there is none.
        StoppedSearchError: the search is stopped.
    """
    for found in text_formats(text, samples, lines):
        check_stop(is_stopped)
        profile = text_profile(head, channel, found)
        if decodes_all(profile, channel, samples, text.end.encode()):
            strange = [f"an entry for a line with {word}" for word in unknown_words(found, lines)]
            return Explanation(profile, "numbers in lines of text", ordered(strange[:1], wanted_kinds(samples)))
    raise UnexplainedError(NO_EXPLANATION)


def explain_frames(head: ProfileHead, evidence: FrameEvidence, samples: Sequence[Sample]) -> Iterator[Explanation]:
    """Yield the explanations of ``samples`` of frames, the likeliest first: at most one of each encoding.

    Raises:
        UnexplainedError: there is none.
        StoppedSearchError: the search is stopped.
    """
    check_stop(evidence.is_stopped)
    shown = [
        replace(sample, frames=tuple(frame[: evidence.common] for frame in sample.frames))
        for sample in samples
        if not sample.displayed.blank
    ]
    if evidence.common < 1 or sum(sample.is_number for sample in shown) < limits.FEWEST_ENTRIES:
        raise UnexplainedError(NO_EXPLANATION)
    table = SampleMatrix.from_samples(shown, evidence.others, evidence.exempt, evidence.slow)
    reasons: list[str] = []
    number = 0
    for encoding in _encodings(table, evidence.is_stopped):
        explained = _explained(head, evidence, samples, table, encoding, reasons)
        if explained is not None:
            number += 1
            yield explained
    if not number:
        raise UnexplainedError(_worst(reasons))


def _worst(reasons: Sequence[str]) -> str:
    """Return the reason that says most: a profile that disagrees, or else the first difference unexplained."""
    if _DISAGREES in reasons:
        return _DISAGREES
    return next((one for one in reasons if one != NO_EXPLANATION), NO_EXPLANATION)


def _explained(
    head: ProfileHead, evidence: FrameEvidence, samples: Sequence[Sample],
    table: SampleMatrix, encoding: Encoding, reasons: list[str],
) -> Explanation | None:  # fmt: skip
    """Return the explanation with one encoding of the number; None without one, for which a reason is added."""
    alike = [_alike(encoding, sample) for sample in table.samples]
    doubtful = None
    for said in meaning_candidates(table, encoding):
        check_stop(evidence.is_stopped)
        try:
            found = find_meanings(table, encoding, said, evidence.exempt, alike)
        except UnexplainedError as error:
            reasons.append(str(error))
            continue
        profile = frame_profile(head, evidence.cut, evidence.check, encoding, said, found, samples, evidence.common)
        if decodes_all(profile, evidence.cut.channel, samples):
            doubtful = _explanation(profile, encoding, found)
            if not found.doubtful or not encoding.needs_no_places:
                break
        reasons.append(_DISAGREES)
    # A meaning that may rest on chance is better left out: the last candidate demands the least of the frames.
    return doubtful


def _explanation(profile: Profile, encoding: Encoding, found: FoundMeanings) -> Explanation:
    # Digits first: a missing digit recurs again and again, an overload now and then.
    digits = encoding.suggested_readings if isinstance(encoding.source, Segments) else ()
    return Explanation(
        profile,
        encoding.name,
        ordered(digits, found.suggested_readings, encoding.suggested_readings),
        found.unexplained_positions,
        found.freed_bytes,
        found.pinned_bytes,
        encoding.used_positions,
        lone_overload=found.lone_overload,
    )


def _encodings(table: SampleMatrix, is_stopped: IsStopped) -> Iterator[Encoding]:
    """Yield the encodings that fit, those that leave the least to chance first."""
    counts = [-sample.counts if sample.negative else sample.counts for sample in table.number_samples]
    scalings = [Scaling(sample.places if sample.is_number else None) for sample in table.samples]
    for family in (
        decimal_float_encodings(table),
        integer_encodings(table, counts, scalings),
        decimal_digit_encodings(table, scalings),
        segment_encodings(table),
        character_encodings(table),
        digit_code_encodings(table),
        binary_float_encodings(table),
        fixed_unit_encodings(table),
        rounded_unit_encodings(table),
        dropped_digit_encodings(table),
    ):
        check_stop(is_stopped)
        yield from family


def _alike(encoding: Encoding, sample: Sample) -> tuple[bytes, ...]:
    """Return the frames of the entry's window that certainly showed the same: their bits of the number are equal.

    A number finer than the display may vary under it: there a difference of up to one part in a hundred counts as the
    same. A zero looks the same in every range, so only its last frame counts.
    """
    if not sample.counts:
        return (sample.frame,)
    if encoding.finer_than_display and not isinstance(encoding.source, Segments):
        take = compile_number(encoding.source)
        raws = [take(bytes(byte ^ encoding.key.get(at, 0) for at, byte in enumerate(frame))) for frame in sample.frames]
        numbers = [None if isinstance(raw, Status) else Decimal(raw) for raw in raws]
        last = numbers[-1]
        if last is None:
            return ()
        part = limits.LARGEST_FLOAT_DIFFERENCE
        pairs = zip(sample.frames, numbers, strict=True)
        return tuple(frame for frame, one in pairs if one is not None and part * abs(one - last) <= abs(last))
    mask = sum(1 << position for position in encoding.used_positions)
    shown = int.from_bytes(sample.frame, "little") & mask
    return tuple(frame for frame in sample.frames if int.from_bytes(frame, "little") & mask == shown)


def wanted_kinds(samples: Sequence[Sample]) -> tuple[str, ...]:
    """Return the kinds of reading that no entry shows: a negative one, an overload."""
    wanted = []
    if not any(sample.negative for sample in samples) and any(sample.function.signed for sample in samples):
        wanted.append(A_NEGATIVE_READING)
    if may_overload(samples) and not any(sample.displayed.overload for sample in samples):
        wanted.append(AN_OVERLOAD)
    return tuple(wanted)


def ordered(*groups: Iterable[str]) -> tuple[str, ...]:
    """Return the texts of all groups in their order, each once."""
    return tuple(dict.fromkeys(wish for group in groups for wish in group))
