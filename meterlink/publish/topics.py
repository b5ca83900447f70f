"""Topic names under which a station publishes.

    meterlink/<station>/readings/<meter>                          raw readings
    meterlink/<station>/held/<unit>/<component>[/<section>]       held readings with their verdict
    meterlink/<station>/state                                     online or offline, retained

Every level comes from text a person or a meter chose, so each is made fit first: see `level`.
"""

import unicodedata

from meterlink.core.equipment import Meter, Site, TestPoint

ROOT = "meterlink"

# MQTT allows 65535 bytes for a whole topic, some brokers far fewer (256 is the smallest limit known to us, from
# memory). The longest topic here has four such levels and stays below it.
LONGEST_LEVEL = 48  # bytes of UTF-8


def topic_level(text: str) -> str:
    """Return ``text`` as one topic level: no ``+``, ``#`` or ``/``, no control character, never empty.

    Forbidden signs become ``-`` and runs of white space one space; control, format, surrogate and private characters
    go (MQTT 5, 1.5.4 and 4.7.1). At most ``LONGEST_LEVEL`` bytes of UTF-8 are kept. Empty text becomes ``unnamed``.
    """
    kept = "".join(
        " " if char.isspace() else "-" if char in "+#/" else char
        for char in unicodedata.normalize("NFC", text)
        if char.isspace() or (unicodedata.category(char)[0] != "C")
    )
    cut = " ".join(kept.split()).encode()[:LONGEST_LEVEL].decode(errors="ignore")
    return cut.strip() or "unnamed"


def unique_meter_name(meter: Meter) -> str:
    """Return the meter's name with the end of its address, since names on the air are not unique.

    Six characters tell the meters of one station apart without publishing the whole address.
    """
    tail = "".join(char for char in meter.address if char.isalnum())[-6:]
    return f"{meter.name}-{tail}" if tail else meter.name


def readings_topic(station: str, meter: Meter) -> str:
    """Return the topic of a meter's raw readings."""
    return f"{ROOT}/{topic_level(station)}/readings/{topic_level(unique_meter_name(meter))}"


def accepted_topic(station: str, site: Site, point: TestPoint) -> str:
    """Return the topic of held readings at a test point."""
    parts = [site.unit, point.component, *([point.section] if point.section else [])]
    return f"{ROOT}/{topic_level(station)}/held/" + "/".join(topic_level(part) for part in parts)


def state_topic(station: str) -> str:
    """Return the topic that holds whether the station is online."""
    return f"{ROOT}/{topic_level(station)}/state"
