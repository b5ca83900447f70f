"""Captures: the raw packets of a meter with what its display showed, as JSON Lines.

One JSON object a line, in any order of time:

- ``{"t": 12.345, "channel": "<characteristic key>", "hex": "a5…"}``: a packet that came at ``t`` seconds;
- ``{"t": 12.9, "shows": "4.70 uF"}``: a label, what a person read off the display. It describes the packets of the
  0.4 s before it, unless ``"from"`` and ``"to"`` (seconds on the same clock, both included) say otherwise;
- ``{"meter": {"name": "…", "services": ["<uuid>", …]}}``, at most once: what the meter said of itself on the air, and
  how it had to be spoken to, where that was asked for: ``"writes": [{"to": "<uuid>", "hex": "a501", "every": 2}]``,
  ``"reads": [{"from": "<uuid>", "every": 0.5}]``.

Other keys are ignored, so that whoever writes captures may add notes of their own. ``t`` may count from anywhere.
"""

import json
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Any

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.text import clean_text
from meterlink.core.units import Quantity, parse_number, parse_unit, quantity_of
from meterlink.driver_api import Channel, CharacteristicWrite

ENTRY_WINDOW = 0.4
"""Seconds before a label that it describes: a display refreshes two to five times a second (common practice)."""

SHORTEST_PERIOD, LONGEST_PERIOD = 0.1, 3600.0
"""Seconds between two reads or writes: a display changes two to five times a second, a keep-alive comes in minutes."""

_TIME_DECIMALS = 6  # decimals of a time: µs; without rounding 12.9 - 0.4 would not be 12.5 for every such pair
_LARGEST_FILE = 1 << 28  # bytes; a day of a fast meter has a tenth of that
_LONGEST_TEXT = 64  # characters of a label; no display shows more

_OVERLOAD = re.compile(r"[0O]L", re.IGNORECASE)  # its points removed: a display may light one in OL to tell the range
_BLANK = re.compile(r"-{2,}|blank|", re.IGNORECASE)
_SIGN = re.compile(r"([+-])\s+(?=[-0-9.])")
_COUPLED_UNIT = re.compile(r"([munkMµ]?[VA])(AC|DC)", re.IGNORECASE)
_COUPLING = {"ac": Coupling.AC, "~": Coupling.AC, "dc": Coupling.DC}
_BARE_PREFIX = dict.fromkeys("kKM", Quantity.RESISTANCE)
_FLAGS = {
    "hold": "hold",
    "rel": "relative",
    "relative": "relative",
    "lowbat": "low_battery",
    "lobat": "low_battery",
}
_IGNORED_WORDS = {"auto", "manual"}  # shown beside a reading, no part of it


@dataclass(frozen=True, slots=True)
class DisplayedValue:
    """What a display showed, as a label tells it.

    ``digits`` is the number in ``unit`` (a display unit), trailing zeros and a minus before zeros kept; None where the
    display showed overload (``overload``) or no number (``blank``). ``unit`` is empty and ``quantity`` None only where
    such a label names none. ``negative`` is whether a minus was lit. ``coupling`` is None where neither AC nor DC was
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
    """Bytes as they came on one channel, at ``t`` seconds. ``line`` is where they stand in the file, 0 for nowhere."""

    seconds: float
    channel: str
    data: bytes
    line_number: int = 0


@dataclass(frozen=True, slots=True)
class DisplayEntry:
    """What somebody read off the display at ``t``; it describes the packets from ``begin`` to ``end``, included.

    Make one with `label_at`, which knows the usual window. ``text`` has been found readable by `parse_shows`.
    """

    seconds: float
    text: str
    begin: float
    end: float
    line_number: int = 0

    @property
    def displayed_value(self) -> DisplayedValue:
        """What ``text`` says."""
        return parse_displayed_value(self.text)


@dataclass(frozen=True, slots=True)
class ConnectionRequests:
    """What a person knows of how the meter is spoken to; the keys are UUIDs here.

    ``writes`` are made after subscribing, once or with a period again and again; ``reads`` again and again.
    """

    writes: tuple[CharacteristicWrite, ...] = ()
    reads: tuple[Channel, ...] = ()


@dataclass(frozen=True, slots=True)
class CapturedMeter:
    """What the captured meter said of itself: its cleaned name and the service UUIDs it advertised; what was asked."""

    name: str = ""
    service_uuids: tuple[str, ...] = ()
    requests: ConnectionRequests = ConnectionRequests()


@dataclass(frozen=True, slots=True)
class Capture:
    """Packets and labels in the order of their times (of equal times, in the order of the file)."""

    packets: tuple[CapturedPacket, ...]
    entries: tuple[DisplayEntry, ...] = ()
    meter: CapturedMeter | None = None


def make_display_entry(
    seconds: float, text: str, begin: float | None = None, end: float | None = None, *, line_number: int = 0
) -> DisplayEntry:
    """Return a label with the usual window where none is given.

    InputError for a text that cannot be read, and for a window that ends before it begins.
    """
    parse_displayed_value(text)
    begin = round(seconds - ENTRY_WINDOW, _TIME_DECIMALS) if begin is None else begin
    end = seconds if end is None else end
    if end < begin:
        raise InputError(
            f"The label's window ends at {end:g} s, before it begins at {begin:g} s.", "Correct from or to."
        )
    return DisplayEntry(seconds, text, begin, end, line_number)


@lru_cache(maxsize=4096)
def parse_displayed_value(text: str) -> DisplayedValue:
    """Return what a label's text says: ``4.70 uF``, ``-12.34 mV DC``, ``0.000 VAC``, ``OL Mohm``, ``---``, ``-0.00 V``.

    The number is as displayed. ``OL`` and ``0L`` (with a point anywhere) are overload; ``---`` and ``blank`` are no
    number. The unit is spelled as `meterlink.core.units.parse_unit` takes it; it may be left out with the latter two only.
    ``AC``, ``DC``, ``HOLD``, ``REL``, ``LOWBAT`` and ``AUTO`` may stand beside it. InputError for anything else.
    """
    if len(text) > _LONGEST_TEXT:
        raise InputError(f"{text[:_LONGEST_TEXT]!r}… is longer than a display.", "Write what the display showed.")
    # U+2212, the minus of typography, is what some keyboards and editors write.
    given = _SIGN.sub(r"\1", text.replace("\u2212", "-").strip())
    coupling: Coupling | None = None
    flags: set[str] = set()
    words = []
    for word in given.split():
        if word.lower() in _COUPLING:
            coupling = _COUPLING[word.lower()]
        elif word.lower() in _FLAGS:
            flags.add(_FLAGS[word.lower()])
        elif word.lower() not in _IGNORED_WORDS:
            words.append(word)
    head = words[0] if words else ""
    bare = head.replace(".", "")
    overload = bool(_OVERLOAD.fullmatch(bare.lstrip("+-")))
    if overload or _BLANK.fullmatch(bare):
        digits, rest = None, " ".join(words[1:])
    else:
        digits, rest = parse_number(" ".join(words))
    if coupled := _COUPLED_UNIT.fullmatch(rest.replace(" ", "")):
        rest, coupling = coupled[1], _COUPLING[coupled[2].lower()]
    # Beside a number on a display, a prefix alone is that of ohms.
    unit = parse_unit(rest, _BARE_PREFIX.get(rest)) if rest or digits is not None else ""
    return DisplayedValue(
        digits=digits,
        unit=unit,
        quantity=quantity_of(unit) if unit else None,
        coupling=coupling,
        overload=overload,
        negative=head.startswith("-") and (overload or digits is not None),
        flags=frozenset(flags),
    )


def read_capture(path: Path) -> Capture:
    """Return the capture in a file; InputError names the file and, where there is one, the line that is wrong."""
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_FILE + 1)
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"The capture {path} cannot be read: {error.strerror}.", "Give a capture file.") from error
    except ValueError as error:
        what = "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else "no file can have this name"
        raise InputError(f"The capture {path} cannot be read: {what}.", "Give a capture file.") from error
    if len(data) > _LARGEST_FILE:
        raise InputError(f"The capture {path} is larger than 256 MiB.", "Cut it into several.")
    return parse_capture(text.split("\n"), str(path))


def parse_capture(lines: Iterable[str], name: str) -> Capture:
    """Return the capture written in ``lines``; InputError names ``name`` and the line: ``bench.jsonl:12: …``."""
    packets: list[CapturedPacket] = []
    labels: list[DisplayEntry] = []
    meter: CapturedMeter | None = None
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            found = _parse_line(line, number)
        except InputError as error:
            raise InputError(f"{name}:{number}: {error.message}", error.remedy) from error
        match found:
            case CapturedPacket():
                packets.append(found)
            case DisplayEntry():
                labels.append(found)
            case CapturedMeter():
                meter = found
    packets.sort(key=lambda packet: packet.seconds)
    labels.sort(key=lambda label: label.seconds)
    return Capture(tuple(packets), tuple(labels), meter)


def format_capture(capture: Capture) -> str:
    """Return the text of a capture, one line each in order of time; `parse_capture` reads it back."""
    entries: list[CapturedPacket | DisplayEntry] = sorted(
        (*capture.packets, *capture.entries), key=lambda entry: entry.seconds
    )
    head = [] if capture.meter is None else [meter_line(capture.meter)]
    return "".join(
        [*head, *(packet_line(one) if isinstance(one, CapturedPacket) else entry_line(one) for one in entries)]
    )


def packet_line(packet: CapturedPacket) -> str:
    """Return the line of one packet, with its newline."""
    return _json_line({"t": round(packet.seconds, _TIME_DECIMALS), "channel": packet.channel, "hex": packet.data.hex()})


def entry_line(display_entry: DisplayEntry) -> str:
    """Return the line of one label, with its newline; its window is written where it is not the usual one."""
    entry: dict[str, Any] = {"t": round(display_entry.seconds, _TIME_DECIMALS), "shows": display_entry.text}
    if display_entry.begin != round(display_entry.seconds - ENTRY_WINDOW, _TIME_DECIMALS):
        entry["from"] = display_entry.begin
    if display_entry.end != display_entry.seconds:
        entry["to"] = display_entry.end
    return _json_line(entry)


def meter_line(meter: CapturedMeter) -> str:
    """Return the line that tells what the meter said of itself, with its newline."""
    told: dict[str, Any] = {"name": meter.name, "services": list(meter.service_uuids)}
    if meter.requests.writes:
        told["writes"] = [
            {"to": one.key, "hex": one.data.hex()} | ({"every": one.period} if one.period else {})
            for one in meter.requests.writes
        ]
    if meter.requests.reads:
        told["reads"] = [{"from": one.key, "every": one.period} for one in meter.requests.reads]
    return _json_line({"meter": told})


def pair_packets(capture: Capture) -> Iterator[tuple[CapturedPacket, DisplayEntry | None]]:
    """Yield every packet in order of time with the label that describes it, None for one that no label describes.

    Where windows overlap, the one that ends first counts, and of those the one that begins last: a label is written
    after what it describes, so the packets before an earlier label are that label's.
    """
    waiting = sorted(capture.entries, key=lambda label: (label.end, -label.begin))
    first = 0
    for packet in capture.packets:
        while first < len(waiting) and waiting[first].end < packet.seconds:
            first += 1
        yield packet, _find_entry(waiting, first, packet.seconds)


def _find_entry(waiting: Sequence[DisplayEntry], first: int, t: float) -> DisplayEntry | None:
    """Return the first label from ``first`` on whose window holds ``t``; none before it can."""
    return next((label for label in islice(waiting, first, None) if label.begin <= t), None)


def _json_line(entry: dict[str, Any]) -> str:
    return json.dumps(entry, ensure_ascii=False) + "\n"


def _parse_line(line: str, number: int) -> CapturedPacket | DisplayEntry | CapturedMeter:
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError) as error:
        what = f" at column {error.colno}" if isinstance(error, json.JSONDecodeError) else ""
        raise InputError(f"it is not JSON{what}.", 'Write {"t": 1.5, "channel": "…", "hex": "…"}.') from error
    if not isinstance(entry, dict):
        raise InputError("it is not a JSON object.", 'Write {"t": 1.5, "channel": "…", "hex": "…"}.')
    if "hex" in entry:
        return CapturedPacket(_read_seconds(entry, "t"), _read_channel(entry), _read_data(entry), number)
    if "shows" in entry:
        text = entry["shows"]
        if not isinstance(text, str):
            raise InputError("shows is not text.", 'Write "shows": "4.70 uF".')
        begin = _read_seconds(entry, "from") if "from" in entry else None
        end = _read_seconds(entry, "to") if "to" in entry else None
        return make_display_entry(_read_seconds(entry, "t"), text, begin, end, line_number=number)
    if isinstance(meter := entry.get("meter"), dict):
        return _parse_meter(meter)
    raise InputError("it is neither a packet nor a label.", 'Give it "hex" or "shows".')


def _parse_meter(meter: dict[str, Any]) -> CapturedMeter:
    services = meter.get("services", [])
    if not isinstance(services, list):
        raise InputError("services is not a list.", 'Write "services": ["<uuid>"].')
    writes = [
        CharacteristicWrite(_read_uuid(one, "to"), _read_data(one), _read_period(one))
        for one in _object_list(meter, "writes")
    ]
    reads = [Channel(_read_uuid(one, "from"), "read", _read_period(one)) for one in _object_list(meter, "reads")]
    if any(not read.period for read in reads):
        raise InputError("a read does not say how often.", 'Write {"from": "<uuid>", "every": 0.5}.')
    asked = ConnectionRequests(tuple(writes), tuple(reads))
    return CapturedMeter(clean_text(str(meter.get("name", ""))), tuple(str(one).lower() for one in services), asked)


def _object_list(meter: dict[str, Any], key: str) -> list[dict[str, Any]]:
    found = meter.get(key, [])
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        raise InputError(f"{key} is not a list of objects.", f'Write "{key}": [{{…}}], or leave it out.')
    return found


def _read_uuid(entry: dict[str, Any], key: str) -> str:
    uuid = entry.get(key)
    if not isinstance(uuid, str) or not uuid:
        raise InputError(f"{key} is not the UUID of a characteristic.", f'Write "{key}": "<uuid>".')
    return uuid.lower()


def _read_period(entry: dict[str, Any]) -> float:
    period = _read_seconds(entry, "every") if "every" in entry else 0.0
    if period and not SHORTEST_PERIOD <= period <= LONGEST_PERIOD:
        raise InputError(
            f"every {period:g} s is not usable.", f"Write {SHORTEST_PERIOD:g} to {LONGEST_PERIOD:g}, or leave it out."
        )
    return period


def _read_seconds(entry: dict[str, Any], key: str) -> float:
    value = entry.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        what = f"{key} is missing" if value is None else f"{key} is not a number of seconds"
        raise InputError(f"{what}.", f'Write "{key}": 12.345.')
    return float(value)


def _read_channel(entry: dict[str, Any]) -> str:
    channel = entry.get("channel")
    if not isinstance(channel, str):
        raise InputError("the packet names no channel.", 'Write "channel": "<characteristic uuid>".')
    return channel.lower()


def _read_data(entry: dict[str, Any]) -> bytes:
    try:
        return bytes.fromhex(entry["hex"])
    except (TypeError, ValueError) as error:
        raise InputError("hex is not pairs of hexadecimal digits.", 'Write "hex": "a5040f".') from error
