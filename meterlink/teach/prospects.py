"""Ways of cutting whose frames seem to contain the number shown, and the entries that agree in such a way."""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from meterlink.core.readings import Reading
from meterlink.teach import limits
from meterlink.teach.agreement import Agreement, Decode, find_agreement
from meterlink.teach.couplings import quantities_with_coupling
from meterlink.teach.decoding import frame_decoder, says
from meterlink.teach.likely_frames import Guess, Look, likely_frames
from meterlink.teach.samples import Sample
from meterlink.teach.ways import Way


@dataclass(frozen=True, slots=True)
class Prospect:
    """A way whose frames seem to contain the number shown; for each sample the frames that its person looked at."""

    way: Way
    samples: Sequence[Sample]
    looks: Sequence[Look]
    guesses: Sequence[Guess]


def find_prospects(tried: Sequence[tuple[Way, Sequence[Sample]]]) -> list[Prospect]:
    """Return the prospects among the ways ``tried``, each with its samples; the best first."""
    found = []
    for way, samples in tried[: limits.MOST_WAYS_LOOKED_AT]:
        looks = [look_of(way, sample) for sample in samples]
        guesses = likely_frames(looks, way.exempt, way.common)
        if guesses[0].quality >= limits.LEAST_QUALITY:
            found.append(Prospect(way, samples, looks, guesses))
    return sorted(found, key=lambda one: one.guesses[0].rank, reverse=True)[: limits.MOST_WAYS_BLAMED]


def agreement_in(prospect: Prospect) -> Agreement | None:
    """Return the agreement of most entries, if this way is the right one and some of them are slips."""
    way, samples = prospect.way, prospect.samples
    coupled = quantities_with_coupling(samples)

    def says_entry(reading: Reading | None, sample: Sample) -> bool:
        shown = sample.displayed
        forgotten = shown.coupling is None and shown.quantity in coupled
        if forgotten and reading is not None and reading.coupling is not None:
            return False
        return says(reading, shown)

    def learn(some: Sequence[Sample]) -> Decode:
        return frame_decoder(way.learn(some).profile, way.channel, way.ending)

    return find_agreement(prospect.looks, learn, says_entry, prospect.guesses)


def look_of(way: Way, sample: Sample) -> Look:
    """Return the frames that the person may have looked at. Without the time of a key, the last one was read."""
    times = [t for t, _ in way.frames]
    first = bisect_left(times, sample.entry.earliest_look)
    seen = way.frames[first : bisect_right(times, sample.entry.end)]
    first_read = 0 if sample.entry.first_key is not None else len(seen) - 1
    return Look(sample, tuple(t for t, _ in seen), tuple(frame for _, frame in seen), first_read)
