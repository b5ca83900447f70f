"""A profile as a driver kind: which meters it takes, what it opens, and what it asks for."""

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

SERVICE, OTHER, SPEAKS, HEARS = (f"a1b2c3d4-0000-4000-8000-00000000000{n}" for n in range(4))
STAMP = Timestamp(1, 1)


def profile(match: Match | None = None, connection: ConnectionSetup | None = None) -> Profile:
    return Profile(
        "aspen", DriverName.LINED, connection or ConnectionSetup((SPEAKS,)), match or Match(), text=TextFormat(unit="V")
    )


def found(uuid: str = SPEAKS, service: str = SERVICE, key: str = "") -> Characteristic:
    return Characteristic(key or uuid, uuid, service, frozenset({"notify"}))


@pytest.mark.parametrize(
    ("match", "heard", "services", "score"),
    [
        (Match(), Advertisement("Aspen 3"), None, NO_MATCH),
        (Match(), Advertisement("Aspen 3"), [found()], NO_MATCH),
        (Match("ASPEN*"), Advertisement("Aspen 3"), None, CERTAIN),
        (Match("aspen ?"), Advertisement("Aspen 3"), [found()], CERTAIN),
        (Match("aspen ?"), Advertisement("Aspen 33"), [found()], NO_MATCH),
        (Match("aspen ?"), Advertisement("Aspen 3"), [found(HEARS)], NO_MATCH),  # it lacks the characteristic
        (Match(services=(SERVICE,)), Advertisement(), None, NO_MATCH),
        (Match(services=(SERVICE,)), Advertisement(service_uuids=(SERVICE,)), None, SERVICE_MATCH),
        (Match(services=(SERVICE,)), Advertisement(), [found()], SERVICE_MATCH),
        (Match(services=(SERVICE, OTHER)), Advertisement(), [found()], NO_MATCH),
        (Match(manufacturer=7), Advertisement(manufacturer_data={7: b""}), None, SERVICE_MATCH),
        (Match(manufacturer=7), Advertisement(manufacturer_data={8: b""}), None, NO_MATCH),
        (Match("a*", (SERVICE,), 7), Advertisement("A", (SERVICE,), {7: b"x"}), None, CERTAIN),
    ],
)
def test_scores(match: Match, heard: Advertisement, services: Sequence[Characteristic] | None, score: float) -> None:
    assert compile_profile(profile(match)).matches(heard, services) == score


def test_a_profile_outbids_the_driver_for_anything() -> None:
    described = Characteristic(
        SPEAKS, SPEAKS, SERVICE, frozenset({"notify"}), {uuid16(0x2904): bytes.fromhex("06FA2927010000")}
    )
    kind = compile_profile(profile(Match(services=(SERVICE,))))
    chosen = best_driver([PRESENTED, kind], Advertisement(), [described])
    assert chosen is not None
    assert chosen[0] is kind


def test_it_is_a_driver_kind_and_opens_fresh_drivers() -> None:
    kind = compile_profile(profile())
    assert isinstance(kind, DriverFactory)
    assert kind.name == "lined:aspen"
    first, second = kind.open([found()]), kind.open([found()])
    assert isinstance(first, Driver)
    assert isinstance(first, WritingDriver)
    assert list(first.feed(SPEAKS, b"4.7", STAMP)) == []
    assert list(second.feed(SPEAKS, b"0 V\n", STAMP))[0].text == "0 V"  # noqa: RUF015 - there must be one
    assert [one.text for one in first.feed(SPEAKS, b"0 V\n", STAMP)] == ["4.70 V"]


def test_channels_and_writes() -> None:
    connection = ConnectionSetup(
        (SPEAKS,),
        (OTHER,),
        0.5,
        writes=(ConnectionWrite(HEARS, b"\x01"), ConnectionWrite(HEARS, b"\x02", 2.0, response=True)),
    )
    driver = compile_profile(profile(connection=connection)).open([found(), found(OTHER), found(HEARS)])
    assert list(driver.channels) == [Channel(SPEAKS), Channel(OTHER, "read", 0.5)]
    assert list(driver.writes) == [
        CharacteristicWrite(HEARS, b"\x01"),
        CharacteristicWrite(HEARS, b"\x02", 2.0, response=True),
    ]


def test_a_characteristic_that_occurs_twice_is_the_one_of_the_service() -> None:
    connection = ConnectionSetup((SPEAKS,), service=OTHER)
    services = [found(key=f"{SPEAKS}@3"), found(service=OTHER, key=f"{SPEAKS}@9")]
    assert [one.key for one in compile_profile(profile(connection=connection)).open(services).channels] == [
        f"{SPEAKS}@9"
    ]
    with pytest.raises(DriverError, match=f"The profile aspen asks for {SPEAKS}"):
        compile_profile(profile(connection=connection)).open(services[:1])


def test_recorded_channels_are_enough() -> None:
    connection = ConnectionSetup(
        (SPEAKS, "0000fff1-0000-1000-8000-00805f9b34fb"), writes=(ConnectionWrite(HEARS, b"\x01"),)
    )
    driver = open_profile_driver(profile(connection=connection), ["fff1", f"{SPEAKS}@7"])
    assert [one.key for one in driver.channels] == [f"{SPEAKS}@7", "fff1"]
    assert [one.text for one in driver.feed("fff1", b"1 V\n", STAMP)] == ["1 V"]
