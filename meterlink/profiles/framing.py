"""Cutting frames out of packets: split, joined, or with something else in between."""

from collections.abc import Sequence

from meterlink.profiles.checksums import compile_checksum
from meterlink.profiles.model import Framing, LengthField

Frame = tuple[bytes, bytes]
"""A frame as it came, and without its key."""


class CompiledFraming:
    """What a `Framing` asks of frames, made ready once. Shared by all `Cutter`\\ s of a profile."""

    def __init__(self, framing: Framing) -> None:
        self.start = framing.start
        self.end = framing.end
        self.length = framing.length if isinstance(framing.length, int) else 0
        self.longest = max(framing.longest, self.length)
        self.length_field = framing.length if isinstance(framing.length, LengthField) else None
        self.one_per_packet = framing.one_per_packet or (framing.length is None and not framing.end)
        self._verifiers = tuple(compile_checksum(check) for check in framing.checksums)
        self._key_word = 0
        if framing.key:
            lasting = self.longest - framing.key_from
            stream = bytes(framing.key_from) + (framing.key * (lasting // len(framing.key) + 1))[: max(0, lasting)]
            self._key_word = int.from_bytes(stream, "little")
        ends = self.length_field.at + self.length_field.size if self.length_field else 0
        self.shortest = max(len(self.start) + len(self.end), ends, 1)

    @property
    def has_checksums(self) -> bool:
        """Whether there are check bytes."""
        return bool(self._verifiers)

    def verify_frame(self, received: bytes) -> Frame | None:
        """Return the frame with its key taken off; None when a check fails."""
        plain = self.remove_key(received) if self._key_word else received
        for passes in self._verifiers:
            if not passes(received, plain):
                return None
        return received, plain

    def frame_from_packet(self, packet: bytes) -> Frame | None:
        """Return ``packet`` as a frame, where it is exactly one and passes its checks."""
        if self.length:
            fits = len(packet) == self.length
        else:
            fits = self.shortest <= len(packet) <= self.longest and self.frame_length(packet) == len(packet)
        if fits and packet.startswith(self.start) and packet.endswith(self.end):
            return self.verify_frame(packet)
        return None

    def remove_key(self, received: bytes) -> bytes:
        """Return bytes from the beginning of a frame without their key."""
        size = len(received)
        word = int.from_bytes(received, "little") ^ self._key_word & (1 << 8 * size) - 1
        return word.to_bytes(size, "little")

    def frame_length(self, beginning: bytes | bytearray) -> int:
        """Return how long the frame is that begins like this; 0 when its beginning is too short to tell."""
        if self.length:
            return self.length
        if self.length_field is not None:
            end = self.length_field.at + self.length_field.size
            if len(beginning) < end:
                return 0
            told = self.remove_key(bytes(beginning[:end]))[self.length_field.at : end]
            return int.from_bytes(told, self.length_field.order) + self.length_field.add
        if self.one_per_packet:
            return len(beginning)
        found = beginning.find(self.end, len(self.start))
        return found + len(self.end) if found >= 0 else 0


class FrameSplitter:
    """The frames of one channel of one connection. Holds less than the longest frame from packet to packet."""

    def __init__(self, rules: CompiledFraming) -> None:
        self._rules = rules
        self._buffer = bytearray()

    def clear(self) -> None:
        """Forget what came before."""
        if self._buffer:
            self._buffer.clear()

    def feed(self, packet: bytes) -> tuple[Sequence[Frame], bool]:
        """Return the frames that ``packet`` completes, and whether something in it looked like one but was none.

        A packet that is a frame by itself is taken as one whatever came before: half a frame that was lost must not
        swallow half of the next, which without check bytes would make a wrong value.
        """
        frame = self._rules.frame_from_packet(packet)
        if frame is None:
            return self.reassemble(packet)
        self.clear()
        return (frame,), False

    def reassemble(self, packet: bytes) -> tuple[Sequence[Frame], bool]:
        """Do what `feed` does with a packet that is no frame by itself."""
        rules, held = self._rules, self._buffer
        if rules.one_per_packet:
            return (), bool(packet)
        if rules.length and not (rules.start or rules.end or rules.has_checksums) and len(packet) % rules.length == 0:
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
        start, held = self._rules.start, self._buffer
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
        rules, held = self._rules, self._buffer
        ahead = len(held) - at
        if ahead == 0:
            return 0
        total = rules.frame_length(held[at : at + rules.longest])
        if total == 0:
            return 0 if ahead < rules.longest else -1
        if not rules.shortest <= total <= rules.longest:
            return -1
        return total if ahead >= total else 0

    def _frame_at(self, at: int, size: int) -> Frame | None:
        rules = self._rules
        came = bytes(self._buffer[at : at + size])
        if not came.endswith(rules.end):
            return None
        if rules.start and not rules.end and not rules.has_checksums:
            # With neither check nor end, what follows must at least begin like a frame.
            after = self._buffer[at + size : at + size + len(rules.start)]
            if not rules.start.startswith(after):
                return None
        return rules.verify_frame(came)
