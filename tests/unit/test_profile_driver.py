"""A profile as a driver factory: the meters it fits, the channels it opens, its writes."""

from collections.abc import Sequence

import pytest

from meterlink.driver_api import (
    CERTAIN,
    NO_MATCH,
    Advertisement,
    Channel,
    Characteristic,
    CharacteristicWrite,
    Driver,
    DriverError,
    DriverFactory,
    Timestamp,
    WritingDriver,
    uuid16,
)
from meterlink.plugins import best_driver
from meterlink.profiles import compile_profile, open_profile_driver
from meterlink.profiles.driver import SERVICE_MATCH
from meterlink.profiles.model import ConnectionSetup, ConnectionWrite, DriverName, Match, Profile, TextFormat
from meterlink_drivers.presented import PRESENTED

SERVICE, OTHER, NOTIFIES, WRITABLE = (f"a1b2c3d4-0000-4000-8000-00000000000{n}" for n in range(4))
NOW = Timestamp(1, 1)


def profile(match: Match | None = None, connection: ConnectionSetup | None = None) -> Profile:
    return Profile(
        "aspen",
        DriverName.LINED,
        connection or ConnectionSetup((NOTIFIES,)),
        match or Match(),
        text=TextFormat(unit="V"),
    )


def characteristic(uuid: str = NOTIFIES, service: str = SERVICE, key: str = "") -> Characteristic:
    return Characteristic(key or uuid, uuid, service, frozenset({"notify"}))


@pytest.mark.parametrize(
    ("match", "advertisement", "services", "score"),
    [
        (Match(), Advertisement("Aspen 3"), None, NO_MATCH),
        (Match(), Advertisement("Aspen 3"), [characteristic()], NO_MATCH),
        (Match("ASPEN*"), Advertisement("Aspen 3"), None, CERTAIN),
        (Match("aspen ?"), Advertisement("Aspen 3"), [characteristic()], CERTAIN),
        (Match("aspen ?"), Advertisement("Aspen 33"), [characteristic()], NO_MATCH),
        (
            Match("aspen ?"),
            Advertisement("Aspen 3"),
            [characteristic(WRITABLE)],
            NO_MATCH,
        ),  # it lacks the characteristic
        (Match(services=(SERVICE,)), Advertisement(), None, NO_MATCH),
        (Match(services=(SERVICE,)), Advertisement(service_uuids=(SERVICE,)), None, SERVICE_MATCH),
        (Match(services=(SERVICE,)), Advertisement(), [characteristic()], SERVICE_MATCH),
        (Match(services=(SERVICE, OTHER)), Advertisement(), [characteristic()], NO_MATCH),
        (Match(manufacturer=7), Advertisement(manufacturer_data={7: b""}), None, SERVICE_MATCH),
        (Match(manufacturer=7), Advertisement(manufacturer_data={8: b""}), None, NO_MATCH),
        (Match("a*", (SERVICE,), 7), Advertisement("A", (SERVICE,), {7: b"x"}), None, CERTAIN),
    ],
)
def test_scores(
    match: Match, advertisement: Advertisement, services: Sequence[Characteristic] | None, score: float
) -> None:
    assert compile_profile(profile(match)).matches(advertisement, services) == score


def test_a_profile_outbids_the_general_driver() -> None:
    described = Characteristic(
        NOTIFIES, NOTIFIES, SERVICE, frozenset({"notify"}), {uuid16(0x2904): bytes.fromhex("06FA2927010000")}
    )
    factory = compile_profile(profile(Match(services=(SERVICE,))))
    chosen = best_driver([PRESENTED, factory], Advertisement(), [described])
    assert chosen is not None
    assert chosen[0] is factory


def test_it_is_a_driver_factory_and_opens_fresh_drivers() -> None:
    factory = compile_profile(profile())
    assert isinstance(factory, DriverFactory)
    assert factory.name == "lined:aspen"
    first, second = factory.open([characteristic()]), factory.open([characteristic()])
    assert isinstance(first, Driver)
    assert isinstance(first, WritingDriver)
    assert list(first.feed(NOTIFIES, b"\n4.7", NOW)) == []
    assert [reading.text for reading in second.feed(NOTIFIES, b"\n0 V\n", NOW)] == ["0 V"]
    assert [reading.text for reading in first.feed(NOTIFIES, b"0 V\n", NOW)] == ["4.70 V"]


def test_channels_and_writes() -> None:
    connection = ConnectionSetup(
        (NOTIFIES,),
        (OTHER,),
        0.5,
        writes=(ConnectionWrite(WRITABLE, b"\x01"), ConnectionWrite(WRITABLE, b"\x02", 2.0, response=True)),
    )
    driver = compile_profile(profile(connection=connection)).open(
        [characteristic(), characteristic(OTHER), characteristic(WRITABLE)]
    )
    assert list(driver.channels) == [Channel(NOTIFIES), Channel(OTHER, "read", 0.5)]
    assert list(driver.writes) == [
        CharacteristicWrite(WRITABLE, b"\x01"),
        CharacteristicWrite(WRITABLE, b"\x02", 2.0, response=True),
    ]


def test_a_characteristic_that_occurs_twice_is_the_one_of_the_service() -> None:
    connection = ConnectionSetup((NOTIFIES,), service=OTHER)
    services = [characteristic(key=f"{NOTIFIES}@3"), characteristic(service=OTHER, key=f"{NOTIFIES}@9")]
    assert [channel.key for channel in compile_profile(profile(connection=connection)).open(services).channels] == [
        f"{NOTIFIES}@9"
    ]
    with pytest.raises(DriverError, match=f"The profile aspen needs {NOTIFIES}"):
        compile_profile(profile(connection=connection)).open(services[:1])


def test_recorded_channels_are_enough() -> None:
    connection = ConnectionSetup(
        (NOTIFIES, "0000fff1-0000-1000-8000-00805f9b34fb"), writes=(ConnectionWrite(WRITABLE, b"\x01"),)
    )
    driver = open_profile_driver(profile(connection=connection), ["fff1", f"{NOTIFIES}@7"])
    assert [channel.key for channel in driver.channels] == [f"{NOTIFIES}@7", "fff1"]
    assert [reading.text for reading in driver.feed("fff1", b"\n1 V\n", NOW)] == ["1 V"]
