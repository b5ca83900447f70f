"""Captures: the packets of a meter and the values its display showed, as JSON Lines. Pure.

One JSON object a line, in any order of time:

- ``{"t": 12.345, "channel": "<characteristic key>", "hex": "a5…"}``: a packet that came at ``t`` seconds;
- ``{"t": 12.9, "display": "4.70 uF"}``: an entry, a value that a person read off the display. It describes the packets
  of the 0.4 s before it, unless ``"from"`` and ``"to"`` (seconds on the same clock, both included) say otherwise;
  with ``"first_key": 9.1``, the time when the person began to type, it describes those of the 0.4 s before that key;
- ``{"meter": {"name": "…", "services": ["<uuid>", …]}}``, at most once: the name and the services that the meter
  advertised; and the writes and reads it needed, where a person gave them:
  ``"writes": [{"to": "<uuid>", "hex": "a501", "every": 2}]``, ``"reads": [{"from": "<uuid>", "every": 0.5}]``.

Other keys are ignored, so that other programs may add notes of their own. ``t`` may count from any moment.
"""

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from itertools import islice
from typing import Any

from meterlink.core.errors import InputError
from meterlink.core.nesting import is_too_deep
from meterlink.core.readings import Coupling
from meterlink.core.text import clean_text
from meterlink.core.unit_words import COUPLING_WORDS, OHM_PREFIX_WORDS
from meterlink.core.units import Quantity, parse_number, parse_unit_word, quantity_of
from meterlink.driver_api import Channel, CharacteristicWrite

ENTRY_WINDOW = 0.4
"""Seconds before an entry that it describes: a display refreshes two to five times a second (common practice)."""

READING_DELAY = 2.5
"""Seconds before the first key in which a person may have read the display: 1 to 2 s, and a refresh (no source)."""

SHORTEST_PERIOD, LONGEST_PERIOD = 0.1, 3600.0
"""Seconds between two reads or writes: a display changes two to five times a second, a keep-alive comes in minutes."""

_TIME_DECIMALS = 6  # decimals of a time: µs; without rounding 12.9 - 0.4 would not be 12.5 for every such pair
# s either way: the year 2096 where they count from 1970. A difference of two, in ns, has the 64 bits of the database.
_LONGEST_TIME = 4_000_000_000
_LONGEST_TEXT = 64  # characters of an entry; no display shows more

# Matched without points: a display may light a point in OL to show the range.
_OVERLOAD = re.compile(r"[0O]L", re.IGNORECASE)
_BLANK = re.compile(r"-{2,}|blank|", re.IGNORECASE)
_SURROGATE = re.compile("[\ud800-\udfff]")
_SIGN = re.compile(r"([+-])\s+(?=[-0-9.])")
_FLAGS = {
    "hold": "hold",
    "rel": "relative",
    "relative": "relative",
    "lowbat": "low_battery",
    "lobat": "low_battery",
}
_IGNORED_WORDS = {"auto", "manual"}  # shown beside a value, no part of it


@dataclass(frozen=True, slots=True)
class DisplayedValue:
    """The content of a display, as an entry gives it.

    ``digits`` is the number in ``unit`` (a display unit), trailing zeros and a minus before zeros kept; None where the
    display showed overload (``overload``) or no number (``blank``). ``unit`` is empty and ``quantity`` None only where
    an entry without number names none. ``negative``: a minus was lit. ``coupling`` is None where neither AC nor DC was
    written. ``flags`` may hold ``hold``, ``relative`` and ``low_battery``.
    """

    digits: Decimal | None
    unit: str = ""
    quantity: Quantity | None = None
    coupling: Coupling | None = None
    overload: bool = False
    negative: bool = False
    flags: frozenset[str] = frozenset()

    @property
    def blank(self) -> bool:
        """Whether the display showed neither a number nor an overload."""
        return self.digits is None and not self.overload


@dataclass(frozen=True, slots=True)
class CapturedPacket:
    """A packet of one channel, at ``seconds``. ``line_number`` is its line in the file, 0 for none."""

    seconds: float
    channel: str
    data: bytes
    line_number: int = 0


@dataclass(frozen=True, slots=True)
class DisplayEntry:
    """A value read off the display at ``seconds``; it describes the packets from ``begin`` to ``end``, both included.

    `make_display_entry` makes an entry with the usual window. ``text`` is readable by `parse_displayed_value`.
    ``first_key`` is the time at which the person began to type it, None if that was not recorded.
    """

    seconds: float
    text: str
    begin: float
    end: float
    line_number: int = 0
    first_key: float | None = None

    @property
    def earliest_look(self) -> float:
        """The earliest time (s) at which the person may have read the display; ``begin`` without a ``first_key``."""
        return self.begin if self.first_key is None else min(self.begin, self.first_key - READING_DELAY)

    @property
    def displayed_value(self) -> DisplayedValue:
        """The displayed value that ``text`` gives."""
        return parse_displayed_value(self.text)


@dataclass(frozen=True, slots=True)
class ConnectionRequests:
    """The writes and reads that a person gave for a meter; their keys are UUIDs.

    ``writes`` are made after subscribing, once or repeatedly with a period in seconds; ``reads`` repeatedly.
    """

    writes: tuple[CharacteristicWrite, ...] = ()
    reads: tuple[Channel, ...] = ()


@dataclass(frozen=True, slots=True)
class CapturedMeter:
    """The captured meter: its cleaned name, the service UUIDs it advertised, and the requests to it."""

    name: str = ""
    service_uuids: tuple[str, ...] = ()
    requests: ConnectionRequests = ConnectionRequests()


@dataclass(frozen=True, slots=True)
class Capture:
    """Packets and entries in order of time (for equal times, in the order of the file).

    ``cut_line`` is the number of a last line that was cut off, and is left out; 0 without one.
    """

    packets: tuple[CapturedPacket, ...]
    entries: tuple[DisplayEntry, ...] = ()
    meter: CapturedMeter | None = None
    cut_line: int = 0


def make_display_entry(
    seconds: float, text: str, begin: float | None = None, end: float | None = None, *,
    first_key: float | None = None, line_number: int = 0,
) -> DisplayEntry:  # fmt: skip
    """Return an entry. Its window (s) ends at ``end``, else at ``first_key``, else at ``seconds``.

    Raises:
        InputError: the text is no displayed value, the window ends before it begins, or the first key is later than the
            entry.
    """
    parse_displayed_value(text)
    if first_key is not None and first_key > seconds:
        raise InputError(f"The entry's first key, at {first_key:g} s, is later than the entry.", "Correct first_key.")
    end = (seconds if first_key is None else first_key) if end is None else end
    begin = round(end - ENTRY_WINDOW, _TIME_DECIMALS) if begin is None else begin
    if end < begin:
        raise InputError(
            f"The entry's window ends at {end:g} s, before it begins at {begin:g} s.", "Correct from or to."
        )
    return DisplayEntry(seconds, text, begin, end, line_number, first_key)


@lru_cache(maxsize=4096)
def parse_displayed_value(text: str) -> DisplayedValue:
    """Return the content of an entry: ``4.70 uF``, ``-12.34 mV DC``, ``0.000 VAC``, ``OL Mohm``, ``---``, ``-0.00 V``.

    The number is as displayed. ``OL`` and ``0L`` (with a point anywhere) are overload; ``---`` and ``blank`` are no
    number. The unit is spelled as `meterlink.core.units.parse_unit_word` reads it; only an overload or a blank needs
    none. ``AC``, ``DC``, ``HOLD``, ``REL``, ``LOWBAT`` and ``AUTO`` may be added.

    Raises:
        InputError: the text is anything else, or it names both AC and DC.
    """
    if len(text) > _LONGEST_TEXT:
        raise InputError(f"{text[:_LONGEST_TEXT]!r}… is longer than a display.", "Write the displayed value only.")
    # Some keyboards and editors write U+2212, the minus of typography.
    text = _SIGN.sub(r"\1", text.replace("\u2212", "-").strip())
    couplings: set[Coupling] = set()
    flags: set[str] = set()
    words = []
    for word in text.split():
        if word.lower() in COUPLING_WORDS:
            couplings.add(COUPLING_WORDS[word.lower()])
        elif word.lower() in _FLAGS:
            flags.add(_FLAGS[word.lower()])
        elif word.lower() not in _IGNORED_WORDS:
            words.append(word)
    first_word = words[0] if words else ""
    without_points = first_word.replace(".", "")
    overload = bool(_OVERLOAD.fullmatch(without_points.lstrip("+-")))
    if overload or _BLANK.fullmatch(without_points):
        digits, unit_text = None, " ".join(words[1:])
    else:
        digits, unit_text = parse_number(" ".join(words))
    unit = ""
    if unit_text or digits is not None:
        # On a display a prefix without a unit means ohms.
        prefix_alone = unit_text in OHM_PREFIX_WORDS and unit_text != "R"
        unit_word = parse_unit_word(unit_text, Quantity.RESISTANCE if prefix_alone else None)
        unit = unit_word.unit
        if unit_word.coupling is not None:
            couplings.add(unit_word.coupling)
    if len(couplings) > 1:
        raise InputError(f"{text!r} names both AC and DC.", "Write the coupling that the display shows for the value.")
    return DisplayedValue(
        digits=digits,
        unit=unit,
        quantity=quantity_of(unit) if unit else None,
        coupling=next(iter(couplings), None),
        overload=overload,
        negative=first_word.startswith("-") and (overload or digits is not None),
        flags=frozenset(flags),
    )


def parse_capture(text: str, source: str) -> Capture:
    """Return the capture in ``text``, which was read from ``source``.

    A last line that was cut off is left out: the recording ended with a full disk, or with the power.

    Raises:
        InputError: a line is wrong; the message begins with source and line: ``bench.jsonl:12: …``.
    """
    packets: list[CapturedPacket] = []
    entries: list[DisplayEntry] = []
    meter: CapturedMeter | None = None
    lines, cut_line = text.split("\n"), 0
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        if number == len(lines) > 1 and _is_cut_off(line):
            cut_line = number
            continue
        try:
            content = _parse_line(line, number)
        except InputError as error:
            raise InputError(f"{source}:{number}: {error.message}", error.remedy) from error
        match content:
            case CapturedPacket():
                packets.append(content)
            case DisplayEntry():
                entries.append(content)
            case CapturedMeter():
                meter = content
    packets.sort(key=lambda packet: packet.seconds)
    entries.sort(key=lambda entry: entry.seconds)
    return Capture(tuple(packets), tuple(entries), meter, cut_line)


def _is_cut_off(line: str) -> bool:
    """Return whether a line without an end is only the beginning of an object."""
    try:
        json.loads(line)
    except (ValueError, RecursionError):
        return line.startswith("{")
    return False


def format_capture(capture: Capture) -> str:
    """Return the text of a capture, one line an item, in order of time; `parse_capture` reads it back."""
    items: list[CapturedPacket | DisplayEntry] = sorted(
        (*capture.packets, *capture.entries), key=lambda item: item.seconds
    )
    head = [] if capture.meter is None else [meter_line(capture.meter)]
    return "".join(
        [*head, *(packet_line(item) if isinstance(item, CapturedPacket) else entry_line(item) for item in items)]
    )


def packet_line(packet: CapturedPacket) -> str:
    """Return the line of one packet, with its newline."""
    return _json_line({"t": round(packet.seconds, _TIME_DECIMALS), "channel": packet.channel, "hex": packet.data.hex()})


def entry_line(entry: DisplayEntry) -> str:
    """Return the line of one entry, with its newline; a window other than the usual is written, too."""
    fields: dict[str, Any] = {"t": round(entry.seconds, _TIME_DECIMALS), "display": entry.text}
    end = fields["t"]
    if entry.first_key is not None:
        end = fields["first_key"] = round(entry.first_key, _TIME_DECIMALS)
    if round(entry.begin, _TIME_DECIMALS) != round(end - ENTRY_WINDOW, _TIME_DECIMALS):
        fields["from"] = entry.begin
    if round(entry.end, _TIME_DECIMALS) != end:
        fields["to"] = entry.end
    return _json_line(fields)


def meter_line(meter: CapturedMeter) -> str:
    """Return the line of the captured meter, with its newline."""
    fields: dict[str, Any] = {"name": meter.name, "services": list(meter.service_uuids)}
    if meter.requests.writes:
        fields["writes"] = [
            {"to": write.key, "hex": write.data.hex()} | ({"every": write.period} if write.period else {})
            for write in meter.requests.writes
        ]
    if meter.requests.reads:
        fields["reads"] = [{"from": read.key, "every": read.period} for read in meter.requests.reads]
    return _json_line({"meter": fields})


def pair_packets(capture: Capture) -> Iterator[tuple[CapturedPacket, DisplayEntry | None]]:
    """Yield ``(packet, entry)`` for every packet in order of time; None where no entry describes the packet.

    Where windows overlap, the window that ends first counts; of equal ends, the window that begins last. A person
    writes an entry after the packets it describes, so packets before an earlier entry belong to that entry.
    """
    entries = sorted(capture.entries, key=lambda entry: (entry.end, -entry.begin))
    first = 0
    for packet in capture.packets:
        while first < len(entries) and entries[first].end < packet.seconds:
            first += 1
        yield packet, _find_entry(entries, first, packet.seconds)


def _find_entry(entries: Sequence[DisplayEntry], first: int, seconds: float) -> DisplayEntry | None:
    """Return the first entry from ``first`` on whose window holds ``seconds``; entries before ``first`` have ended."""
    return next((entry for entry in islice(entries, first, None) if entry.begin <= seconds), None)


def _json_line(fields: dict[str, Any]) -> str:
    return json.dumps(fields, ensure_ascii=False) + "\n"


def _parse_line(line: str, number: int) -> CapturedPacket | DisplayEntry | CapturedMeter:
    try:
        fields = json.loads(line)
    except (ValueError, RecursionError) as error:
        column = f" at column {error.colno}" if isinstance(error, json.JSONDecodeError) else ""
        raise InputError(f"it is not JSON{column}.", 'Write {"t": 1.5, "channel": "…", "hex": "…"}.') from error
    if not isinstance(fields, dict):
        raise InputError("it is not a JSON object.", 'Write {"t": 1.5, "channel": "…", "hex": "…"}.')
    if is_too_deep(fields):
        raise InputError("its lists are nested too deeply.", 'Write {"t": 1.5, "channel": "…", "hex": "…"}.')
    if "\\u" in line and _SURROGATE.search(_json_line(fields)):  # JSON can escape what no file can have
        raise InputError("it has half a character.", "Write whole characters of Unicode.")
    if "hex" in fields:
        return CapturedPacket(_read_seconds(fields, "t"), _read_channel(fields), _read_data(fields), number)
    if "display" in fields:
        text = fields["display"]
        if not isinstance(text, str):
            raise InputError("display is not text.", 'Write "display": "4.70 uF".')
        begin = _read_seconds(fields, "from") if "from" in fields else None
        end = _read_seconds(fields, "to") if "to" in fields else None
        first_key = _read_seconds(fields, "first_key") if "first_key" in fields else None
        seconds = _read_seconds(fields, "t")
        return make_display_entry(seconds, text, begin, end, first_key=first_key, line_number=number)
    if isinstance(meter := fields.get("meter"), dict):
        return _parse_meter(meter)
    raise InputError("it is neither a packet nor a display entry.", 'Write "hex" or "display".')


def _parse_meter(meter: dict[str, Any]) -> CapturedMeter:
    services = meter.get("services", [])
    if not isinstance(services, list):
        raise InputError("services is not a list.", 'Write "services": ["<uuid>"].')
    writes = [
        CharacteristicWrite(_read_uuid(write, "to"), _read_data(write), _read_period(write))
        for write in _object_list(meter, "writes")
    ]
    reads = [Channel(_read_uuid(read, "from"), "read", _read_period(read)) for read in _object_list(meter, "reads")]
    if any(not read.period for read in reads):
        raise InputError("every is missing in a read.", 'Write {"from": "<uuid>", "every": 0.5}.')
    requests = ConnectionRequests(tuple(writes), tuple(reads))
    name = clean_text(str(meter.get("name", "")))
    return CapturedMeter(name, tuple(str(uuid).lower() for uuid in services), requests)


def _object_list(meter: dict[str, Any], key: str) -> list[dict[str, Any]]:
    items = meter.get(key, [])
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
        raise InputError(f"{key} is not a list of objects.", f'Write "{key}": [{{…}}], or leave it out.')
    return items


def _read_uuid(fields: dict[str, Any], key: str) -> str:
    uuid = fields.get(key)
    if not isinstance(uuid, str) or not uuid:
        raise InputError(f"{key} is not the UUID of a characteristic.", f'Write "{key}": "<uuid>".')
    return uuid.lower()


def _read_period(fields: dict[str, Any]) -> float:
    period = _read_seconds(fields, "every") if "every" in fields else 0.0
    if period and not SHORTEST_PERIOD <= period <= LONGEST_PERIOD:
        raise InputError(
            f"every {period:g} s is not usable.", f"Write {SHORTEST_PERIOD:g} to {LONGEST_PERIOD:g}, or leave it out."
        )
    return period


def _read_seconds(fields: dict[str, Any], key: str) -> float:
    value = fields.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not -_LONGEST_TIME <= value <= _LONGEST_TIME:
        message = f"{key} is missing." if value is None else f"{key} is not a number of seconds."
        raise InputError(message, f'Write "{key}": 12.345.')
    return float(value)


def _read_channel(fields: dict[str, Any]) -> str:
    channel = fields.get("channel")
    if not isinstance(channel, str):
        raise InputError("the packet has no channel.", 'Write "channel": "<characteristic uuid>".')
    return channel.lower()


def _read_data(fields: dict[str, Any]) -> bytes:
    try:
        return bytes.fromhex(fields["hex"])
    except (KeyError, TypeError, ValueError) as error:
        raise InputError("hex is not pairs of hexadecimal digits.", 'Write "hex": "a5040f".') from error
