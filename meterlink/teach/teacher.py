"""Teaching from a capture: ways to cut and encodings, the likeliest first, until one explains every entry."""

import re
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache, cached_property, partial
from itertools import chain, islice

from meterlink.capture.capture_file import (
    ENTRY_WINDOW,
    Capture,
    CapturedMeter,
    CapturedPacket,
    ConnectionRequests,
    DisplayedValue,
    DisplayEntry,
    make_display_entry,
    pair_packets,
)
from meterlink.capture.unit_questions import unit_question
from meterlink.core.clock import Timestamp
from meterlink.core.units import to_base
from meterlink.driver_api import Reading, Status
from meterlink.profiles import ProfileDriver, compile_profile, for_whole_frames, open_profile_driver
from meterlink.profiles.driver import characteristics_for_capture
from meterlink.profiles.fields import compile_number
from meterlink.profiles.model import (
    Checksum,
    ConnectionSetup,
    ConnectionWrite,
    DriverName,
    Framing,
    Match,
    NumberField,
    NumberType,
    Profile,
    Segments,
    TextFormat,
    ValueFormat,
)
from meterlink.profiles.uuids import canonical_uuid
from meterlink.teach.agreement import Agreement, Decode, find_agreement
from meterlink.teach.characters import character_encodings
from meterlink.teach.checksums import checksum_positions
from meterlink.teach.confirmations import confirm_meanings
from meterlink.teach.counters import CounterPositions, find_counters
from meterlink.teach.decimals import decimal_digit_encodings
from meterlink.teach.digit_codes import digit_code_encodings
from meterlink.teach.displays import add_constant_pool, lacks_constant_pool, segment_encodings
from meterlink.teach.dropped_digits import dropped_digit_encodings
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling
from meterlink.teach.excerpt import take_excerpt
from meterlink.teach.fixed_point import fixed_unit_encodings, rounded_unit_encodings
from meterlink.teach.floats import binary_float_encodings, decimal_float_encodings
from meterlink.teach.framings import FramingCandidate, framing_candidates
from meterlink.teach.hexadecimal_text import find_hexadecimal_text
from meterlink.teach.integers import integer_encodings
from meterlink.teach.likely_frames import LEAST_QUALITY, Guess, Look, likely_frames
from meterlink.teach.limits import LEAST_SHARE_BEGUN, LEAST_YIELD
from meterlink.teach.lines import is_text, line_candidates, text_formats, unknown_words
from meterlink.teach.parts import readings_to_add
from meterlink.teach.report import Contradiction, FunctionReport, TeachReport
from meterlink.teach.rivals import Disagreement, find_disagreement
from meterlink.teach.samples import MeterFunction, Sample, label_frames
from meterlink.teach.slow_bytes import SlowByte, find_slow_bytes
from meterlink.teach.states import (
    ContradictedWordError,
    FoundMeanings,
    FrameMeaning,
    UnexplainedError,
    find_meanings,
    meaning_candidates,
)
from meterlink.teach.yields import Yield, find_yield

FEWEST_ENTRIES = 4
"""Entries that teaching needs before it tries anything."""

_FOLDS = 10  # groups of entries held out in turn
_FEWEST_LABELLED = 0.8  # share of entries that must have a frame in their window, else frames are cut wrongly …
_FEWEST_CHECKED = 0.65  # … and the share if a checksum shows that they are cut right
_MOST_CUTS_LOOKED_AT = 4  # ways of cutting, the likeliest first, in which the number shown is looked for
_MOST_CUTS_BLAMED = 2  # ways of cutting tried in the search for the wrong entries
_ROOMY = frozenset({NumberType.FLOAT32, NumberType.FLOAT64, NumberType.FLOAT})
_NOWHEN = Timestamp(0, 0)
_NOTHING = "no way of writing the number was found that fits every entry"


def teach(capture: Capture, name: str = "taught") -> TeachReport:
    """Return a report with a profile that explains every entry of ``capture``, or with the reason why there is none.

    ``name`` is the name of the profile (lower-case letters, digits, hyphens). No capture raises an error.
    """
    teacher = Teacher(name, capture.meter)
    teacher.add_capture(capture)
    return teacher.result()


class Teacher:
    """Learns from packets and entries as they arrive.

    Times are seconds on any clock, the same for both. `result` is computed on request, and again only after an
    addition.
    """

    def __init__(self, name: str = "taught", meter: CapturedMeter | None = None) -> None:
        self._name = name
        self._meter = meter
        self._packets: list[CapturedPacket] = []
        self._labels: list[DisplayEntry] = []
        self._report: TeachReport | None = None

    def add_packet(self, t: float, channel: str, data: bytes) -> None:
        """Add a packet that arrived at ``t`` seconds on ``channel`` (a `Characteristic.key`)."""
        self._packets.append(CapturedPacket(t, channel, data))
        self._report = None

    def add_entry(self, t: float, text: str, begin: float | None = None, end: float | None = None) -> None:
        """Add the value that the display showed at ``t`` seconds.

        ``begin`` and ``end`` (seconds) limit the packets that it describes; None for the usual window.

        Raises:
            InputError: the text is not a displayed value, or the window ends before it begins.
        """
        self._labels.append(make_display_entry(t, text, begin, end))
        self._report = None

    def add_capture(self, capture: Capture) -> None:
        """Add all packets and entries of a capture."""
        self._packets += capture.packets
        self._labels += capture.entries
        self._meter = capture.meter or self._meter
        self._report = None

    def result(self) -> TeachReport:
        """Return the report on all packets and entries so far.

        An interrupt from the keyboard ends the search; the report is then the best so far.
        """
        if self._report is None:
            packets = tuple(sorted(self._packets, key=lambda packet: packet.seconds))
            labels = tuple(sorted(self._labels, key=lambda label: label.seconds))
            self._report = _report(take_excerpt(Capture(packets, labels, self._meter)), self._name)
        return self._report

    def next_suggestion(self) -> str:
        """Return a sentence that asks for the most useful reading; empty if no reading would help further."""
        report = self.result()
        if report.contradictions:
            return f"Check this: {report.contradictions[0]}."
        if report.entries < FEWEST_ENTRIES:
            return "Show readings that differ, and type each in: different digits, in every place."
        return f"Most useful now: {report.suggested_readings[0]}." if report.suggested_readings else ""


def _report(capture: Capture, name: str) -> TeachReport:
    """Return the report on the packets as they are; without a profile, on the bytes that their digits mean."""
    report = _Lesson(capture, name).report()
    if report.profile is not None or report.stopped:
        return report
    for text in find_hexadecimal_text(capture):
        found = _Lesson(text.capture, name).report()
        profile = None if found.profile is None else text.profile_of(found.profile)
        if profile is not None:
            return replace(found, profile=profile, framing=f"lines of hexadecimal digits; {found.framing}")
    return report


@dataclass(frozen=True, slots=True)
class _Learned:
    """A profile that explains every entry, its encoding in words, the readings that would help, and idle bits.

    ``freed`` and ``pinned`` are the slow bytes that may take any value, and those that may not. ``used`` are
    the positions of the number. ``unfinished``: a counter did not roll over, so the next byte may belong to it.
    """

    profile: Profile
    encoding: str
    wanted: tuple[str, ...]
    idle: frozenset[int] = frozenset()
    freed: tuple[int, ...] = ()
    pinned: tuple[SlowByte, ...] = ()
    used: frozenset[int] = frozenset()
    unfinished: bool = False


_Learn = Callable[[Sequence[Sample]], _Learned]


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to cut packets: its frames, and the function that learns from samples of them.

    ``explain`` yields further explanations of the samples after the one that ``learn`` returns; None for text.
    """

    channel: str
    framing: str
    frames: tuple[tuple[float, bytes], ...]
    learn: _Learn
    ending: bytes = b""
    check: Checksum | None = None
    explain: Callable[[Sequence[Sample]], Iterator[_Learned]] | None = None
    exempt: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class _Found:
    """A profile that no rival contradicts, and the outcomes of its held-out samples as far as they are known."""

    way: _Way
    samples: Sequence[Sample]
    learned: _Learned
    outcomes: list[bool | None]


class _Lesson:
    def __init__(self, capture: Capture, name: str) -> None:
        self.capture = capture
        self.name = name
        self._found: _Found | None = None

    @cached_property
    def channels(self) -> list[str]:
        """The channels of packets that entries describe, the busiest first."""
        described = [packet.channel for packet, label in pair_packets(self.capture) if label is not None]
        return sorted(set(described), key=lambda channel: -described.count(channel))

    @cached_property
    def unused(self) -> tuple[DisplayEntry, ...]:
        used = {id(label) for _, label in pair_packets(self.capture) if label is not None}
        return tuple(label for label in self.capture.entries if id(label) not in used)

    def report(self) -> TeachReport:
        try:
            return self._search()
        except KeyboardInterrupt:
            if self._found is None:
                return replace(self._refused("the search was stopped before it found a profile", ()), stopped=True)
            return replace(self._accepted(self._found), stopped=True)

    def _search(self) -> TeachReport:
        labels = [label for label in self.capture.entries if label not in self.unused]
        if len(labels) < FEWEST_ENTRIES:
            return self._refused(f"{len(labels)} entries with packets are too few", ("readings that differ",))
        if question := _question(labels):
            return self._refused(question, ())
        reason, tried = _NOTHING, []
        contradicted = 0.0  # the most packets that begin a frame, in a way of cutting that an entry contradicts
        for way in self._ways():
            _, samples = label_frames(way.frames, labels)
            if len(samples) < (_FEWEST_LABELLED if way.check is None else _FEWEST_CHECKED) * len(labels):
                continue
            tried.append((way, samples))
            begun = 0.0
            try:
                explained = way.learn(samples)
                begun = self._share_begun(way, explained)
                # Frames that begin amid packets hold the end of one display and the beginning of the next. They also
                # explain the entries of a still display, and may do so where one packet of the true frames is missing.
                if begun < contradicted * LEAST_SHARE_BEGUN:
                    continue
                learned = self._verified(way, explained, labels, samples)
            except ContradictedWordError as error:
                return self._refused(str(error), ())
            except UnexplainedError as error:
                contradicted = max(contradicted, begun)
                reason = str(error) if reason == _NOTHING else reason
                continue
            return self._concluded(way, samples, learned)
        for way, samples, looks, guesses in self._promising(tried):
            agreement = self._agreement(way, samples, looks, guesses)
            if agreement is not None:
                return self._agreed(way, samples, agreement, reason)
        contradictions = self._contradictions(tried)
        wanted = () if contradictions else readings_to_add([label.displayed_value for label in labels])
        return self._refused(reason, wanted, contradictions)

    def _contradictions(self, tried: Sequence[tuple[_Way, list[Sample]]]) -> tuple[Contradiction, ...]:
        """Return each entry that a profile made from all other entries does not decode as entered.

        A single slip among few entries, or in a state that the others show once, leaves no other entries that agree.
        """
        found = []
        for way, samples in tried[:_MOST_CUTS_BLAMED]:
            for sample in samples:
                try:
                    learned = way.learn([other for other in samples if other is not sample])
                except UnexplainedError:
                    continue
                reading = _decoder(learned.profile, way.channel, way.ending)(sample.frame)
                if not _says(reading, sample.displayed):
                    found.append(_contradiction(sample, reading))
            if found:
                break
        return tuple(found)

    def _promising(
        self, tried: Sequence[tuple[_Way, list[Sample]]]
    ) -> list[tuple[_Way, list[Sample], list[Look], list[Guess]]]:
        """Return the ways whose frames seem to contain the number shown, the best first, with what a person saw."""
        found = []
        for way, samples in tried[:_MOST_CUTS_LOOKED_AT]:
            looks = [_look(way, sample) for sample in samples]
            guesses = likely_frames(looks, way.exempt)
            if guesses[0].quality >= LEAST_QUALITY:
                found.append((way, samples, looks, guesses))
        return sorted(found, key=lambda one: -one[3][0].quality)[:_MOST_CUTS_BLAMED]

    def _agreement(
        self, way: _Way, samples: Sequence[Sample], looks: Sequence[Look], guesses: Sequence[Guess]
    ) -> Agreement | None:
        """Return what most entries agree on, if this way is the right one and some of them are slips."""
        stated = {sample.displayed.quantity for sample in samples if sample.displayed.coupling is not None}

        def says(reading: Reading | None, sample: Sample) -> bool:
            shown = sample.displayed
            forgotten = shown.coupling is None and shown.quantity in stated
            if forgotten and reading is not None and reading.coupling is not None:
                return False
            return _says(reading, shown)

        def learn(some: Sequence[Sample]) -> Decode:
            return _decoder(way.learn(some).profile, way.channel, way.ending)

        return find_agreement(looks, learn, says, guesses)

    def _agreed(self, way: _Way, samples: Sequence[Sample], agreement: Agreement, reason: str) -> TeachReport:
        """Return the report on entries of which most agree: a profile if all of them do."""
        near = tuple(samples[index].entry for index in sorted(agreement.near))
        if agreement.slips:
            named = tuple(_contradiction(samples[index], reading) for index, reading in sorted(agreement.slips.items()))
            return self._refused(reason, (), named, near)
        labels = []
        for index, at in sorted(agreement.read_frames.items()):
            read_at = _look(way, samples[index]).times[at]
            labels.append(replace(samples[index].entry, begin=read_at - ENTRY_WINDOW, end=read_at))
        _, read_samples = label_frames(way.frames, labels)
        try:
            learned = self._verified(way, way.learn(read_samples), labels, read_samples)
        except UnexplainedError as error:
            return self._refused(str(error), (), (), near)
        return replace(self._concluded(way, read_samples, learned), near_entries=near)

    def _concluded(self, way: _Way, samples: Sequence[Sample], learned: _Learned) -> TeachReport:
        """Return the report on a profile that agrees with all ``samples``: without it if a rival agrees, too."""
        rival = self._disagreement(way, learned, samples)
        if rival is not None:
            return self._refused(rival.reason(), (rival.wanted_reading(),))
        self._found = _Found(way, samples, learned, [None] * len(samples))
        self._hold_out(self._found)
        return self._accepted(self._found)

    def _share_begun(self, way: _Way, learned: _Learned) -> float:
        """Return the number of packets that begin a frame, as a share of the frames."""
        start = learned.profile.framing.start if learned.profile.framing is not None else b""
        packets = (packet.data for packet in self.capture.packets if packet.channel == way.channel)
        return sum(data.startswith(start) for data in packets) / len(way.frames)

    def _refused(
        self,
        reason: str,
        wanted: tuple[str, ...],
        contradictions: tuple[Contradiction, ...] = (),
        near: tuple[DisplayEntry, ...] = (),
    ) -> TeachReport:
        return TeachReport(
            profile=None,
            entries=len(self.capture.entries),
            frames=0,
            reason=reason,
            contradictions=contradictions,
            unused_entries=self.unused,
            near_entries=near,
            suggested_readings=wanted,
        )

    # Ways of cutting.

    def _ways(self) -> Iterator[_Way]:
        for channel in self.channels:
            packets = [packet for packet in self.capture.packets if packet.channel == channel]
            if is_text(packets):
                for text, lines in line_candidates(packets):
                    learn = partial(self._learn_text, channel, text, lines)
                    yield _Way(channel, "lines", lines, learn, text.end.encode())
            for cut in framing_candidates(packets):
                yield self._binary_way(cut)

    def _binary_way(self, cut: FramingCandidate) -> _Way:
        frames = [frame for _, frame in cut.frames]
        lengths = {len(frame) for frame in frames}
        check = cut.checksum
        # Of frames of several lengths, only their common bytes are used, without the check bytes at the end.
        common = min(lengths) + (check.at if check is not None and len(lengths) > 1 else 0)
        short = [frame[:common] for frame in frames]
        counted = find_counters(short) if common > 0 else CounterPositions()
        exempt = counted.positions
        slow = find_slow_bytes(short, [seconds for seconds, _ in cut.frames]) if common > 0 else ()
        if check is not None and len(lengths) == 1:
            exempt |= checksum_positions(check)

        def explain(samples: Sequence[Sample]) -> Iterator[_Learned]:
            return self._explanations(cut, check, exempt, common, samples, short, slow)

        def learn(samples: Sequence[Sample]) -> _Learned:
            learned = next(explain(samples))
            longer = [
                f"a longer recording, until the counter in byte {byte} rolls over" for byte in counted.unfinished_bytes
            ]
            later = [_later(one) for one in learned.pinned]
            return replace(
                learned, wanted=_ordered(learned.wanted, longer, later), unfinished=bool(counted.unfinished_bytes)
            )

        return _Way(
            cut.channel, _framing_words(cut.framing, lengths), cut.frames, learn, check=check, explain=explain,
            exempt=exempt,
        )  # fmt: skip

    # Learning.

    def _learn_text(
        self, channel: str, text: TextFormat, lines: Sequence[tuple[float, bytes]], samples: Sequence[Sample]
    ) -> _Learned:
        for found in text_formats(text, samples, lines):
            meter = self.capture.meter
            profile = Profile(self.name, DriverName.LINED, _connection(channel, meter), _match(meter), text=found)
            if _decodes_all(profile, channel, samples, text.end.encode()):
                strange = [f"an entry for a line with {word}" for word in unknown_words(found, lines)]
                return _Learned(profile, "numbers in lines of text", _ordered(strange[:1], _wanted_of(samples)))
        raise UnexplainedError(_NOTHING)

    def _explanations(
        self, cut: FramingCandidate, check: Checksum | None, exempt: frozenset[int], common: int,
        samples: Sequence[Sample], others: Sequence[bytes], slow: Sequence[SlowByte],
    ) -> Iterator[_Learned]:  # fmt: skip
        """Yield the profiles that agree with every sample, the likeliest first: at most one of each encoding.

        Raises:
            UnexplainedError: there is none.
        """
        shown = [
            replace(sample, frames=tuple(frame[:common] for frame in sample.frames))
            for sample in samples if not sample.displayed.blank
        ]  # fmt: skip
        if common < 1 or sum(sample.is_number for sample in shown) < FEWEST_ENTRIES:
            raise UnexplainedError(_NOTHING)
        table = SampleMatrix.from_samples(shown, others, exempt, slow)
        reason, number = _NOTHING, 0
        for encoding in _encodings(table):
            alike = [_alike(encoding, sample) for sample in table.samples]
            doubtful = None
            for said in meaning_candidates(table, encoding):
                try:
                    found = find_meanings(table, encoding, said, exempt, alike)
                except UnexplainedError as error:
                    reason = str(error) if reason == _NOTHING else reason
                    continue
                profile = self._profile(cut, check, encoding, said, found, samples)
                if _decodes_all(profile, cut.channel, samples):
                    # Digits first: a missing digit recurs again and again, an overload now and then.
                    digits = encoding.suggested_readings if isinstance(encoding.source, Segments) else ()
                    wanted = _ordered(digits, found.suggested_readings, encoding.suggested_readings)
                    learned = _Learned(
                        profile, encoding.name, wanted, found.unexplained_positions,
                        found.freed_bytes, found.pinned_bytes, encoding.used_positions,
                    )  # fmt: skip
                    doubtful = learned
                    if not found.doubtful or not encoding.needs_no_places:
                        break
                reason = "the profile found does not agree with every entry"
            # A meaning that may rest on chance is better left out: the last candidate demands the least of the frames.
            if doubtful is not None:
                number += 1
                yield doubtful
        if not number:
            raise UnexplainedError(reason)

    def _profile(
        self, cut: FramingCandidate, check: Checksum | None, encoding: Encoding,
        said: Sequence[FrameMeaning | None], found: FoundMeanings, samples: Sequence[Sample],
    ) -> Profile:  # fmt: skip
        units = {one.unit for one in said if one is not None}
        segmented = isinstance(encoding.source, Segments)
        source = encoding.source
        if not isinstance(source, Segments):
            ends = encoding.reserved_values.difference(found.overload_values)
            source = replace(source, overload=found.overload_values, invalid=tuple(sorted(ends)))
        elif lacks_constant_pool(source):
            source = add_constant_pool(source, found.constant_bits)
        unrounded = encoding.finer_than_display and any(one is not None and one.places is None for one in said)
        most_digits = None if unrounded else _most_digits(source, samples)
        size = max(len(frame) for _, frame in cut.frames)
        key = bytes(encoding.key.get(at, 0) for at in range(size)) if encoding.key else b""
        marks = tuple((at, byte ^ encoding.key.get(at, 0)) for at, byte in cut.framing.marks)
        checks = () if check is None else (replace(check, raw=bool(key)),)
        unit = units.pop() if len(units) == 1 else ""
        return Profile(
            name=self.name,
            driver=DriverName.SEGMENTED if segmented else DriverName.FRAMED,
            connection=_connection(cut.channel, self.capture.meter),
            match=_match(self.capture.meter),
            framing=replace(cut.framing, checksums=checks, key=key, marks=marks),
            value=ValueFormat(source, unit=unit, most_digits=most_digits, rounding=encoding.rounding),
            codes=found.codes,
            annunciators=found.annunciators,
        )

    def _verified(
        self, way: _Way, learned: _Learned, labels: Sequence[DisplayEntry], samples: Sequence[Sample]
    ) -> _Learned:
        """Return ``learned`` if its profile, fed the packets in order, agrees with every entry.

        Raises:
            UnexplainedError: a reading contradicts an entry.
        """
        driver = _open(learned.profile, way.channel)
        frames = {frame for _, frame in way.frames}
        last: dict[int, Reading] = {}
        for packet, label in pair_packets(Capture(self.capture.packets, tuple(labels))):
            moment = round(packet.seconds * 1e9)
            came = Timestamp(moment, moment)
            readings = driver.feed(way.channel, packet.data, came) if packet.channel == way.channel else ()
            for reading in readings:
                # Other packets make invalid readings, which prove nothing about the display.
                if label is not None and reading.packet in frames:
                    last[id(label)] = reading
        for sample in samples:
            if not _allows(last.get(id(sample.entry)), sample.displayed):
                raise UnexplainedError(f"the profile found contradicts the entry {sample.entry.text!r}")
        return learned

    # The report.

    def _accepted(self, found: _Found) -> TeachReport:
        way, samples, learned, outcomes = found.way, found.samples, found.learned, found.outcomes
        functions = dict.fromkeys(sample.function for sample in samples)
        profile, alone = confirm_meanings(learned.profile, samples)
        others = self._yield(profile, way)
        settled = not learned.pinned and not learned.unfinished and others.share_read >= LEAST_YIELD
        # A line names its unknown word; a frame has only the time at which it was refused.
        first, then = (learned.wanted, others.suggested_readings)[:: 1 if way.explain is None else -1]
        confirming = [f"a second reading like {sample.entry.text}" for sample in alone]
        return TeachReport(
            profile=profile,
            entries=len(self.capture.entries),
            frames=len(way.frames),
            encoding=learned.encoding,
            framing=way.framing,
            checksum=_check_words(way.check),
            functions=tuple(_function_report(one, samples, outcomes, alone, settled=settled) for one in functions),
            unused_entries=self.unused,
            unexplained_bits=tuple(f"{position // 8}.{position % 8}" for position in sorted(learned.idle)),
            unconfirmed_entries=tuple(sample.entry for sample in alone),
            slow_bytes=learned.freed,
            pinned_bytes=tuple(one.at for one in learned.pinned),
            unlabelled_frames=others.frames,
            unlabelled_read=others.read,
            suggested_readings=_ordered(confirming, first, then),
        )

    def _disagreement(self, way: _Way, learned: _Learned, samples: Sequence[Sample]) -> Disagreement | None:
        """Return a frame that the next best explanation reads differently; None if they agree, or there is no other."""
        if way.explain is None:
            return None
        rival = next((one for one in islice(way.explain(samples), 1, 2)), None)
        if rival is None:
            return None
        first, second = (_decoder(_without_checks(one.profile), way.channel) for one in (learned, rival))
        shown = [sample.frame for sample in samples if sample.is_number]
        return find_disagreement(first, second, (frame for _, frame in way.frames), shown, learned.used | rival.used)

    def _yield(self, profile: Profile, way: _Way) -> Yield:
        return find_yield(_open(profile, way.channel), way.channel, self.capture, {frame for _, frame in way.frames})

    def _hold_out(self, found: _Found) -> None:
        """Note for each sample whether it decodes right when it is held out; None if it is not decoded."""
        way, samples, outcomes = found.way, found.samples, found.outcomes
        folds = min(_FOLDS, len(samples))
        for fold in range(folds):
            try:
                learned = way.learn([sample for place, sample in enumerate(samples) if place % folds != fold])
            except UnexplainedError:
                continue
            decode = _decoder(learned.profile, way.channel, way.ending)
            for place in range(fold, len(samples), folds):
                reading = decode(samples[place].frame)
                if _says(reading, samples[place].displayed):
                    outcomes[place] = True
                elif reading is not None and reading.status is not Status.INVALID:
                    outcomes[place] = False


def _contradiction(sample: Sample, reading: Reading | None) -> Contradiction:
    """Return the contradiction of an entry by ``reading``, which the others make of it."""
    return Contradiction(sample.entry, "" if reading is None or reading.status is Status.INVALID else reading.text)


def _question(labels: Sequence[DisplayEntry]) -> str:
    """Return the question that the first unclear entry raises; empty if all are clear."""
    for label in labels:
        if (question := unit_question(label.text)) is not None:
            where = f"line {label.line_number}" if label.line_number else f"at {label.seconds:g} s"
            return f"the entry {where} is not clear: {question}".rstrip(".")
    return ""


def _most_digits(source: NumberField | Segments, samples: Sequence[Sample]) -> int | None:
    """Return the most digits of a number whose field has room for far more: one more than shown; None elsewhere."""
    if isinstance(source, Segments) or source.type not in _ROOMY:
        return None
    return max(len(sample.digit_text) for sample in samples) + 1


def _encodings(table: SampleMatrix) -> Iterator[Encoding]:
    """Yield the encodings that fit, those that leave the least to chance first."""
    counts = [-sample.counts if sample.negative else sample.counts for sample in table.number_samples]
    scalings = [Scaling(sample.places if sample.is_number else None) for sample in table.samples]
    return chain(
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
    )


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
        pairs = zip(sample.frames, numbers, strict=True)
        return tuple(
            frame for frame, one in pairs if one is not None and last is not None and 100 * abs(one - last) <= abs(last)
        )
    mask = sum(1 << position for position in encoding.used_positions)
    shown = int.from_bytes(sample.frame, "little") & mask
    return tuple(frame for frame in sample.frames if int.from_bytes(frame, "little") & mask == shown)


def _look(way: _Way, sample: Sample) -> Look:
    """Return the frames that the person may have looked at. Without the time of a key, the last one was read."""
    times = [t for t, _ in way.frames]
    first = bisect_left(times, sample.entry.earliest_look)
    seen = way.frames[first : bisect_right(times, sample.entry.end)]
    first_read = 0 if sample.entry.first_key is not None else len(seen) - 1
    return Look(sample, tuple(t for t, _ in seen), tuple(frame for _, frame in seen), first_read)


def _open(profile: Profile, channel: str) -> ProfileDriver:
    return open_profile_driver(profile, [channel])


def _decoder(profile: Profile, channel: str, ending: bytes = b"") -> Callable[[bytes], Reading | None]:
    """Return a function that decodes a frame as the first of a connection; it remembers readings: many frames recur."""
    factory = compile_profile(for_whole_frames(profile))
    services = characteristics_for_capture(profile, [channel])

    def decode(frame: bytes) -> Reading | None:
        driver = factory.open(services)
        driver.begin_line()
        readings = driver.feed(channel, frame + ending, _NOWHEN)
        return readings[-1] if readings else None

    return cache(decode)


def _without_checks(profile: Profile) -> Profile:
    """Return the profile for frames that were made up, whose check bytes are wrong."""
    framing = profile.framing
    return profile if framing is None else replace(profile, framing=replace(framing, checksums=()))


def _decodes_all(profile: Profile, channel: str, samples: Sequence[Sample], ending: bytes = b"") -> bool:
    decode = _decoder(profile, channel, ending)
    return all(_allows(decode(sample.frame), sample.displayed) for sample in samples)


def _allows(reading: Reading | None, shows: DisplayedValue) -> bool:
    """Return whether a reading agrees with the display; an overload may also decode to no value."""
    if shows.overload and (reading is None or reading.status is Status.INVALID):
        return True
    return _says(reading, shows)


def _says(reading: Reading | None, shows: DisplayedValue) -> bool:
    """Return whether a reading is the value shown; digits beyond the display's are ignored."""
    if shows.blank:
        return reading is None or reading.status is Status.INVALID
    if reading is None or (shows.quantity is not None and reading.quantity is not shows.quantity):
        return False
    if shows.coupling is not None and reading.coupling is not shows.coupling:
        return False
    if shows.digits is None:
        return reading.status is Status.OVERLOAD
    if reading.digits is None:
        return False
    if reading.unit == shows.unit:
        told, shown, step = reading.digits, shows.digits, Decimal(1)
    else:
        told, shown = to_base(reading.digits, reading.unit), to_base(shows.digits, shows.unit)
        step = abs(to_base(Decimal(1), shows.unit) - to_base(Decimal(0), shows.unit))
    exponent = shows.digits.as_tuple().exponent
    half = Decimal((0, (5,), (exponent if isinstance(exponent, int) else 0) - 1)) * step
    places = reading.digits.as_tuple().exponent
    same_places = reading.unit == shows.unit and places == exponent
    return told == shown if same_places else abs(told - shown) <= half


def _connection(channel: str, meter: CapturedMeter | None) -> ConnectionSetup:
    asked = meter.requests if meter is not None else ConnectionRequests()
    uuid = _canonical(channel.partition("@")[0])
    writes = tuple(ConnectionWrite(_canonical(one.key), one.data, one.period, one.response) for one in asked.writes)
    periods = [read.period for read in asked.reads if _canonical(read.key) == uuid]
    if periods:
        return ConnectionSetup(read=(uuid,), every=periods[0], writes=writes)
    return ConnectionSetup(notify=(uuid,), writes=writes)


def _canonical(uuid: str) -> str:
    return canonical_uuid(uuid) or uuid


def _match(meter: CapturedMeter | None) -> Match:
    if meter is None:
        return Match()
    # A name may contain characters that have a meaning in a pattern.
    return Match(name=re.sub(r"[*?\[\]]", "?", meter.name), services=meter.service_uuids)


def _ordered(*groups: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(wish for group in groups for wish in group))


def _wanted_of(samples: Sequence[Sample]) -> tuple[str, ...]:
    wanted = []
    if not any(sample.negative for sample in samples) and any(sample.function.signed for sample in samples):
        wanted.append("a negative reading")
    if not any(sample.displayed.overload for sample in samples):
        wanted.append("an overload")
    return tuple(wanted)


def _function_report(
    function: MeterFunction,
    samples: Sequence[Sample],
    outcomes: Sequence[bool | None],
    unconfirmed: Sequence[Sample],
    *,
    settled: bool,
) -> FunctionReport:
    ours = [place for place, sample in enumerate(samples) if sample.function == function]
    refused = [samples[place] for place in ours if outcomes[place] is None]
    alone = [f"another reading like {sample.entry.text}" for sample in refused]
    return FunctionReport(
        function=str(function),
        entries=len(ours),
        right=sum(outcomes[place] is True for place in ours),
        not_decoded=len(refused),
        wrong=sum(outcomes[place] is False for place in ours),
        units=tuple(dict.fromkeys(samples[place].displayed.unit for place in ours if samples[place].displayed.unit)),
        suggested_readings=tuple(dict.fromkeys(alone)),
        settled=settled and not any(sample.function == function for sample in unconfirmed),
    )


def _later(slow: SlowByte) -> str:
    """Return the recording that shows whether the still bits of a slow byte follow time, too."""
    at = slow.at if slow.beside is None else slow.beside
    if slow.seconds_left is not None:
        minutes = max(1, round(slow.seconds_left / 60 + 0.5))
        return (
            f"a longer recording, until the counter in byte {at} rolls over "
            f"({minutes} minute{'s' * (minutes > 1)} more, without an entry)"
        )
    return (
        f"two of these readings an hour later, added to this recording: byte {at} moves slowly, as the level of a "
        "battery or a clock does"
    )


def _framing_words(framing: Framing, lengths: set[int]) -> str:
    size = " or ".join(map(str, sorted(lengths)))
    if framing.one_per_packet:
        return f"every packet is one frame of {size} bytes"
    return f"frames of {size} bytes that begin with {framing.start.hex(' ')}, split or joined in packets"


def _check_words(check: Checksum | None) -> str:
    if check is None:
        return ""
    what = f"{check.kind} of {8 * check.size} bits"
    return what + (f", polynomial 0x{check.polynomial:X}" if check.polynomial else "")
