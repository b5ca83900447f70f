"""Driver for values typed in by hand, for a meter without a radio: a packet is what somebody typed, as UTF-8 text."""

from collections.abc import Sequence

from meterlink.capture.manual_entry import KEYED, read_keyed
from meterlink.driver_api import NO_MATCH, Advertisement, Channel, Characteristic, InputError, Reading, Stamp


class KeyedDriver:
    """Turns one typed line into one reading; keeps nothing from line to line."""

    channels: Sequence[Channel] = (Channel(KEYED),)

    def feed(self, channel: str, packet: bytes, stamp: Stamp) -> tuple[Reading, ...]:
        """Return the reading that ``packet`` spells; none for what no display shows, or for another channel."""
        if channel != KEYED:
            return ()
        try:
            return (read_keyed(packet.decode(), stamp),)
        except (InputError, UnicodeDecodeError):
            return ()


class Keyed:
    """The kind of driver that reads typed-in values. It fits no meter on the air."""

    name = KEYED

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:  # noqa: ARG002
        """Return NO_MATCH: nothing on the air is a keyboard with a meter read off beside it."""
        return NO_MATCH

    def open(self, services: Sequence[Characteristic]) -> KeyedDriver:  # noqa: ARG002
        """Return a driver; it needs no services."""
        return KeyedDriver()


KEYED_DRIVER = Keyed()
