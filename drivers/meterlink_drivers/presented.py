"""Driver for meters that describe how to read them, by Bluetooth's own open definitions.

It decodes the Bluetooth SIG's characteristics for voltage, current, temperature, frequency and battery, and any
characteristic that has a Characteristic Presentation Format descriptor with a unit of `presentation_format`.
"""

from collections.abc import Mapping, Sequence

from meterlink.driver_api import (
    LIKELY,
    NO_MATCH,
    POSSIBLE,
    Advertisement,
    Channel,
    Characteristic,
    DriverError,
    Quantity,
    Reading,
    Timestamp,
    uuid16,
)
from meterlink_drivers.decoded_packet import PacketDecoder
from meterlink_drivers.presentation_format import compile_presentation_format, parse_presentation_format
from meterlink_drivers.sig_characteristics import BATTERY_LEVEL, SIG_CHARACTERISTICS

_PRESENTATION_FORMAT = uuid16(0x2904)

# Services whose characteristics can be decoded here: Health Thermometer, Automation IO (its Analog characteristic
# describes itself) and Environmental Sensing. Assigned Numbers, service UUIDs.
_MEASUREMENT_SERVICES = frozenset({uuid16(0x1809), uuid16(0x1815), uuid16(0x181A)})

# A display changes a few times a second, but each read is a round trip on the radio, and a person can follow one
# change a second. A battery lasts weeks; once a minute notices a weak battery within a visit.
_READ_PERIOD = 1.0  # s
_BATTERY_PERIOD = 60.0  # s


class PresentedDriver:
    """One connection to a meter that describes itself; keeps nothing from packet to packet."""

    def __init__(self, decoders: Mapping[str, tuple[Quantity, PacketDecoder]], channels: Sequence[Channel]) -> None:
        self._decoders = decoders
        self._channels = tuple(channels)

    @property
    def channels(self) -> Sequence[Channel]:
        """The characteristics to subscribe to or to read."""
        return self._channels

    def feed(self, channel: str, packet: bytes, timestamp: Timestamp) -> tuple[Reading, ...]:
        """Return the reading in ``packet``, invalid where its bytes cannot be decoded; none for an unknown channel."""
        decoder = self._decoders.get(channel)
        if decoder is None:
            return ()
        quantity, decode = decoder
        digits, unit, status, resolution, coupling = decode(packet)
        return (
            Reading(
                quantity=quantity,
                digits=digits,
                unit=unit,
                timestamp=timestamp,
                status=status,
                coupling=coupling,
                resolution=resolution,
                channel=channel,
                packet=packet,
            ),
        )


class Presented:
    """The driver factory for every meter that describes itself."""

    name = "presented"

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:
        """Return LIKELY for a connected meter with something to measure, so that a driver made for it can outbid.

        Before connecting there is only the advertisement: POSSIBLE where it names a service with such characteristics,
        else NO_MATCH, so that the station does not connect to every device in range. A meter that advertises none of
        these services is recognised after it has been connected.
        """
        if services is None:
            return NO_MATCH if _MEASUREMENT_SERVICES.isdisjoint(advertisement.service_uuids) else POSSIBLE
        return LIKELY if any(_is_measurement(characteristic) for characteristic in services) else NO_MATCH

    def open(self, services: Sequence[Characteristic]) -> PresentedDriver:
        """Return a decoder for these characteristics.

        Raises:
            DriverError: none of them carries a measurement that can be decoded.
        """
        if not any(_is_measurement(characteristic) for characteristic in services):
            raise DriverError(
                f"None of the meter's {len(services)} characteristics is a measurement that can be decoded.",
                "Teach a profile for this meter, or install its driver.",
            )
        decoders: dict[str, tuple[Quantity, PacketDecoder]] = {}
        channels: list[Channel] = []
        for characteristic in services:
            compiled, channel = _compile_decoder(characteristic), _channel(characteristic)
            if compiled and channel:
                decoders[characteristic.key] = compiled
                channels.append(channel)
        return PresentedDriver(decoders, channels)


def _compile_decoder(characteristic: Characteristic) -> tuple[Quantity, PacketDecoder] | None:
    """Return ``(quantity, decoder)``; the SIG's definition of a characteristic has priority over a descriptor."""
    sig_decoder = SIG_CHARACTERISTICS.get(characteristic.uuid)
    if sig_decoder is not None:
        return sig_decoder
    presentation = parse_presentation_format(characteristic.descriptors.get(_PRESENTATION_FORMAT, b""))
    return None if presentation is None else compile_presentation_format(presentation)


def _channel(characteristic: Characteristic) -> Channel | None:
    """Return how packets come: by subscription where the meter offers it, else by reading; None for neither.

    A readable battery level is read in any case: a meter notifies it on change only, so a meter that connects with an
    empty battery would not report it for hours.
    """
    battery = characteristic.uuid == BATTERY_LEVEL
    readable = "read" in characteristic.properties
    if characteristic.properties & {"notify", "indicate"} and not (battery and readable):
        return Channel(characteristic.key)
    return Channel(characteristic.key, "read", _BATTERY_PERIOD if battery else _READ_PERIOD) if readable else None


def _is_measurement(characteristic: Characteristic) -> bool:
    """Return whether the characteristic gives readings other than the meter's own charge."""
    compiled = _compile_decoder(characteristic)
    return bool(compiled and compiled[0] is not Quantity.BATTERY and _channel(characteristic))


PRESENTED = Presented()
