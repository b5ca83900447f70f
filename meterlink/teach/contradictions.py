"""Entries that the others contradict, or of which one contradicts another, each with its reading by the others."""

from collections.abc import Callable, Mapping, Sequence

from meterlink.capture.capture_file import DisplayedValue
from meterlink.core.readings import Reading, Status
from meterlink.teach import limits
from meterlink.teach.decoding import frame_decoder, says
from meterlink.teach.report import Contradiction
from meterlink.teach.samples import Sample
from meterlink.teach.unexplained import UnexplainedError
from meterlink.teach.ways import Way

_PAIR = 2  # entries that contradict each other

_Rivals = Mapping[int, tuple[int, Reading | None]]


def name_contradictions(
    samples: Sequence[Sample], slips: Mapping[int, Reading | None], rivals: _Rivals
) -> tuple[Contradiction, ...]:
    """Return the contradictions of ``slips`` and ``rivals``, as `meterlink.teach.agreement.Agreement` has them."""
    found: dict[int, Contradiction] = {}
    for index, reading in slips.items():
        if index not in rivals:
            found[index] = _by_the_others(samples, index, reading, slips)
            continue
        entry = samples[index].entry
        other, by_slip = rivals[index]
        found[index] = Contradiction(entry, _text(reading), rival=samples[other].entry)
        found.setdefault(other, Contradiction(samples[other].entry, _text(by_slip), rival=entry))
    return tuple(found[index] for index in sorted(found))


def find_contradictions(tried: Sequence[tuple[Way, Sequence[Sample]]]) -> tuple[Contradiction, ...]:
    """Return each entry that a profile made from all other entries does not decode as entered.

    A single slip among few entries, or in a state that the others show once, leaves no other entries that agree.
    """
    for way, samples in tried[: limits.MOST_WAYS_BLAMED]:
        if found := _contradicted(way, samples):
            return found
    return ()


def _contradicted(way: Way, samples: Sequence[Sample]) -> tuple[Contradiction, ...]:
    slips: dict[int, Reading | None] = {}
    for index, sample in enumerate(samples):
        try:
            reading = _decoder_without(way, samples, {index})(sample.frame)
        except UnexplainedError:
            continue
        if not says(reading, sample.displayed):
            slips[index] = reading
    if len(slips) != _PAIR:
        return name_contradictions(samples, slips, {})
    # All others agree without the one and without the other, so that the two contradict each other.
    first, second = slips
    try:
        decode = _decoder_without(way, samples, {first, second})
    except UnexplainedError:
        decode = _read_nothing
    for right, wrong in ((first, second), (second, first)):
        if says(decode(samples[right].frame), samples[right].displayed):
            return name_contradictions(samples, {wrong: slips[wrong]}, {})
    return name_contradictions(samples, {first: slips[first]}, {first: (second, slips[second])})


def _decoder_without(way: Way, samples: Sequence[Sample], left_out: set[int]) -> Callable[[bytes], Reading | None]:
    """Return the decoder of a profile made from the other samples.

    Raises:
        UnexplainedError: they have none.
    """
    learned = way.learn([sample for index, sample in enumerate(samples) if index not in left_out])
    return frame_decoder(learned.profile, way.channel, way.ending)


def _read_nothing(_: bytes) -> Reading | None:
    return None


def _by_the_others(
    samples: Sequence[Sample], index: int, reading: Reading | None, slips: Mapping[int, Reading | None]
) -> Contradiction:
    """Return the contradiction of an entry by all others, of which ``reading`` is made."""
    agreeing = [sample for place, sample in enumerate(samples) if place not in slips]
    same = next((one for one in agreeing if reading is not None and _shows(one.displayed, reading)), None)
    shown = samples[index].displayed
    before = samples[index - 1] if index else None
    return Contradiction(
        samples[index].entry,
        _text(reading),
        same_display=None if same is None else same.entry,
        repeated=before.entry if before is not None and _shows(before.displayed, shown) else None,
    )


def _shows(displayed: DisplayedValue, value: DisplayedValue | Reading) -> bool:
    return (
        displayed.digits is not None
        and displayed.digits == value.digits
        and displayed.unit == value.unit
        and displayed.coupling is value.coupling
    )


def _text(reading: Reading | None) -> str:
    return "" if reading is None or reading.status is Status.INVALID else reading.text
