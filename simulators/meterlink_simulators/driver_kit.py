"""Driver against encoder without a radio: what a driver author's quickest tests need."""

from collections import Counter
from collections.abc import Iterable

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading
from meterlink.driver_api import Characteristic, DriverFactory
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import Encoder

# Between two packets: 0.1 s, a display refreshed ten times a second.
PERIOD_NS = 100_000_000


def characteristics(encoder: Encoder) -> dict[str, Characteristic]:
    """Return what a connected meter with this encoder offers, as a driver sees it, by the encoder's own keys."""
    definitions = [(service, definition) for service, definitions in encoder.services() for definition in definitions]
    occurrences = Counter(definition.uuid for _, definition in definitions)
    found = {}
    for handle, (service, definition) in enumerate(definitions, start=1):
        uuid = definition.uuid
        key = uuid if occurrences[uuid] == 1 else f"{uuid}@{handle}"
        found[definition.key] = Characteristic(key, uuid, service, definition.properties, dict(definition.descriptors))
    return found


def feed(kind: DriverFactory, encoder: Encoder, displays: Iterable[DisplayState]) -> list[Reading]:
    """Open a driver of ``kind`` on ``encoder``'s meter, feed it what each of ``shown`` sends, and return its readings.

    Packets on characteristics the driver did not choose do not reach it, as on a real link. Stamps are 0.1 s apart,
    from 0. Raises what the driver raises: DriverError when it finds nothing to decode.
    """
    found = characteristics(encoder)
    driver = kind.open(tuple(found.values()))
    chosen = {channel.key for channel in driver.channels}
    readings: list[Reading] = []
    for count, display in enumerate(displays):
        stamp = Timestamp(count * PERIOD_NS, count * PERIOD_NS)
        for key, packet in encoder.encode(display):
            if found[key].key in chosen:
                readings.extend(driver.feed(found[key].key, packet, stamp))
    return readings
