"""Comments in a taught profile: the meaning of each part, its entries, and the readings still missing."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from meterlink.capture.capture_file import Capture, DisplayEntry, pair_packets
from meterlink.core.clock import Timestamp
from meterlink.core.text import clean_text
from meterlink.driver_api import Reading, Status
from meterlink.profiles.driver import open_profile_driver
from meterlink.profiles.fields import compile_location
from meterlink.profiles.framing import CompiledFraming
from meterlink.profiles.model import Code, Flag, Framing, Meaning, Profile, TextFormat
from meterlink.profiles.tokens import blank_out_checksums, compile_tokenizer
from meterlink.profiles.writer import ProfileComments, TableComments, code_key, quoted, write_profile
from meterlink.teach.report import TeachReport, name_bytes

_LONGEST_COMMENT = 160  # characters; an editor shows as many in a line

_FLAG_TEXTS = {
    Flag.NEGATIVE: "The minus",
    Flag.OVERLOAD: "The overload",
    Flag.HOLD: "The display hold",
    Flag.RELATIVE: "The relative mode",
    Flag.LOW_BATTERY: "The low battery",
}


@dataclass(frozen=True, slots=True)
class _Shown:
    """An entry, and the frame that the profile decoded for it, without its key."""

    entry: DisplayEntry
    reading: Reading
    frame: bytes


_KEYS_OF_LINES = {
    "same_numbers": "Positions of numbers that are the value again.",
    "lines_before": "A number counts behind these lines only.",
}


def write_taught_profile(report: TeachReport, capture: Capture) -> str:
    """Return the TOML of the profile of ``report``, which was taught from ``capture``, with comments.

    Raises:
        ValueError: the report has no profile.
    """
    if report.profile is None:
        raise ValueError("a report without a profile cannot be written")
    return write_profile(report.profile, comment_profile(report.profile, report, capture))


def comment_profile(profile: Profile, report: TeachReport, capture: Capture) -> ProfileComments:
    """Return the comments of ``profile``: their counts are those of the entries of ``capture`` that it decodes."""
    shown = tuple(_shown(profile, capture))
    return ProfileComments(
        head=_comments(_head(report)),
        frame=TableComments(
            (clean_text(f"Frames: {report.framing}.", _LONGEST_COMMENT),),
            {"counted": "A frame that comes again is refused: no new one equals the one before."},
        ),
        beside=TableComments(
            ("A packet beside the frames in a known state: while the last one differs, none is read.",)
        ),
        checksum=_comments([f"Check bytes: {report.checksum}. A frame with wrong check bytes is refused."]),
        value=_comments(_value(report, shown)),
        points=TableComments(
            ("How many digits stand after the point while a bit is lit. A point that was never lit is refused.",)
        ),
        codes=tuple(_code(code, shown) for code in profile.codes),
        annunciators=_annunciators(profile, shown),
        text=TableComments(_comments(_value(report, shown)).above, _KEYS_OF_LINES),
        words=_words(profile.text, shown) if profile.text is not None else TableComments(),
    )


def _shown(profile: Profile, capture: Capture) -> Iterator[_Shown]:
    """Yield each entry with the last reading of its window."""
    driver = open_profile_driver(profile, sorted({packet.channel for packet in capture.packets}))
    verify_frame = CompiledFraming(profile.framing or Framing()).verify_frame
    last: dict[int, _Shown] = {}
    described: dict[int, DisplayEntry | None] = {}  # by the time of the packet that completes a frame
    for packet, label in pair_packets(capture):
        moment = round(packet.seconds * 1e9)
        described[moment] = label
        for reading in driver.feed(packet.channel, packet.data, Timestamp(moment, moment)):
            entry = described[reading.timestamp.monotonic_ns]
            if entry is not None and reading.status is not Status.INVALID:
                frame = (reading.packet, reading.packet) if profile.text is not None else verify_frame(reading.packet)
                if frame is not None:
                    last[id(entry)] = _Shown(entry, reading, frame[1])
    yield from last.values()


def _comments(lines: Sequence[str] | Iterator[str]) -> TableComments:
    return TableComments(tuple(clean_text(line, _LONGEST_COMMENT) for line in lines))


def _head(report: TeachReport) -> Iterator[str]:
    yield f"Taught from {_count(report.entries, 'entry', 'entries')} and {_count(report.frames, 'frame', 'frames')}."
    yield "What no entry showed is refused, not guessed. Teaching again writes this file anew."
    for one in report.functions:
        yield f"{one.function}: {one.confidence} ({_count(one.entries, 'entry', 'entries')}; held out: {one.held_out})."
    if report.unlabelled_frames:
        frames = _count(report.unlabelled_frames, "frame", "frames")
        yield f"It reads {report.unlabelled_read} of {frames} without an entry."
    for entry in report.unconfirmed_entries:
        has_number = entry.displayed_value.overload  # an overload without one is read
        why = ", because its packets hold a number" if has_number else " before a second entry confirms it"
        yield f"Shown once, and not read{why}: {entry.text}."
    if report.slow_bytes:
        yield f"Free to change, because they follow time: bytes {', '.join(map(str, report.slow_bytes))}."
    if report.pinned_bytes:
        yield f"They may follow time, but must not change yet: bytes {', '.join(map(str, report.pinned_bytes))}."
    if report.still_bytes:
        yield f"They never moved, so that a frame in which one moves is refused: {name_bytes(report.still_bytes)}."
    if report.unexplained_bits:
        yield f"Ignored, because they changed under the same display: bits {', '.join(report.unexplained_bits)}."
    for suggestion in report.suggested_readings:
        yield f"Not shown yet: {suggestion}."


def _value(report: TeachReport, shown: Sequence[_Shown]) -> Iterator[str]:
    yield f"The number: {report.encoding}."
    units = dict.fromkeys(one.reading.unit for one in shown)
    for unit in units:
        numbers = [one.reading.digits for one in shown if one.reading.unit == unit and one.reading.digits is not None]
        if numbers:
            count = _count(len(numbers), "number", "numbers")
            yield f"Shown in {unit}: {count}, from {min(numbers):f} to {max(numbers):f}."


def _code(code: Code, shown: Sequence[_Shown]) -> TableComments:
    meanings = [meaning for _, meaning in code.meanings]
    flags = [meaning.flag for meaning in meanings if meaning.flag is not None]
    refusal = "A frame with any other content is refused."
    if any(meaning != Meaning() and meaning.flag is None for meaning in meanings):
        above = f"Unit, range, AC or DC. {refusal}"
    elif flags:
        above = f"{_FLAG_TEXTS.get(flags[0], f'The mark {flags[0]}')}: bits that always changed together. {refusal}"
    elif len(meanings) == 1:
        above = "These bits never changed, so their meaning is not known. A frame in which one differs is refused."
    else:
        above = f"Contents that were shown. {refusal}"
    read = compile_location(code.location)
    rows: dict[str, str] = {}
    for number, _ in code.meanings:
        texts = [one.entry.text for one in shown if read(one.frame) == number]
        if texts:
            first = clean_text(texts[0])
            many = f"{_count(len(texts), 'entry', 'entries')}, the first: {first}"
            rows[code_key(code, number)] = f"1 entry: {first}" if len(texts) == 1 else many
    return TableComments((above,), rows)


def _annunciators(profile: Profile, shown: Sequence[_Shown]) -> TableComments:
    lines = {}
    for bit, _ in profile.annunciators:
        lit = sum((one.frame[bit.byte] >> bit.bit & 1) != bit.inverted for one in shown)
        lines[quoted(str(bit))] = f"lit in {lit} of {_count(len(shown), 'entry', 'entries')}"
    return TableComments(("Bits with a meaning of their own, lit or not.",), lines)


def _words(text: TextFormat, shown: Sequence[_Shown]) -> TableComments:
    tokenize = compile_tokenizer(text)
    count = Counter(
        word for one in shown for word in set(tokenize(blank_out_checksums(one.frame, text.checksums)).words)
    )
    entries = partial(_count, one="entry", many="entries")
    lines = {quoted(word): f"in {entries(count[word])}" for word, _ in text.words}
    return TableComments(("Words of a line. A line with a word that is neither here nor in ignore is refused.",), lines)


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
