"""Driver for meters that say how to read themselves, by Bluetooth's own open definitions.

It decodes the Bluetooth SIG's characteristics for voltage, current, temperature, frequency and battery, and any
characteristic that carries a Characteristic Presentation Format descriptor in a unit of `gatt_formats`.
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

# A display changes a few times a second, but each read is a round trip on the radio: once a second is what a person
# can follow. A battery lasts weeks; once a minute notices a weak one within a visit.
_READ_PERIOD = 1.0  # s
_BATTERY_PERIOD = 60.0  # s


class PresentedDriver:
    """One connection to a self-describing meter; keeps nothing from packet to packet."""

    def __init__(self, decoders: Mapping[str, tuple[Quantity, PacketDecoder]], channels: Sequence[Channel]) -> None:
        self._decoders = decoders
        self._channels = tuple(channels)

    @property
    def channels(self) -> Sequence[Channel]:
        """What to subscribe to or read."""
        return self._channels

    def feed(self, channel: str, packet: bytes, stamp: Timestamp) -> tuple[Reading, ...]:
        """Return the one reading in ``packet``, invalid where the bytes make no sense; none for an unknown channel."""
        known = self._decoders.get(channel)
        if known is None:
            return ()
        quantity, decode = known
        digits, unit, status, resolution, coupling = decode(packet)
        return (
            Reading(
                quantity=quantity,
                digits=digits,
                unit=unit,
                timestamp=stamp,
                status=status,
                coupling=coupling,
                resolution=resolution,
                channel=channel,
                packet=packet,
            ),
        )


class Presented:
    """The kind of driver that serves any self-describing meter."""

    name = "presented"

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:
        """Return LIKELY for a connected meter with something to measure, so that a driver made for it can outbid.

        Before connecting there is only the advertisement: POSSIBLE where it names a service that carries such
        characteristics, else NO_MATCH, since nearly everything on the air would otherwise be connected to. A meter
        that advertises only services of its own is therefore recognised once it has been connected, not before.
        """
        if services is None:
            return NO_MATCH if _MEASUREMENT_SERVICES.isdisjoint(advertisement.service_uuids) else POSSIBLE
        return LIKELY if any(_is_measurement(characteristic) for characteristic in services) else NO_MATCH

    def open(self, services: Sequence[Characteristic]) -> PresentedDriver:
        """Return a decoder for these characteristics; DriverError when none of them measures anything."""
        if not any(_is_measurement(characteristic) for characteristic in services):
            raise DriverError(
                f"None of the meter's {len(services)} characteristics says how to read it.",
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
    """Return quantity and decoder; the SIG's definition of its own characteristic stands above a descriptor."""
    own = SIG_CHARACTERISTICS.get(characteristic.uuid)
    if own is not None:
        return own
    form = parse_presentation_format(characteristic.descriptors.get(_PRESENTATION_FORMAT, b""))
    return None if form is None else compile_presentation_format(form)


def _channel(characteristic: Characteristic) -> Channel | None:
    """Return how values come: pushed where the meter offers it, else asked for; None where it offers neither.

    A readable battery level is asked for all the same: it is pushed only when it changes, so a meter that connects
    with an empty battery would not say so for hours.
    """
    battery = characteristic.uuid == BATTERY_LEVEL
    readable = "read" in characteristic.properties
    if characteristic.properties & {"notify", "indicate"} and not (battery and readable):
        return Channel(characteristic.key)
    return Channel(characteristic.key, "read", _BATTERY_PERIOD if battery else _READ_PERIOD) if readable else None


def _is_measurement(characteristic: Characteristic) -> bool:
    """Return whether readings other than the meter's own charge come from it."""
    compiled = _compile_decoder(characteristic)
    return bool(compiled and compiled[0] is not Quantity.BATTERY and _channel(characteristic))


PRESENTED = Presented()
