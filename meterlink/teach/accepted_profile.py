"""A profile that agrees with every entry: its rivals, its held-out samples, and the report on it."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice

from meterlink.capture.capture_file import Capture, DisplayEntry
from meterlink.core.readings import Status
from meterlink.profiles import Profile
from meterlink.profiles.model import Checksum, DriverName
from meterlink.teach import limits
from meterlink.teach.confirmations import confirm_meanings
from meterlink.teach.couplings import leave_out_uncertain_overloads
from meterlink.teach.decoding import frame_decoder, open_driver, says, without_checks
from meterlink.teach.explanations import Explanation, ordered
from meterlink.teach.negative_counts import leave_out_uncertain_negatives
from meterlink.teach.packets_beside import add_packets_beside
from meterlink.teach.repeated_frames import mark_counted
from meterlink.teach.report import FunctionReport, TeachReport, name_bytes
from meterlink.teach.rivals import Disagreement, find_disagreement
from meterlink.teach.samples import MeterFunction, Sample, may_overload
from meterlink.teach.slow_bytes import find_still_bytes
from meterlink.teach.unexplained import UnexplainedError
from meterlink.teach.ways import Way
from meterlink.teach.wishes import A_STILL_NEGATIVE_READING, AN_HOUR_LATER, range_wish
from meterlink.teach.yields import find_yield


@dataclass(frozen=True, slots=True)
class AcceptedProfile:
    """A profile that no rival contradicts, and the outcomes of its held-out samples as far as they are known."""

    way: Way
    samples: Sequence[Sample]
    learned: Explanation
    outcomes: list[bool | None]


def find_rival(way: Way, learned: Explanation, samples: Sequence[Sample]) -> Disagreement | None:
    """Return a frame that the next best explanation reads differently; None if they agree, or there is no other."""
    if way.explain is None:
        return None
    rival = next((one for one in islice(way.explain(samples), 1, 2)), None)
    if rival is None:
        return None
    first, second = (frame_decoder(without_checks(one.profile), way.channel) for one in (learned, rival))
    shown = [sample.frame for sample in samples if sample.is_number]
    return find_disagreement(first, second, (frame for _, frame in way.frames), shown, learned.used | rival.used)


def hold_out(found: AcceptedProfile) -> None:
    """Note for each sample whether it decodes right when it is held out; None if it is not decoded."""
    way, samples, outcomes = found.way, found.samples, found.outcomes
    folds = min(limits.HELD_OUT_GROUPS, len(samples))
    for fold in range(folds):
        try:
            learned = way.learn([sample for place, sample in enumerate(samples) if place % folds != fold])
        except UnexplainedError:
            continue
        decode = frame_decoder(learned.profile, way.channel, way.ending)
        for place in range(fold, len(samples), folds):
            reading = decode(samples[place].frame)
            if says(reading, samples[place].displayed):
                outcomes[place] = True
            elif reading is not None and reading.status is not Status.INVALID:
                outcomes[place] = False


def accepted_report(found: AcceptedProfile, capture: Capture, unused: tuple[DisplayEntry, ...]) -> TeachReport:
    """Return the report on the profile found; ``unused`` are the entries of ``capture`` without a frame."""
    way, samples, learned = found.way, found.samples, found.learned
    certain, uncertain = leave_out_uncertain_overloads(learned.profile, samples)
    confirmed, single = confirm_meanings(certain, samples)
    certain, negative = leave_out_uncertain_negatives(confirmed, way.channel, way.frames, samples)
    profile = mark_counted(add_packets_beside(certain, way, samples, capture), way)
    alone = (*single, *(sample for sample in negative if sample not in single))
    frames = {frame for _, frame in way.frames}
    others = find_yield(open_driver(profile, way.channels), way.channels, capture, frames)
    numbers = _still_numbers(profile, way)
    settled = not (learned.pinned or learned.unfinished or numbers) and others.share_read >= limits.LEAST_YIELD
    functions = dict.fromkeys(sample.function for sample in samples)
    # A line names its unknown word; a frame has only the time at which it was refused.
    first, then = (learned.wanted, others.suggested_readings)[:: 1 if way.explain is None else -1]
    confirming = [
        *(f"a second reading like {sample.entry.text}" for sample in single),
        *[A_STILL_NEGATIVE_READING] * bool(negative),
        *uncertain,
    ]
    if learned.lone_overload is not None:
        alone = (*alone, learned.lone_overload)
    still = _still_bytes(found)
    return TeachReport(
        profile=profile,
        entries=len(capture.entries),
        frames=len(way.frames),
        encoding=learned.encoding,
        framing=way.framing,
        checksum=_check_words(way.check),
        functions=tuple(_function_report(one, found, alone, still, settled=settled) for one in functions),
        unused_entries=unused,
        unexplained_bits=tuple(f"{position // 8}.{position % 8}" for position in sorted(learned.idle)),
        unconfirmed_entries=tuple(sample.entry for sample in alone),
        slow_bytes=learned.freed,
        pinned_bytes=tuple(one.at for one in learned.pinned),
        unlabelled_frames=others.frames,
        unlabelled_read=others.read,
        still_bytes=still,
        suggested_readings=ordered(
            confirming, first, then, _later(name_bytes(still) if still else ""), _later(numbers)
        ),
    )


def _function_report(
    function: MeterFunction,
    found: AcceptedProfile,
    unconfirmed: Sequence[Sample],
    still: tuple[int, ...],
    *,
    settled: bool,
) -> FunctionReport:
    samples, outcomes, learned = found.samples, found.outcomes, found.learned
    ours = [place for place, sample in enumerate(samples) if sample.function == function]
    refused = [samples[place] for place in ours if outcomes[place] is None]
    # Nobody is asked to overload the meter on volts or amps.
    asked = [sample for sample in refused if not sample.displayed.overload or may_overload([sample])]
    alone = [f"another reading like {sample.entry.text}" for sample in asked]
    units = tuple(dict.fromkeys(samples[place].displayed.unit for place in ours if samples[place].displayed.unit))
    shown = {(samples[place].displayed.unit, samples[place].places) for place in ours if samples[place].is_number}
    return FunctionReport(
        function=str(function),
        entries=len(ours),
        right=sum(outcomes[place] is True for place in ours),
        not_decoded=len(refused),
        wrong=sum(outcomes[place] is False for place in ours),
        units=units,
        suggested_readings=tuple(dict.fromkeys(alone)),
        settled=settled and not any(sample.function == function for sample in unconfirmed),
        still_bytes=still,
        one_range=len(shown) == 1 and any(range_wish(unit) in learned.wanted for unit in units),
    )


def _still_bytes(found: AcceptedProfile) -> tuple[int, ...]:
    """Return the bytes that never moved and are neither the number nor a part of its frame; none of a display."""
    learned, way = found.learned, found.way
    if way.explain is None or learned.profile.driver is DriverName.SEGMENTED:
        return ()  # a display has no clock and no level, but segments that were never lit
    slow = {8 * at for at in (*learned.freed, *(one.at for one in learned.pinned))}
    return find_still_bytes(way.frames, learned.used | way.exempt | slow)


def _still_numbers(profile: Profile, way: Way) -> str:
    """Return the numbers beside the value that never changed in a short recording, in words; empty for none."""
    fixed = profile.text.fixed_numbers if profile.text is not None else ()
    if not fixed or way.frames[-1][0] - way.frames[0][0] >= limits.LONG_RECORDING_SECONDS:
        return ""
    return f"the number{'s' * (len(fixed) > 1)} {' and '.join(number for _, number in fixed)} beside the value"


def _later(still: str) -> tuple[str, ...]:
    """Return the recording that shows whether one of the parts that stood still follows time; none without one."""
    if not still:
        return ()
    readings = f"{AN_HOUR_LATER}, added to this recording"
    why = "packets are refused once a clock or the level of a battery in it moves"
    return (f"{readings}: {still} never moved, and {why}",)


def _check_words(check: Checksum | None) -> str:
    if check is None:
        return ""
    what = f"{check.kind} of {8 * check.size} bits"
    return what + (f", polynomial 0x{check.polynomial:X}" if check.polynomial else "")
