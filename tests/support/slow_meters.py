"""Invented meters whose frames also carry slow bytes: the time of day, the seconds since switching on, the battery.

These bytes have nothing to do with the display. In a capture of minutes some of their bits do not move, hours later
they have. The encoders share no code with teaching and decoding.
"""

from dataclasses import replace
from random import Random

from meterlink.capture.capture_file import Capture, make_display_entry
from support.invented_meters import ORDERS, RATE, FrameLayout, InventedDisplay, InventedMeter, Part

SLOW_KINDS = ("seconds", "time of day", "uptime", "percent", "millivolts")
"""The kinds of slow bytes that a meter may have."""


class SlowMeter(InventedMeter):
    """A meter of a family, drawn from a seed, with slow bytes of the ``kinds`` given (by default one or two drawn)."""

    def __init__(self, family: str, seed: int, functions: int = 1, kinds: tuple[str, ...] = ()) -> None:
        super().__init__(family, seed, functions)
        rng = Random(f"slow/{family}/{seed}")
        self.kinds = kinds or tuple(rng.sample(SLOW_KINDS, rng.choice((1, 2))))
        self.masked = bool(self.layout.xor_key)
        self._start = self.count
        self._draw = rng
        head, *rest = self.layout.parts
        for kind in self.kinds:
            rest.insert(rng.randrange(len(rest) + 1), self._slow_part(kind))
        self.layout = FrameLayout([head, *rest], self.layout.checksum, self.layout.xor_key, self.layout.bits_reversed)

    def wait(self, hours: float) -> None:
        """Let time pass: the meter goes on sending, and nobody records it."""
        self.count += round(hours * 3600 * RATE)

    def record_on(self, capture: Capture, seconds: float, entries: int, seed: int, hours: float = 0.0) -> Capture:
        """Return ``capture`` with ``seconds`` more of packets and then ``entries`` more, begun ``hours`` later."""
        self.wait(hours)
        each = round(seconds * RATE / max(1, entries))
        more = self.capture(max(1, entries), seed, between=each)
        offset = capture.packets[-1].seconds + 3600 * hours + 1
        packets = [replace(packet, seconds=round(packet.seconds + offset, 6)) for packet in more.packets]
        labels = [make_display_entry(round(one.seconds + offset, 6), one.text) for one in more.entries]
        return Capture((*capture.packets, *packets), (*capture.entries, *labels[:entries]), capture.meter)

    def _seconds(self, count: int) -> float:
        return (count - self._start) / RATE

    def _slow_part(self, kind: str) -> Part:
        rng = self._draw
        since = rng.randrange(24 * 3600)
        order = rng.choice(ORDERS)
        decimal = rng.random() < 0.3

        def written(number: int) -> int:
            return int(f"{number}", 16) if decimal else number

        def seconds(_face: InventedDisplay, count: int, _noise: Random) -> bytes:
            return bytes([written(int(since + self._seconds(count)) % 60)])

        def time_of_day(_face: InventedDisplay, count: int, _noise: Random) -> bytes:
            now = int(since + self._seconds(count)) % 86_400
            parts = [written(now // 3600), written(now // 60 % 60), written(now % 60)]
            return bytes(parts if order == "big" else parts[::-1])

        width, on = rng.choice((2, 4)), rng.randrange(600)

        def uptime(_face: InventedDisplay, count: int, _noise: Random) -> bytes:
            return (int(on + self._seconds(count)) & (1 << 8 * width) - 1).to_bytes(width, order)

        full, falls_every = rng.uniform(60, 99), rng.uniform(20, 400)

        def percent(_face: InventedDisplay, count: int, _noise: Random) -> bytes:
            return bytes([max(1, int(full - self._seconds(count) / falls_every))])

        fresh, jitter = rng.randint(7800, 9100), rng.randint(1, 4)

        def millivolts(_face: InventedDisplay, count: int, noise: Random) -> bytes:
            now = fresh - self._seconds(count) / (falls_every / 10) + noise.randint(-jitter, jitter)
            return max(5000, int(now)).to_bytes(2, order)

        makers = {"seconds": seconds, "time of day": time_of_day, "uptime": uptime,
                  "percent": percent, "millivolts": millivolts}  # fmt: skip
        return kind, makers[kind]
