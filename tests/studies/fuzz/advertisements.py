"""Advertisements as bleak hands them over, and the services of a connected device: listed, matched, opened, read."""

import asyncio
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from random import Random
from typing import Any

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData

from meterlink.ble.connection import reading_service_uuid
from meterlink.ble.discovery import MAX_DEVICES, DeviceList, DiscoveredDevice
from meterlink.ble.platforms import is_heard
from meterlink.ble.scanner import to_advertisement
from meterlink.driver_api import (
    CERTAIN,
    NO_MATCH,
    POSSIBLE,
    Advertisement,
    Characteristic,
    DriverFactory,
    Status,
    uuid16,
)
from meterlink.plugins import LoadedDrivers, best_driver, rank_drivers
from meterlink.profiles import check_profile, compile_profile
from meterlink.station.air_report import device_lines
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.drivers import Drivers
from meterlink_drivers.presented import PRESENTED
from studies.fuzz.target import RefusedError, Target
from support.fuzz.mutants import hostile_text, mutate_bytes, mutate_text
from support.fuzz.profile_cases import CASES, CHANNEL, HEAD, NOW

_OWN_SERVICE = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e00"
_MEASURING = {uuid16(number) for number in (0x1809, 0x1815, 0x181A)}  # Assigned Numbers
_SERVICES = (*_MEASURING, _OWN_SERVICE, uuid16(0x1800), uuid16(0x180A), uuid16(0x180F), "", "1809", "not a uuid")
_NAMES = ("BENCH-7", "bench", "Bench meter", "clamp", "", "BENCH[1]", "*", "?ENCH")
_COMPANY = 0x0ABC
_MATCHES = ('name = "BENCH*"', f'services = ["{_OWN_SERVICE}"]', f"manufacturer = {_COMPANY}", 'name = "[!a]*?[0-9]"')
_PROPERTIES = ("read", "notify", "indicate", "write", "write-without-response", "broadcast", "", "\x00")
_CHARACTERISTICS = (
    CHANNEL,
    *(uuid16(number) for number in (0x2A19, 0x2A1C, 0x2A6E, 0x2AEE, 0x2B18, 0x2BE8, 0x2A25)),
    "",
)
_FORMATS = (
    bytes.fromhex("0EFD2827010000"),
    bytes.fromhex("1400292701"),
    b"",
    bytes(7),
    bytes.fromhex("14002A27010000"),
)


class _Scanner:
    """Stands in the radio's place: the devices that were heard."""

    def __init__(self) -> None:
        self.list = DeviceList()

    def devices(self) -> Sequence[DiscoveredDevice]:
        return self.list.recent()[-6:]

    async def discover_services(self, _address: str) -> Any:
        raise NotImplementedError


@contextmanager
def advertisement_targets(_folder: Path) -> Iterator[Sequence[Target]]:
    """Yield the readers of advertisements and of services."""
    factories: list[DriverFactory] = [PRESENTED]
    for number, match in enumerate(_MATCHES):
        text = HEAD.format(driver="framed").replace("fuzzed", f"meter-{number}")
        checked = check_profile(
            f"{text.replace('[connection]', f'[match]{chr(10)}{match}{chr(10)}[connection]')}{CASES[0].profile}"
        )
        assert checked.value is not None, checked.problems
        factories.append(compile_profile(checked.value))
    scanner = _Scanner()
    discovery = MeterDiscovery(scanner, Drivers(LoadedDrivers(tuple(factories), ())), lambda: ())
    loop = asyncio.new_event_loop()

    def hear(heard: tuple[BLEDevice, AdvertisementData]) -> str:
        return loop.run_until_complete(_hear(heard, scanner, factories, discovery))

    try:
        yield (
            Target("advertisements", 60, _draw, hear, r"not heard", 0.7, 0.2),
            Target("services", 40, _draw_services, lambda services: _open(services, factories), least_accepted=0.1),
        )
    finally:
        loop.close()


def _draw(rng: Random) -> tuple[BLEDevice, AdvertisementData]:
    def name() -> str | None:
        kind = rng.randrange(4)
        if kind == 0:
            return hostile_text(rng, surrogates=True)
        return (
            None
            if kind == 1
            else mutate_text(rng, rng.choice(_NAMES), surrogates=True)
            if kind == 2
            else rng.choice(_NAMES)
        )

    # The system gives the address, a UUID on macOS: no device chooses its form.
    address = rng.choice((f"00:00:5E:00:53:{rng.randrange(256):02X}", f"{_OWN_SERVICE[:-4]}{rng.randrange(16**4):04X}"))
    services = [_uuid(rng) for _ in range(rng.randrange(4))]
    makers = {rng.choice((_COMPANY, 0, 65_535, rng.randrange(65_536))): _data(rng) for _ in range(rng.randrange(3))}
    data = {_uuid(rng): _data(rng) for _ in range(rng.randrange(3))}
    platform = rng.choice(((), ("/org/bluez/hci0/dev", {"RSSI": -50}), ("/org/bluez/hci0/dev", {}), (None, None)))
    rssi = rng.choice((-50, 127, -127, 0, -200))
    advertised = AdvertisementData(name(), makers, data, services, rng.choice((None, 4, -100)), rssi, platform)
    return BLEDevice(address, name(), {}), advertised


def _uuid(rng: Random) -> str:
    uuid = rng.choice(_SERVICES)
    kind = rng.randrange(6)
    return uuid.upper() if kind == 0 else hostile_text(rng) if kind == 1 else uuid


def _data(rng: Random) -> bytes:
    return rng.randbytes(rng.choice((0, 1, 7, 27, 1_650)))


async def _hear(
    heard: tuple[BLEDevice, AdvertisementData],
    scanner: _Scanner,
    factories: Sequence[DriverFactory],
    discovery: MeterDiscovery,
) -> str:
    device, data = heard
    if not is_heard(data):
        raise RefusedError("not heard on the air")
    advertisement = to_advertisement(device, data)
    assert advertisement.name.isprintable()
    assert len(advertisement.name) <= 40
    scanner.list.add(device, advertisement)
    assert len(scanner.list.recent()) <= MAX_DEVICES
    best = best_driver(factories, advertisement, None)
    _check_scores(factories, advertisement)
    if device.address.endswith("0"):  # of some, the view and its lines: to make them takes longer than all the rest
        view = await discovery.discovery_view()
        json.dumps(view, ensure_ascii=False).encode()
        assert all("\n" not in line for line in device_lines(view["devices"], searching=True))
    return "no driver" if best is None else best[0].name


def _check_scores(factories: Sequence[DriverFactory], advertisement: Advertisement) -> None:
    """Assert the scores that the conditions of the profiles give."""
    scores = {factory.name: score for factory, score in rank_drivers(factories, advertisement, None)}
    offered = set(advertisement.service_uuids)
    assert scores["presented"] == (POSSIBLE if offered & _MEASURING else NO_MATCH)
    assert (scores["framed:meter-0"] == CERTAIN) == advertisement.name.lower().startswith("bench")
    assert (scores["framed:meter-1"] > NO_MATCH) == (_OWN_SERVICE in offered)
    assert (scores["framed:meter-2"] > NO_MATCH) == (_COMPANY in advertisement.manufacturer_data)


def _draw_services(rng: Random) -> tuple[tuple[Characteristic, ...], bytes]:
    services = []
    for number in range(rng.randrange(8)):
        uuid = rng.choice(_CHARACTERISTICS) if rng.randrange(6) else hostile_text(rng)
        key = uuid if rng.randrange(3) else f"{uuid}@{number}"
        descriptors = {}
        if rng.randrange(2):
            presentation = rng.choice(_FORMATS)
            descriptors[uuid16(0x2904)] = presentation if rng.randrange(2) else mutate_bytes(rng, presentation)
        if rng.randrange(3) == 0:
            descriptors[uuid16(0x2901)] = hostile_text(rng).encode(errors="replace")
        properties = frozenset(rng.sample(_PROPERTIES, rng.randrange(4)))
        services.append(Characteristic(key, uuid, rng.choice(_SERVICES), properties, descriptors))
    return tuple(services), rng.randbytes(rng.choice((0, 2, 2, 2, 4, 8, 20)))


def _open(drawn: tuple[tuple[Characteristic, ...], bytes], factories: Sequence[DriverFactory]) -> str:
    services, packet = drawn
    advertisement = Advertisement("BENCH-1")
    best = best_driver(factories, advertisement, services)
    if best is None:
        raise RefusedError("no driver fits")
    factory, _ = best
    driver = factory.open(services)
    keys = {characteristic.key for characteristic in services}
    assert driver.channels
    assert {channel.key for channel in driver.channels} <= keys
    reading_service_uuid(services, driver)
    readings = [reading for channel in driver.channels for reading in driver.feed(channel.key, packet, NOW)]
    assert all(reading.text for reading in readings)
    assert all((reading.digits is None) == (reading.status is not Status.OK) for reading in readings)
    assert not list(driver.feed("no channel", packet, NOW))
    return factory.name
