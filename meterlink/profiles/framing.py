"""Cutting frames out of packets that split them, join them or put noise between them."""

import re
from collections.abc import Sequence

from meterlink.core.text import count_phrase
from meterlink.profiles.checksums import compile_checksum
from meterlink.profiles.model import Framing, LengthField
from meterlink.profiles.refusal import Refusal, RefusalReason

_HEX_PAIRS = re.compile(rb"(?:[0-9A-Fa-f]{2})+")
OLDEST = 1_000_000_000
"""Nanoseconds after which a display has changed: the bytes of the old one would come out as a new value."""

Frame = tuple[bytes, bytes]
"""``(received, plain)``: a frame as it came, and its bytes without hexadecimal digits and key."""


class CompiledFraming:
    """The rules of a `Framing`, compiled once; shared by every `FrameSplitter` of a profile."""

    def __init__(self, framing: Framing) -> None:
        self.start = framing.start
        self.end = framing.end
        of_parts = sum(part.length for part in framing.parts)
        self.length = framing.length if isinstance(framing.length, int) else of_parts
        self.longest = max(framing.longest, self.length)
        self.length_field = framing.length if isinstance(framing.length, LengthField) else None
        self.one_per_packet = framing.one_per_packet or (framing.length is None and not framing.end)
        self._hex = framing.hex
        self.pause = round(framing.pause * 1e9)
        self.starts_packet = framing.starts_packet or bool(framing.packet_sizes)
        self.packet_sizes = framing.packet_sizes
        self.followed_by = len(framing.start) if framing.followed else 0
        self.marks = framing.marks
        self._tails = {
            tail.length: (
                int.from_bytes(tail.mask, "little") << 8 * tail.at,
                (int.from_bytes(tail.content, "little") & int.from_bytes(tail.mask, "little")) << 8 * tail.at,
            )
            for tail in framing.tails
        }
        self._verifiers = tuple(compile_checksum(checksum) for checksum in framing.checksums)
        self._key_word = 0
        if framing.key:
            keyed_size = self.longest - framing.key_from
            stream = (
                bytes(framing.key_from) + (framing.key * (keyed_size // len(framing.key) + 1))[: max(0, keyed_size)]
            )
            self._key_word = int.from_bytes(stream, "little")
        length_end = self.length_field.at + self.length_field.size if self.length_field else 0
        self.shortest = max(len(self.start) + len(self.end), length_end, 1)

    @property
    def has_checksums(self) -> bool:
        """Whether frames have check bytes."""
        return bool(self._verifiers)

    @property
    def has_tails(self) -> bool:
        """Whether frames have several lengths, each with a tail."""
        return bool(self._tails)

    def other_kind(self, plain: bytes) -> Refusal | None:
        """Return the refusal of a frame without its key that is of another kind than those that are read, else None."""
        for at, byte in self.marks:
            if at >= len(plain) or plain[at] != byte:
                detail = f"byte {at} is 0x{plain[at]:02x}" if at < len(plain) else count_phrase(len(plain), "byte")
                return Refusal(RefusalReason.OTHER_KIND, detail, plain)
        return None

    def unknown_tail(self, plain: bytes) -> Refusal | None:
        """Return the refusal of a frame without its key whose length or tail is unknown; None for a known one.

        Only where frames have tails.
        """
        mask, content = self._tails.get(len(plain), (0, -1))
        different = int.from_bytes(plain, "little") & mask ^ content
        if content == -1:
            return Refusal(RefusalReason.CODE, f"a frame of {count_phrase(len(plain), 'byte')}")
        if not different:
            return None
        lowest = (different & -different).bit_length() - 1
        at, bit = divmod(lowest, 8)
        return Refusal(RefusalReason.CODE, f"bit {at}.{bit} is {plain[at] >> bit & 1}")

    def verify_frame(self, received: bytes) -> Frame | None:
        """Return the frame with its key removed; None where a checksum is wrong."""
        content = self.decode_digits(received) if self._hex else received
        if content is None:
            return None
        plain = self.remove_key(content) if self._key_word else content
        for passes in self._verifiers:
            if not passes(content, plain):
                return None
        return received, plain

    def decode_digits(self, received: bytes) -> bytes | None:
        """Return the bytes of the hexadecimal digits between start and end; None for other characters."""
        digits = received[len(self.start) : len(received) - len(self.end)]
        return bytes.fromhex(digits.decode("ascii")) if _HEX_PAIRS.fullmatch(digits) else None

    def frame_from_packet(self, packet: bytes) -> Frame | None:
        """Return ``packet`` as a frame where it is exactly one and its checksums are right, else None."""
        if self.length:
            fits = len(packet) == self.length
        else:
            fits = self.shortest <= len(packet) <= self.longest and self.frame_length(packet) == len(packet)
        if fits and packet.startswith(self.start) and packet.endswith(self.end):
            return self.verify_frame(packet)
        return None

    def refusal_of(self, packet: bytes) -> Refusal:
        """Return why ``packet``, which is no frame, is none."""
        size = self.frame_length(packet)
        if self.marks and self.one_per_packet and size != len(packet):
            return Refusal(RefusalReason.OTHER_KIND, count_phrase(len(packet), "byte"), packet)
        if size != len(packet):
            detail = f"it has {count_phrase(len(packet), 'byte')}, not {size}" if size > 0 else ""
            return Refusal(RefusalReason.NO_FRAME, detail, packet)
        if not packet.startswith(self.start):
            return Refusal(RefusalReason.NO_FRAME, f"it does not begin with {self.start.hex(' ')}", packet)
        if not packet.endswith(self.end):
            return Refusal(RefusalReason.NO_FRAME, f"it does not end with {self.end.hex(' ')}", packet)
        if not self.shortest <= size <= self.longest:
            return Refusal(RefusalReason.NO_FRAME, f"it has {count_phrase(size, 'byte')}", packet)
        return Refusal(RefusalReason.CHECKSUM, "", packet)

    def remove_key(self, received: bytes) -> bytes:
        """Return the first bytes of a frame without their key."""
        size = len(received)
        word = int.from_bytes(received, "little") ^ self._key_word & (1 << 8 * size) - 1
        return word.to_bytes(size, "little")

    def frame_length(self, beginning: bytes | bytearray) -> int:
        """Return the size (bytes) of the frame that begins so; 0 where more of it is needed to know its size."""
        if self.length:
            return self.length
        if self.length_field is not None:
            end = self.length_field.at + self.length_field.size
            if len(beginning) < end:
                return 0
            length_bytes = self.remove_key(bytes(beginning[:end]))[self.length_field.at : end]
            return int.from_bytes(length_bytes, self.length_field.order) + self.length_field.add
        if self.one_per_packet:
            return len(beginning)
        end_at = beginning.find(self.end, len(self.start))
        return end_at + len(self.end) if end_at >= 0 else 0


class FrameSplitter:
    """The frames of one channel of one connection. Buffers less than the longest frame from packet to packet.

    A lost packet must cost frames, and make none: half a frame is dropped when the next packet comes later than
    `Framing.pause` allows, or when that packet certainly begins another frame; and no frame comes out long after its
    bytes, because a length that was noise had waited for more of them.
    """

    def __init__(self, rules: CompiledFraming) -> None:
        self._rules = rules
        self._buffer = bytearray()
        self._packets: list[tuple[int, int]] = []  # (time in ns, bytes in the buffer) of each packet, the oldest first
        self._refusal: Refusal | None = None  # the first of the present packet

    def clear(self) -> None:
        """Empty the buffer."""
        if self._buffer:
            self._buffer.clear()
            self._packets.clear()

    def feed(self, packet: bytes, nanoseconds: int) -> tuple[Sequence[Frame], Refusal | None]:
        """Return ``(frames, refusal)``: the frames that ``packet`` completes; why other bytes are none, or None.

        ``nanoseconds`` is the time of the packet on a clock that never runs backward. A packet that is a whole frame is
        read as one and empties the buffer: half a lost frame must not swallow half of the next, which without check
        bytes would make a wrong value.
        """
        frame = self._rules.frame_from_packet(packet)
        if frame is None:
            return self.reassemble(packet, nanoseconds)
        self.clear()
        return (frame,), None

    def reassemble(self, packet: bytes, nanoseconds: int) -> tuple[Sequence[Frame], Refusal | None]:
        """Return ``(frames, refusal)`` as `feed` does, for a packet that is not a whole frame."""
        rules, buffer = self._rules, self._buffer
        self._refusal = None
        if rules.one_per_packet:
            return (), rules.refusal_of(packet) if packet else None
        self._drop_late(nanoseconds)
        if buffer and rules.start and rules.starts_packet and packet.startswith(rules.start):
            self._drop("the next frame began")
        if rules.length and not (rules.start or rules.end or rules.has_checksums) and len(packet) % rules.length == 0:
            self.clear()  # only the beginning of a packet marks a frame
        if rules.packet_sizes and not self._fits(len(packet)):
            if buffer:
                self._drop("a packet of another size came")
            if not self._fits(len(packet)):
                return (), self._refusal or Refusal(RefusalReason.PART, "its beginning was lost", packet)
        buffer += packet
        self._packets.append((nanoseconds, len(packet)))
        return self._cut(), self._refusal

    def _cut(self) -> list[Frame]:
        """Return the frames that are complete, and take them out of the buffer."""
        rules, buffer = self._rules, self._buffer
        frames: list[Frame] = []
        at = 0
        while True:
            at = self._next_start(at)
            size = self._size_at(at)
            if size == 0:
                break
            frame = self._frame_at(at, size) if size > 0 else None
            if frame is not None:
                frames.append(frame)
                at += size
                continue
            if self._refusal is None:
                self._refusal = rules.refusal_of(bytes(buffer[at : at + size] if size > 0 else buffer[at:]))
            at += 1
        self._remove(at)
        return frames

    def _drop(self, detail: str) -> None:
        self._refusal = self._refusal or Refusal(RefusalReason.PART, detail, bytes(self._buffer))
        self.clear()

    def _drop_late(self, nanoseconds: int) -> None:
        """Drop the buffer after too long a pause, and bytes that are too old to become a reading."""
        packets = self._packets
        if packets and nanoseconds - packets[-1][0] > self._rules.pause:
            self._drop("the rest of the frame did not come in time")
        while packets and nanoseconds - packets[0][0] > OLDEST:
            self._refusal = self._refusal or Refusal(RefusalReason.PART, "its frame never ended", bytes(self._buffer))
            self._remove(packets[0][1])

    def _remove(self, number: int) -> None:
        """Remove the first bytes of the buffer."""
        del self._buffer[:number]
        packets = self._packets
        while number and packets:
            moment, size = packets[0]
            if size > number:
                packets[0] = (moment, size - number)
                break
            number -= size
            del packets[0]

    def _fits(self, size: int) -> bool:
        """Return whether a packet of this size may continue the buffered packets of a frame."""
        sizes, place, buffered = self._rules.packet_sizes, len(self._packets), len(self._buffer)
        usual = sizes[min(place, len(sizes) - 1)]
        if not buffered:
            return size == usual
        total = self._rules.frame_length(self._buffer)
        return buffered + size == total if 0 < total <= buffered + usual else size == usual

    def _next_start(self, at: int) -> int:
        """Return the offset of the next start mark, or of the buffer's last bytes that may become one."""
        start, buffer = self._rules.start, self._buffer
        if not start:
            return at
        if self._rules.starts_packet:
            # A frame begins with a packet or behind another frame: the rest of one whose beginning was lost is dropped.
            here = buffer[at : at + len(start)]
            return at if here == start[: len(here)] else self._skip(at)
        start_at = buffer.find(start, at)
        if start_at >= 0:
            return start_at
        at = max(at, len(buffer) - len(start) + 1)
        while not start.startswith(buffer[at:]):
            at += 1
        return at

    def _skip(self, at: int) -> int:
        self._refusal = self._refusal or Refusal(RefusalReason.PART, "its beginning was lost", bytes(self._buffer[at:]))
        return len(self._buffer)

    def _size_at(self, at: int) -> int:
        """Return the size of the frame at ``at``; 0 while too few of its bytes are there, -1 where none begins."""
        rules, buffer = self._rules, self._buffer
        ahead = len(buffer) - at
        if ahead == 0:
            return 0
        total = rules.frame_length(buffer[at : at + rules.longest])
        if total == 0:
            return 0 if ahead < rules.longest else -1
        if not rules.shortest <= total <= rules.longest:
            return -1
        # Where only the next start shows that no byte was lost, a frame counts when that has come.
        return total if ahead >= total + rules.followed_by else 0

    def _frame_at(self, at: int, size: int) -> Frame | None:
        rules = self._rules
        received = bytes(self._buffer[at : at + size])
        if not received.endswith(rules.end):
            return None
        if rules.start and (rules.followed_by or not (rules.end or rules.has_checksums)):
            # With neither checksum nor end, the next bytes must at least begin a frame.
            after = self._buffer[at + size : at + size + len(rules.start)]
            if not rules.start.startswith(after):
                return None
        return rules.verify_frame(received)
