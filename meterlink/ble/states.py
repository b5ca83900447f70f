"""Immutable snapshots of the radio and its meters."""

from dataclasses import dataclass

from meterlink.core.equipment import ConnectionState


@dataclass(frozen=True, slots=True)
class MeterStatus:
    """The state of one meter.

    ``address`` is the platform's identifier of the meter. ``detail`` is the reason and the remedy if it is not
    connected. ``driver`` and ``serial`` are empty until known. ``rssi`` is in dBm, from the last advertisement that
    differed noticeably; most meters do not advertise while connected.
    """

    address: str
    name: str
    state: ConnectionState = ConnectionState.SEARCHING
    detail: str = ""
    driver: str = ""
    serial: str = ""
    rssi: int | None = None


@dataclass(frozen=True, slots=True)
class RadioState:
    """All meters, in the order they became known; ``error`` is empty while the radio works."""

    meters: tuple[MeterStatus, ...] = ()
    error: str = ""
