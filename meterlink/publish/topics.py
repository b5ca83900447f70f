"""Topic names under which a station publishes.

    meterlink/<station>/readings/<meter>                          raw readings
    meterlink/<station>/accepted/<unit>/<component>[/<section>]   accepted readings with their verdict
    meterlink/<station>/state                                     online or offline, retained
    meterlink/<station>/alarm                                     the station's alarms, retained

The text of a level is a person's or a meter's; `topic_level` replaces the characters that MQTT forbids.
"""

import unicodedata

from meterlink.core.equipment import Meter, Site, TestPoint
from meterlink.core.text import without_piled_marks
from meterlink.record.senml import ROOT, unique_meter_name

# MQTT allows 65535 bytes for a whole topic, some brokers far fewer (256 is the smallest limit that we found, from
# memory). The longest topic here has four such levels and is shorter.
LONGEST_LEVEL = 48  # bytes of UTF-8


def topic_level(text: str) -> str:
    """Return ``text`` as one topic level: no ``+``, ``#`` or ``/``, no control character, never empty.

    Forbidden characters become ``-``, and a run of white space becomes one space. Control, format, surrogate and
    private characters are removed (MQTT 5, 1.5.4 and 4.7.1). The result has at most ``LONGEST_LEVEL`` bytes of UTF-8.
    Empty text becomes ``unnamed``.
    """
    allowed = "".join(
        " " if char.isspace() else "-" if char in "+#/" else char
        for char in unicodedata.normalize("NFC", without_piled_marks(text))
        if char.isspace() or (unicodedata.category(char)[0] != "C")
    )
    cut = " ".join(allowed.split()).encode()[:LONGEST_LEVEL].decode(errors="ignore")
    return cut.strip() or "unnamed"


def readings_topic(station: str, meter: Meter) -> str:
    """Return the topic of a meter's raw readings."""
    return f"{ROOT}/{topic_level(station)}/readings/{topic_level(unique_meter_name(meter))}"


def accepted_topic(station: str, site: Site, point: TestPoint) -> str:
    """Return the topic of accepted readings at a test point."""
    parts = [site.unit, point.component, *([point.section] if point.section else [])]
    return f"{ROOT}/{topic_level(station)}/accepted/" + "/".join(topic_level(part) for part in parts)


def state_topic(station: str) -> str:
    """Return the topic of the station's state, online or offline."""
    return f"{ROOT}/{topic_level(station)}/state"


def alarm_topic(station: str) -> str:
    """Return the topic of the station's alarms."""
    return f"{ROOT}/{topic_level(station)}/alarm"
