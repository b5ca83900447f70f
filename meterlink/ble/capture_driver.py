"""Receiving every packet of a meter that no driver and no profile describes yet."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from bleak.uuids import normalize_uuid_str

from meterlink.ble.connection import GENERIC_SERVICES
from meterlink.capture.capture_file import LONGEST_PERIOD, SHORTEST_PERIOD, ConnectionRequests
from meterlink.driver_api import (
    LIKELY,
    Advertisement,
    Channel,
    Characteristic,
    CharacteristicWrite,
    DriverError,
    InputError,
    Reading,
    Timestamp,
)

_POLL_PERIOD = 0.5  # s; a display changes two to five times a second (common practice, no source)
# The longest value of an attribute (Bluetooth Core, vol. 3 part F, 3.2.9).
_LONGEST_WRITE = 512  # bytes


class CaptureDriverFactory:
    """A driver factory that fits every meter; its driver decodes nothing."""

    name = "capture"

    def __init__(self, requests: ConnectionRequests) -> None:
        self._requests = requests

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:  # noqa: ARG002
        """Return LIKELY: the person who captures has chosen the meter."""
        return LIKELY

    def open(self, services: Sequence[Characteristic]) -> "CaptureDriver":
        """Subscribe to every characteristic that notifies, outside the generic services.

        Raises:
            DriverError: the meter has no such characteristic and none to poll, or it lacks one of the requested ones.
        """
        subscribed = [
            Channel(characteristic.key)
            for characteristic in services
            if characteristic.properties & {"notify", "indicate"}
            and characteristic.service_uuid not in GENERIC_SERVICES
        ]
        polled = [
            replace(read, key=_find_characteristic_key(services, read.key, "read")) for read in self._requests.reads
        ]
        if not (subscribed or polled):
            raise DriverError(
                "This meter sends no notifications.",
                "If one of its values can be read, poll it: --poll UUID, or type read UUID while teaching.",
            )
        writes = [
            replace(write, key=_find_characteristic_key(services, write.key, "write"))
            for write in self._requests.writes
        ]
        confirmed = {characteristic.key for characteristic in services if "write" in characteristic.properties}
        return CaptureDriver(subscribed + polled, [replace(write, response=write.key in confirmed) for write in writes])


class CaptureDriver:
    """Accepts packets, yields no reading."""

    def __init__(self, channels: Sequence[Channel], writes: Sequence[CharacteristicWrite]) -> None:
        self.channels = tuple(channels)
        self.writes = tuple(writes)

    def feed(self, channel: str, packet: bytes, timestamp: Timestamp) -> Iterable[Reading]:  # noqa: ARG002
        """Return no reading: the meaning of the packet is unknown."""
        return ()


def _find_characteristic_key(services: Sequence[Characteristic], uuid: str, operation: str) -> str:
    """Return the key of the characteristic that has ``uuid`` as key or UUID and allows ``operation``: read or write.

    Raises:
        DriverError: there is none.
    """
    usable = [
        characteristic
        for characteristic in services
        if any(name.startswith(operation) for name in characteristic.properties)
    ]
    for characteristic in usable:
        if uuid.lower() in {characteristic.key, characteristic.uuid}:
            return characteristic.key
    offered = ", ".join(
        characteristic.key for characteristic in usable if characteristic.service_uuid not in GENERIC_SERVICES
    )
    raise DriverError(f"This meter has no {uuid} to {operation}.", f"It has: {offered or 'none'}.")


def parse_uuid(text: str) -> str:
    """Return a UUID of 16 or 128 bits as lower-case 128-bit text.

    Raises:
        InputError: the text is no UUID.
    """
    try:
        return str(normalize_uuid_str(text.strip()))
    except ValueError as error:
        raise InputError(
            f"{text!r} is not the UUID of a characteristic.", "Write its 4 or all 32 hexadecimal digits."
        ) from error


def parse_write(text: str) -> CharacteristicWrite:
    """Return the write that ``text`` requests: ``fff2=a501`` once, ``fff2=a501@2`` every 2 s.

    Raises:
        InputError: the text has another form, or its data or period is out of range.
    """
    uuid, equals, rest = text.partition("=")
    digits, at, seconds = rest.partition("@")
    try:
        data = bytes.fromhex(digits)
        period = float(seconds) if at else 0.0
    except ValueError:
        data, period = b"", 0.0
    if not (equals and 0 < len(data) <= _LONGEST_WRITE and (not at or SHORTEST_PERIOD <= period <= LONGEST_PERIOD)):
        raise InputError(f"{text!r} is not UUID=HEX or UUID=HEX@SECONDS.", "Write it as: fff2=a501, or fff2=a501@2")
    return CharacteristicWrite(parse_uuid(uuid), data, period)


def parse_poll(text: str) -> Channel:
    """Return the channel that ``text`` requests to poll: ``fff1`` twice a second, ``fff1=2`` every 2 s.

    Raises:
        InputError: the text has another form, or its period is out of range.
    """
    uuid, equals, seconds = text.partition("=")
    try:
        period = float(seconds) if equals else _POLL_PERIOD
    except ValueError:
        period = 0.0
    if not SHORTEST_PERIOD <= period <= LONGEST_PERIOD:
        raise InputError(f"{text!r} is not UUID or UUID=SECONDS.", "Write it as: fff1=0.5")
    return Channel(parse_uuid(uuid), "read", period)
