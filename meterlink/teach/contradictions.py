"""Entries that the others contradict."""

from collections.abc import Sequence

from meterlink.core.readings import Reading, Status
from meterlink.teach.decoding import frame_decoder, says
from meterlink.teach.report import Contradiction
from meterlink.teach.samples import Sample
from meterlink.teach.states import UnexplainedError
from meterlink.teach.ways import Way

_MOST_CUTS_BLAMED = 2  # ways of cutting tried in the search for the wrong entries


def contradiction(sample: Sample, reading: Reading | None) -> Contradiction:
    """Return the contradiction of an entry by ``reading``, which the others make of it."""
    return Contradiction(sample.entry, "" if reading is None or reading.status is Status.INVALID else reading.text)


def find_contradictions(tried: Sequence[tuple[Way, Sequence[Sample]]]) -> tuple[Contradiction, ...]:
    """Return each entry that a profile made from all other entries does not decode as entered.

    A single slip among few entries, or in a state that the others show once, leaves no other entries that agree.
    """
    for way, samples in tried[:_MOST_CUTS_BLAMED]:
        if found := _contradicted(way, samples):
            return found
    return ()


def _contradicted(way: Way, samples: Sequence[Sample]) -> tuple[Contradiction, ...]:
    found = []
    for sample in samples:
        try:
            learned = way.learn([other for other in samples if other is not sample])
        except UnexplainedError:
            continue
        reading = frame_decoder(learned.profile, way.channel, way.ending)(sample.frame)
        if not says(reading, sample.displayed):
            found.append(contradiction(sample, reading))
    return tuple(found)
