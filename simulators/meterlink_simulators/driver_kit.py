"""Runs a driver against an encoder without a radio, for a driver author's quickest tests."""

from collections import Counter
from collections.abc import Iterable

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading
from meterlink.driver_api import Characteristic, DriverFactory
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import Encoder

# Time between two packets: 0.1 s, a display refreshed ten times a second.
PERIOD_NS = 100_000_000


def characteristics(encoder: Encoder) -> dict[str, Characteristic]:
    """Return the characteristics of a connected meter: ``{encoder's key: characteristic as a driver sees it}``."""
    definitions = [(service, definition) for service, definitions in encoder.services() for definition in definitions]
    occurrences = Counter(definition.uuid for _, definition in definitions)
    by_key = {}
    for handle, (service, definition) in enumerate(definitions, start=1):
        uuid = definition.uuid
        key = uuid if occurrences[uuid] == 1 else f"{uuid}@{handle}"
        by_key[definition.key] = Characteristic(key, uuid, service, definition.properties, dict(definition.descriptors))
    return by_key


def feed(factory: DriverFactory, encoder: Encoder, displays: Iterable[DisplayState]) -> list[Reading]:
    """Feed a fresh driver of ``factory`` the packets of ``displays``, and return its readings.

    Packets on characteristics the driver did not choose do not reach it, as on a real link. Timestamps are 0.1 s apart,
    from 0.

    Raises:
        DriverError: the driver finds nothing to decode.
    """
    by_key = characteristics(encoder)
    driver = factory.open(tuple(by_key.values()))
    chosen = {channel.key for channel in driver.channels}
    readings: list[Reading] = []
    for count, display in enumerate(displays):
        timestamp = Timestamp(count * PERIOD_NS, count * PERIOD_NS)
        for key, packet in encoder.encode(display):
            if by_key[key].key in chosen:
                readings.extend(driver.feed(by_key[key].key, packet, timestamp))
    return readings
