"""Cutting frames out of packets: split, joined, or with something else in between."""

from collections.abc import Sequence

from meterlink.profiles.checksums import compile_check
from meterlink.profiles.model import Framing, LengthField

Frame = tuple[bytes, bytes]
"""A frame as it came, and without its key."""


class FramingRules:
    """What a `Framing` asks of frames, made ready once. Shared by all `Cutter`\\ s of a profile."""

    def __init__(self, framing: Framing) -> None:
        self.start = framing.start
        self.end = framing.end
        self.length = framing.length if isinstance(framing.length, int) else 0
        self.longest = max(framing.longest, self.length)
        self.field = framing.length if isinstance(framing.length, LengthField) else None
        self.whole = framing.whole or (framing.length is None and not framing.end)
        self._checks = tuple(compile_check(check) for check in framing.checks)
        self._key_word = 0
        if framing.key:
            lasting = self.longest - framing.key_from
            stream = bytes(framing.key_from) + (framing.key * (lasting // len(framing.key) + 1))[: max(0, lasting)]
            self._key_word = int.from_bytes(stream, "little")
        ends = self.field.at + self.field.size if self.field else 0
        self.shortest = max(len(self.start) + len(self.end), ends, 1)

    @property
    def checked(self) -> bool:
        """Whether there are check bytes."""
        return bool(self._checks)

    def accept(self, came: bytes) -> Frame | None:
        """Return the frame with its key taken off; None when a check fails."""
        plain = self.plain(came) if self._key_word else came
        for passes in self._checks:
            if not passes(came, plain):
                return None
        return came, plain

    def alone(self, packet: bytes) -> Frame | None:
        """Return ``packet`` as a frame, where it is exactly one and passes its checks."""
        if self.length:
            fits = len(packet) == self.length
        else:
            fits = self.shortest <= len(packet) <= self.longest and self.total(packet) == len(packet)
        if fits and packet.startswith(self.start) and packet.endswith(self.end):
            return self.accept(packet)
        return None

    def plain(self, came: bytes) -> bytes:
        """Return bytes from the beginning of a frame without their key."""
        size = len(came)
        word = int.from_bytes(came, "little") ^ self._key_word & (1 << 8 * size) - 1
        return word.to_bytes(size, "little")

    def total(self, begun: bytes | bytearray) -> int:
        """Return how long the frame is that begins like this; 0 when its beginning is too short to tell."""
        if self.length:
            return self.length
        if self.field is not None:
            end = self.field.at + self.field.size
            if len(begun) < end:
                return 0
            told = self.plain(bytes(begun[:end]))[self.field.at : end]
            return int.from_bytes(told, self.field.order) + self.field.add
        if self.whole:
            return len(begun)
        found = begun.find(self.end, len(self.start))
        return found + len(self.end) if found >= 0 else 0


class Cutter:
    """The frames of one channel of one connection. Holds less than the longest frame from packet to packet."""

    def __init__(self, rules: FramingRules) -> None:
        self._rules = rules
        self._held = bytearray()

    def clear(self) -> None:
        """Forget what came before."""
        if self._held:
            self._held.clear()

    def feed(self, packet: bytes) -> tuple[Sequence[Frame], bool]:
        """Return the frames that ``packet`` completes, and whether something in it looked like one but was none.

        A packet that is a frame by itself is taken as one whatever came before: half a frame that was lost must not
        swallow half of the next, which without check bytes would make a wrong value.
        """
        frame = self._rules.alone(packet)
        if frame is None:
            return self.join(packet)
        self.clear()
        return (frame,), False

    def join(self, packet: bytes) -> tuple[Sequence[Frame], bool]:
        """Do what `feed` does with a packet that is no frame by itself."""
        rules, held = self._rules, self._held
        if rules.whole:
            return (), bool(packet)
        if rules.length and not (rules.start or rules.end or rules.checked) and len(packet) % rules.length == 0:
            held.clear()  # nothing marks a frame but where packets begin
        held += packet
        frames: list[Frame] = []
        bad = False
        at = 0
        while True:
            at = self._next_start(at)
            size = self._size_at(at)
            if size == 0:
                break
            frame = self._frame_at(at, size) if size > 0 else None
            if frame is None:
                bad = True
                at += 1
            else:
                frames.append(frame)
                at += size
        del held[:at]
        return frames, bad

    def _next_start(self, at: int) -> int:
        """Return where a frame may begin, at the end of what is held where it cannot begin before."""
        start, held = self._rules.start, self._held
        if not start:
            return at
        found = held.find(start, at)
        if found >= 0:
            return found
        at = max(at, len(held) - len(start) + 1)
        while not start.startswith(held[at:]):
            at += 1
        return at

    def _size_at(self, at: int) -> int:
        """Return the size of the frame that begins there, 0 while there is too little of it, -1 where it is none."""
        rules, held = self._rules, self._held
        ahead = len(held) - at
        if ahead == 0:
            return 0
        total = rules.total(held[at : at + rules.longest])
        if total == 0:
            return 0 if ahead < rules.longest else -1
        if not rules.shortest <= total <= rules.longest:
            return -1
        return total if ahead >= total else 0

    def _frame_at(self, at: int, size: int) -> Frame | None:
        rules = self._rules
        came = bytes(self._held[at : at + size])
        if not came.endswith(rules.end):
            return None
        if rules.start and not rules.end and not rules.checked:
            # With neither check nor end, what follows must at least begin like a frame.
            after = self._held[at + size : at + size + len(rules.start)]
            if not rules.start.startswith(after):
                return None
        return rules.accept(came)
