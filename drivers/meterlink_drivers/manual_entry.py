"""Driver for values typed in by hand, for a meter without a radio: a packet is the typed line, as UTF-8 text."""

from collections.abc import Sequence

from meterlink.capture.manual_entry import parse_manual_entry
from meterlink.core.readings import MANUAL_ENTRY
from meterlink.driver_api import NO_MATCH, Advertisement, Channel, Characteristic, InputError, Reading, Timestamp


class ManualEntryDriver:
    """Turns one typed line into one reading; keeps nothing from line to line."""

    channels: Sequence[Channel] = (Channel(MANUAL_ENTRY),)

    def feed(self, channel: str, packet: bytes, timestamp: Timestamp) -> tuple[Reading, ...]:
        """Return the reading in ``packet``; none for a text that no display shows, or for another channel."""
        if channel != MANUAL_ENTRY:
            return ()
        try:
            return (parse_manual_entry(packet.decode(), timestamp),)
        except (InputError, UnicodeDecodeError):
            return ()


class ManualEntryDriverFactory:
    """The driver factory for typed-in values. It fits no meter on the air."""

    name = MANUAL_ENTRY

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:  # noqa: ARG002
        """Return NO_MATCH: no meter on the air sends typed-in values."""
        return NO_MATCH

    def open(self, services: Sequence[Characteristic]) -> ManualEntryDriver:  # noqa: ARG002
        """Return a driver; it needs no services."""
        return ManualEntryDriver()


MANUAL_ENTRY_DRIVER = ManualEntryDriverFactory()
