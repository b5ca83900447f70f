"""The driver for meters that describe themselves: score, channels, good and bad packets."""

from collections.abc import Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.driver_api import (
    LIKELY,
    NO_MATCH,
    POSSIBLE,
    Advertisement,
    Channel,
    Characteristic,
    Driver,
    DriverError,
    DriverFactory,
    Quantity,
    Status,
    Timestamp,
    uuid16,
)
from meterlink_drivers.presented import PRESENTED

untimed = settings(deadline=None)  # the speed of the machine proves nothing here

OWN = "6b9a1d50-3a4c-4c60-9d6e-2f2f6f0a7c{:02x}"
PRESENTATION = uuid16(0x2904)
MICROFARAD = bytes.fromhex("06FA2927010000")
NOW = Timestamp(1_700_000_000_000_000_000, 42)
SIG_SIZES = {0x2B18: 2, 0x2AEE: 2, 0x2A6E: 2, 0x2BE8: 2, 0x2A19: 1}
FORMAT_SIZES = dict(
    zip(range(0x01, 0x18), (1, 1, 1, 1, 2, 2, 3, 4, 6, 8, 16, 1, 2, 2, 3, 4, 6, 8, 16, 4, 8, 2, 4), strict=True)
)


def characteristic(
    uuid: str, properties: Iterable[str] = ("notify",), descriptor: bytes | None = None, key: str = ""
) -> Characteristic:
    descriptors = {} if descriptor is None else {PRESENTATION: descriptor}
    return Characteristic(key or uuid, uuid, uuid16(0x181A), frozenset(properties), descriptors)


BATTERY = characteristic(uuid16(0x2A19), ["read", "notify"])
DESCRIBED = characteristic(OWN.format(1), ["notify"], MICROFARAD)


def test_it_is_a_driver_factory_and_opens_fresh_drivers() -> None:
    assert isinstance(PRESENTED, DriverFactory)
    first, second = PRESENTED.open([DESCRIBED]), PRESENTED.open([DESCRIBED])
    assert isinstance(first, Driver)
    assert first is not second


@pytest.mark.parametrize(
    ("services", "score"),
    [
        ([DESCRIBED], LIKELY),
        ([characteristic(uuid16(0x2B18)), BATTERY], LIKELY),
        ([characteristic(uuid16(0x2B18), ["read"])], LIKELY),
        ([characteristic(uuid16(0x2B18), ["write"])], NO_MATCH),  # no packets come from it
        ([BATTERY], NO_MATCH),
        ([], NO_MATCH),
        ([characteristic(OWN.format(1))], NO_MATCH),  # not described
        ([characteristic(OWN.format(1), descriptor=MICROFARAD[:6])], NO_MATCH),
        ([characteristic(OWN.format(1), descriptor=MICROFARAD + b"\x00")], NO_MATCH),
        ([characteristic(OWN.format(1), descriptor=b"")], NO_MATCH),
        ([characteristic(OWN.format(1), descriptor=bytes.fromhex("19002927010000"))], NO_MATCH),  # text
        ([characteristic(OWN.format(1), descriptor=bytes.fromhex("18002927010000"))], NO_MATCH),  # nomenclature
        ([characteristic(OWN.format(1), descriptor=bytes.fromhex("06000027010000"))], NO_MATCH),  # no unit
    ],
)
def test_score_of_a_connected_meter(services: list[Characteristic], score: float) -> None:
    assert PRESENTED.matches(Advertisement(), services) == score
    if score == NO_MATCH:
        with pytest.raises(DriverError, match="can be decoded"):
            PRESENTED.open(services)
    else:
        assert PRESENTED.open(services).channels


@pytest.mark.parametrize(
    ("uuids", "score"),
    [
        ((uuid16(0x181A),), POSSIBLE),
        ((uuid16(0x1809), uuid16(0x180F)), POSSIBLE),
        ((uuid16(0x1815),), POSSIBLE),
        ((uuid16(0x180F),), NO_MATCH),  # nearly everything has a battery
        ((OWN.format(0),), NO_MATCH),
        ((), NO_MATCH),
    ],
)
def test_score_of_an_advertisement_alone(uuids: tuple[str, ...], score: float) -> None:
    assert PRESENTED.matches(Advertisement(name="Bench meter", service_uuids=uuids), None) == score


@pytest.mark.parametrize(
    ("offered", "channel"),
    [
        (characteristic(OWN.format(1), ["notify", "read"], MICROFARAD), Channel(OWN.format(1))),
        (characteristic(OWN.format(1), ["indicate"], MICROFARAD), Channel(OWN.format(1))),
        (characteristic(OWN.format(1), ["read", "write"], MICROFARAD), Channel(OWN.format(1), "read", 1.0)),
        (characteristic(uuid16(0x2A19), ["read"]), Channel(uuid16(0x2A19), "read", 60.0)),
        # Notified on change only, so it is read where possible.
        (characteristic(uuid16(0x2A19), ["read", "notify"]), Channel(uuid16(0x2A19), "read", 60.0)),
        (characteristic(uuid16(0x2A19), ["notify"]), Channel(uuid16(0x2A19))),
    ],
)
def test_channels(offered: Characteristic, channel: Channel) -> None:
    voltage = characteristic(uuid16(0x2B18))
    assert list(PRESENTED.open([voltage, offered]).channels) == [Channel(voltage.key), channel]


def test_an_undescribed_characteristic_gets_no_channel() -> None:
    driver = PRESENTED.open([DESCRIBED, characteristic(OWN.format(2)), characteristic(uuid16(0x2A00), ["read"])])
    assert [channel.key for channel in driver.channels] == [DESCRIBED.key]
    assert driver.feed(OWN.format(2), b"\x00\x00", NOW) == ()


def test_a_uuid_that_occurs_twice_is_distinguished_by_key() -> None:
    millivolt = bytes.fromhex("06FD2827010000")
    driver = PRESENTED.open(
        [
            characteristic(OWN.format(1), descriptor=MICROFARAD, key=OWN.format(1) + "@12"),
            characteristic(OWN.format(1), descriptor=millivolt, key=OWN.format(1) + "@15"),
        ]
    )
    (first,) = driver.feed(OWN.format(1) + "@12", b"\x2d\x00", NOW)
    (second,) = driver.feed(OWN.format(1) + "@15", b"\x2d\x00", NOW)
    assert (first.text, second.text) == ("45 µF", "0.045 V")


def test_a_reading_has_channel_packet_and_time() -> None:
    (reading,) = PRESENTED.open([DESCRIBED]).feed(DESCRIBED.key, b"\x2d\x00", NOW)
    assert (reading.channel, reading.packet, reading.timestamp) == (DESCRIBED.key, b"\x2d\x00", NOW)
    assert (reading.quantity, reading.text, reading.coupling) == (Quantity.CAPACITANCE, "45 µF", None)


def test_namespace_and_description_change_nothing() -> None:
    for tail in ("000000", "01FFFF", "FF0C01"):
        described = characteristic(OWN.format(1), descriptor=MICROFARAD[:4] + bytes.fromhex(tail))
        (reading,) = PRESENTED.open([described]).feed(described.key, b"\x2d\x00", NOW)
        assert reading.text == "45 µF"


def test_the_sig_definition_overrides_a_descriptor() -> None:
    voltage = characteristic(uuid16(0x2B18), descriptor=MICROFARAD)
    (reading,) = PRESENTED.open([voltage]).feed(voltage.key, b"\x00\x06", NOW)
    assert reading.text == "24.00 V"


@pytest.mark.parametrize(
    ("descriptor", "text"),
    [
        ("06FA2927010000", "--- µF"),
        ("17002927010000", "--- µF"),
        ("17002A27010000", "--- Ω"),
        ("1700AC27010000", "--- °F"),
        ("17002227010000", "--- Hz"),
        ("17002827010000", "--- V"),
    ],
)
def test_an_invalid_reading_has_the_unit_of_the_trade(descriptor: str, text: str) -> None:
    described = characteristic(OWN.format(1), descriptor=bytes.fromhex(descriptor))
    (reading,) = PRESENTED.open([described]).feed(described.key, b"", NOW)
    assert (reading.status, reading.text) == (Status.INVALID, text)


def test_overload_on_ohms() -> None:
    described = characteristic(OWN.format(1), descriptor=bytes.fromhex("17002A27010000"))
    (reading,) = PRESENTED.open([described]).feed(described.key, bytes.fromhex("FEFF7F00"), NOW)
    assert (reading.status, reading.text, reading.value) == (Status.OVERLOAD, "OL Ω", None)


@untimed
@given(st.sampled_from(sorted(SIG_SIZES)), st.binary(max_size=24))
def test_sig_characteristics_decode_any_bytes(number: int, packet: bytes) -> None:
    driver = PRESENTED.open([characteristic(uuid16(number)), DESCRIBED])
    (reading,) = driver.feed(uuid16(number), packet, NOW)
    check_reading(reading, may_be_ok=len(packet) == SIG_SIZES[number])


@untimed
@given(st.binary(max_size=24))
def test_temperature_measurement_decodes_any_bytes(packet: bytes) -> None:
    (reading,) = PRESENTED.open([characteristic(uuid16(0x2A1C))]).feed(uuid16(0x2A1C), packet, NOW)
    flags = packet[0] if packet else 0
    known = 5 + 7 * (flags >> 1 & 1) + (flags >> 2 & 1)
    # Reserved flags may add fields later: only with such a flag may the packet be longer.
    check_reading(reading, may_be_ok=len(packet) == known or (len(packet) > known and flags > 7))


@untimed
@given(
    st.sampled_from(sorted(FORMAT_SIZES)),
    st.integers(0, 255),
    st.sampled_from([0x2704, 0x2722, 0x2728, 0x2729, 0x272A, 0x272F, 0x27AC, 0x27AD]),
    st.binary(max_size=24),
)
def test_described_characteristics_decode_any_bytes(code: int, exponent: int, unit: int, packet: bytes) -> None:
    descriptor = bytes([code, exponent]) + unit.to_bytes(2, "little") + b"\x01\x00\x00"
    described = characteristic(OWN.format(1), descriptor=descriptor)
    (reading,) = PRESENTED.open([described]).feed(described.key, packet, NOW)
    check_reading(reading, may_be_ok=len(packet) == FORMAT_SIZES[code])


@untimed
@given(st.binary(max_size=9), st.binary(max_size=24))
def test_any_descriptor_is_decoded_or_declined(descriptor: bytes, packet: bytes) -> None:
    described = characteristic(OWN.format(1), descriptor=descriptor)
    if PRESENTED.matches(Advertisement(), [described]) == NO_MATCH:
        return
    (reading,) = PRESENTED.open([described]).feed(described.key, packet, NOW)
    check_reading(reading, may_be_ok=True)


def check_reading(reading, *, may_be_ok):
    assert may_be_ok or reading.status is Status.INVALID
    assert (reading.digits is None) == (reading.status is not Status.OK)
    assert (reading.value is None) == (reading.status is not Status.OK)
    assert len(reading.text) <= 80  # two lines of a narrow screen at the very worst
    if reading.digits is not None:
        assert reading.digits.is_finite()
