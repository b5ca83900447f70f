"""Invented meters that send the number in one packet, and its range, unit and flags in another.

Each meter draws its own layout: one characteristic or two, the order of the packets, their lengths, marks, offsets,
encodings, codes, check bytes, keys and counters. The encoders share no code with teaching and decoding.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from random import Random

from meterlink.capture.capture_file import Capture, CapturedPacket, DisplayEntry, make_display_entry
from support.invented_meters import (
    FUNCTIONS,
    NUMBER_FORMATS,
    FrameLayout,
    InventedDisplay,
    Part,
    draw_checksum,
    draw_counter,
    draw_display,
    draw_state_parts,
)

NUMBER_CHANNEL = "4b8e0001-77c2-4f1a-8d35-29a4c6d1e0f7"
RANGE_CHANNEL = "4b8e0002-77c2-4f1a-8d35-29a4c6d1e0f7"
APART = (0.0, 0.03)  # s between the two packets: one to a few connection events (from memory)
JITTER = 0.02  # s; a refresh waits for the next connection event
REFRESHES_BEFORE_ENTRY = 6
REFRESHES_WHILE_TYPING = 3  # a person types for seconds; the display stands so long at least
FORMATS = ("integer", "packed", "float", "ieee11073", "characters")


@dataclass(frozen=True)
class SentPacket:
    """A packet, and the number of the display that it belongs to."""

    seconds: float
    channel: str
    data: bytes
    display: int


class SplitMeter:
    """One meter, drawn from a seed. ``channels`` is 1 or 2; ``order`` is "number first" or "range first"."""

    def __init__(self, channels: int, order: str, seed: int, functions: int = 1) -> None:
        rng = Random(f"split/{channels}/{order}/{seed}/{functions}")
        self.functions = rng.sample(list(FUNCTIONS), functions) if functions < len(FUNCTIONS) else list(FUNCTIONS)
        self.max_counts = rng.choice([1999, 5999])
        self.channels = (NUMBER_CHANNEL, RANGE_CHANNEL)[:channels]
        self.range_first = order == "range first"
        self.refresh = rng.choice([0.2, 0.25, 0.4])
        self.overloads = rng.choice([0.0, 0.1])
        masked = rng.random() < 0.3
        number, signed_apart = NUMBER_FORMATS[rng.choice(FORMATS)](rng, self.max_counts)
        self._number = self._layout(rng, number, 0x4E, masked=masked)
        self._range = self._layout(rng, draw_state_parts(rng, self.functions, signed_apart), 0x52, masked=masked)
        if channels == 1:
            self._number.xor_key = self._range.xor_key
            self._tell_apart(rng)
        self._count = rng.randrange(60_000)

    def _layout(self, rng: Random, parts: Sequence[Part], mark: int, *, masked: bool) -> FrameLayout:
        layout = FrameLayout()
        parts = list(parts)
        if rng.random() < 0.4:
            parts.append(draw_counter(rng))
        if rng.random() < 0.4:
            filler = rng.randbytes(rng.randrange(1, 4))
            parts.append(("filler", lambda _display, _count, _noise: filler))
        rng.shuffle(parts)
        head = bytes([0xB7, mark])
        layout.parts = [("head", lambda _display, _count, _noise: head), *parts]
        layout.checksum = draw_checksum(rng, masked)
        layout.xor_key = rng.randbytes(rng.choice([1, 2, 4])) if masked else b""
        return layout

    def _tell_apart(self, rng: Random) -> None:
        """Make the packets of one characteristic equally long, as half of such meters do."""
        if rng.random() < 0.5:
            return
        display = draw_display(Random(1), self.functions, self.max_counts)
        sizes = [len(layout.frame(display, 0, Random(1))) for layout in (self._number, self._range)]
        shorter = self._number if sizes[0] < sizes[1] else self._range
        filler = rng.randbytes(abs(sizes[0] - sizes[1]))
        shorter.parts.append(("pad", lambda _display, _count, _noise: filler))

    def draw_display(self, rng: Random) -> InventedDisplay:
        return draw_display(rng, self.functions, self.max_counts, self.overloads)

    def send(self, displays: Sequence[InventedDisplay], rng: Random, begin: float = 0.0) -> Iterator[SentPacket]:
        """Yield the packets of one refresh after another, each with the number of its display."""
        for number, display in enumerate(displays):
            self._count += 1
            packets = [
                (self.channels[0], self._number.frame(display, self._count, rng)),
                (self.channels[-1], self._range.frame(display, self._count, rng)),
            ]
            moment = begin + number * self.refresh + rng.uniform(0, JITTER)
            for channel, data in reversed(packets) if self.range_first else packets:
                yield SentPacket(round(moment, 4), channel, data, number)
                moment += rng.uniform(*APART)

    def capture(self, entries: int, seed: int, between: int = 2) -> Capture:
        """Return a capture: each entry is shown for some refreshes; other displays come between, shown for two."""
        rng = Random(f"capture/{seed}")
        shown: list[InventedDisplay] = []
        moments: list[tuple[float, InventedDisplay]] = []
        for _ in range(entries):
            for _ in range(between):
                shown += [self.draw_display(rng)] * 2
            display = self.draw_display(rng)
            shown += [display] * REFRESHES_BEFORE_ENTRY
            moments.append(((len(shown) - 0.2) * self.refresh, display))
            shown += [display] * REFRESHES_WHILE_TYPING
        packets = [CapturedPacket(one.seconds, one.channel, one.data) for one in self.send(shown, rng)]
        written: list[DisplayEntry] = [make_display_entry(round(t, 3), display.text) for t, display in moments]
        return Capture(tuple(packets), tuple(written))
