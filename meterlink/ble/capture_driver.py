"""Taking everything a meter sends, without a driver: for a meter that nobody has described yet."""

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

_POLL_PERIOD = 0.5  # s; a display changes two to five times a second
# The most a write can carry without being split (Bluetooth Core, vol. 3 part F, 3.2.9).
_LONGEST_WRITE = 512  # bytes


class CaptureDriverFactory:
    """A driver kind that fits every meter and decodes nothing."""

    name = "capture"

    def __init__(self, requests: ConnectionRequests) -> None:
        self._requests = requests

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:  # noqa: ARG002
        """Return LIKELY: whoever captures has chosen the meter."""
        return LIKELY

    def open(self, services: Sequence[Characteristic]) -> "CaptureDriver":
        """Subscribe to all that can be; DriverError where there is nothing, or where what was asked for is missing."""
        speaking = [
            Channel(found.key)
            for found in services
            if found.properties & {"notify", "indicate"} and found.service_uuid not in GENERIC_SERVICES
        ]
        polled = [
            replace(read, key=_find_characteristic_key(services, read.key, "read")) for read in self._requests.reads
        ]
        if not (speaking or polled):
            raise DriverError(
                "This meter offers nothing to subscribe to.",
                "If a value of it can be read, ask for it: --poll UUID, or type read UUID while it is taught.",
            )
        writes = [
            replace(write, key=_find_characteristic_key(services, write.key, "write"))
            for write in self._requests.writes
        ]
        confirmed = {found.key for found in services if "write" in found.properties}
        return CaptureDriver(speaking + polled, [replace(one, response=one.key in confirmed) for one in writes])


class CaptureDriver:
    """Takes packets, yields no reading."""

    def __init__(self, channels: Sequence[Channel], writes: Sequence[CharacteristicWrite]) -> None:
        self.channels = tuple(channels)
        self.writes = tuple(writes)

    def feed(self, channel: str, packet: bytes, stamp: Timestamp) -> Iterable[Reading]:  # noqa: ARG002
        """Return nothing: nobody knows yet what it means."""
        return ()


def _find_characteristic_key(services: Sequence[Characteristic], uuid: str, operation: str) -> str:
    """Return the key of the characteristic with that UUID or key that can be read, or written."""
    able = [found for found in services if any(one.startswith(operation) for one in found.properties)]
    for found in able:
        if uuid.lower() in {found.key, found.uuid}:
            return found.key
    offered = ", ".join(found.key for found in able if found.service_uuid not in GENERIC_SERVICES)
    raise DriverError(f"This meter has no {uuid} to {operation}.", f"It has: {offered or 'none'}.")


def parse_uuid(text: str) -> str:
    """Return a UUID as lower-case 128-bit text, written whole or as its 16 bits; InputError for anything else."""
    try:
        return str(normalize_uuid_str(text.strip()))
    except ValueError as error:
        raise InputError(
            f"{text!r} is not the UUID of a characteristic.", "Write its four hexadecimal digits, or all of it."
        ) from error


def parse_write(text: str) -> CharacteristicWrite:
    """Return what is to be written: ``fff2=a501`` once, ``fff2=a501@2`` every 2 s; InputError for anything else."""
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
    """Return what is to be read: ``fff1`` twice a second, ``fff1=2`` every 2 s; InputError for anything else."""
    uuid, equals, seconds = text.partition("=")
    try:
        period = float(seconds) if equals else _POLL_PERIOD
    except ValueError:
        period = 0.0
    if not SHORTEST_PERIOD <= period <= LONGEST_PERIOD:
        raise InputError(f"{text!r} is not UUID or UUID=SECONDS.", "Write it as: fff1=0.5")
    return Channel(parse_uuid(uuid), "read", period)
