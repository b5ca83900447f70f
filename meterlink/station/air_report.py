"""The log of a start: the meters to connect, the other devices on the air, and how to bind one of them."""

import asyncio
import logging
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Protocol

from meterlink.core.equipment import DriverFit
from meterlink.core.errors import MeterlinkError
from meterlink.core.text import count_phrase, named_device
from meterlink.link.messages import DeviceView, DiscoveryView

log = logging.getLogger(__name__)

# As long as `meterlink find` listens: most meters advertise several times a second (common practice, no source).
LISTEN_SECONDS = 6.0
_MOST_LINES = 8  # devices listed; a trade fair has hundreds, and the strongest are the nearest


class DeviceLister(Protocol):
    """The part of a `MeterDiscovery` that a report needs."""

    async def discovery_view(self) -> DiscoveryView:
        """Return all devices."""
        ...


async def log_devices_on_the_air(
    discovery: DeviceLister, meters: Sequence[str], radio_error: Callable[[], str], *, adopt: bool
) -> None:
    """Log the names of the ``meters`` to connect at once; after `LISTEN_SECONDS`, the devices that could be bound.

    While ``radio_error`` returns a text, nothing can be heard, and that is logged elsewhere.
    """
    log.info("meters to connect: %s", ", ".join(meters) or "none. To see those in range: meterlink find")
    await asyncio.sleep(LISTEN_SECONDS)
    while radio_error():  # noqa: ASYNC110  # a state without an event; nobody waits for this log
        await asyncio.sleep(LISTEN_SECONDS)
    try:
        view = await discovery.discovery_view()
    except MeterlinkError as error:  # of the database, which alarms by itself
        log.warning("the devices on the air cannot be listed: %s", error)
        return
    for line in device_lines(view["devices"], searching=adopt or not meters):
        log.info("%s", line)


def device_lines(devices: Iterable[DeviceView], *, searching: bool) -> Iterator[str]:
    """Return a line for each unbound device that a driver fits, and for all named ones while ``searching`` for meters.

    A last line counts those that are left out.
    """
    devices = list(devices)
    heard = [device for device in devices if not device["bound"] and device["rssi"] is not None and not device["state"]]
    heard.sort(key=lambda device: (-device["score"], -(device["rssi"] or 0)))
    listed = [device for device in heard if _fits(device) or (searching and device["name"])][:_MOST_LINES]
    names = Counter(device["name"] for device in heard)
    for device in listed:
        # A log has no whole addresses: it may be passed on.
        unique = bool(device["name"]) and names[device["name"]] == 1
        known_as = f'"{device["name"]}"' if unique else "ADDRESS (listed by: meterlink find)"
        name = named_device(device["name"], device["address"])
        yield f"on the air: {name}, {device['rssi']} dBm. {_advice(device, known_as)}"
    if searching and not any(device["rssi"] is not None for device in devices):
        yield "on the air: nothing is heard. Wake your meter, switch its Bluetooth on, move closer."
    elif searching and len(heard) > len(listed):
        yield f"on the air: {count_phrase(len(heard) - len(listed), 'more device')}: meterlink find"


def _fits(device: DeviceView) -> bool:
    return device["fit"] != DriverFit.NO


def _advice(device: DeviceView, known_as: str) -> str:
    if not _fits(device):
        return device["unusable_reason"].replace(device["address"], known_as)
    return f"The driver {device['driver']} fits. To bind it: meterlink find --bind {known_as}"
