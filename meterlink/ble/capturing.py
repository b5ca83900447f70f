"""Taking everything a meter sends, without a driver: for a meter that nobody has described yet."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bleak.uuids import normalize_uuid_str

from meterlink.ble.session import EVERYBODYS
from meterlink.driver_api import (
    LIKELY,
    Advertisement,
    Channel,
    Characteristic,
    DriverError,
    InputError,
    Reading,
    Stamp,
    Write,
)


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person knows of how the meter is spoken to.

    ``writes`` are (UUID, bytes) written once after subscribing; ``polls`` are (UUID, seconds) read again and again.
    """

    writes: tuple[tuple[str, bytes], ...] = ()
    polls: tuple[tuple[str, float], ...] = ()


class Capturing:
    """A driver kind that fits every meter and decodes nothing."""

    name = "capture"

    def __init__(self, asked: Asked) -> None:
        self._asked = asked

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:  # noqa: ARG002
        """Return LIKELY: whoever captures has chosen the meter."""
        return LIKELY

    def open(self, services: Sequence[Characteristic]) -> "CapturingDriver":
        """Subscribe to all that can be; DriverError where there is nothing, or where what was asked for is missing."""
        speaking = [
            Channel(found.key)
            for found in services
            if found.properties & {"notify", "indicate"} and found.service_uuid not in EVERYBODYS
        ]
        polled = [Channel(_key(services, uuid, "read"), "read", period) for uuid, period in self._asked.polls]
        if not (speaking or polled):
            raise DriverError(
                "This meter offers nothing to subscribe to.", "If a value of it can be read, ask for it: --poll UUID"
            )
        keys = [(_key(services, uuid, "write"), data) for uuid, data in self._asked.writes]
        confirmed = {found.key for found in services if "write" in found.properties}
        writes = [Write(key, data, response=key in confirmed) for key, data in keys]
        return CapturingDriver(speaking + polled, writes)


class CapturingDriver:
    """Takes packets, yields no reading."""

    def __init__(self, channels: Sequence[Channel], writes: Sequence[Write]) -> None:
        self.channels = tuple(channels)
        self.writes = tuple(writes)

    def feed(self, channel: str, packet: bytes, stamp: Stamp) -> Iterable[Reading]:  # noqa: ARG002
        """Return nothing: nobody knows yet what it means."""
        return ()


def _key(services: Sequence[Characteristic], uuid: str, what: str) -> str:
    """Return the key of the characteristic with that UUID or key that can be read, or written."""
    able = [found for found in services if any(one.startswith(what) for one in found.properties)]
    for found in able:
        if uuid.lower() in {found.key, found.uuid}:
            return found.key
    offered = ", ".join(found.key for found in able if found.service_uuid not in EVERYBODYS)
    raise DriverError(f"This meter has no {uuid} to {what}.", f"It has: {offered or 'none'}.")


def parse_uuid(text: str) -> str:
    """Return a UUID as lower-case 128-bit text, written whole or as its 16 bits; InputError for anything else."""
    try:
        return str(normalize_uuid_str(text.strip()))
    except ValueError as error:
        raise InputError(
            f"{text!r} is not the UUID of a characteristic.", "Write its four hexadecimal digits, or all of it."
        ) from error
