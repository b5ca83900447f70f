"""What the radio tells about itself and its meters: immutable snapshots."""

from dataclasses import dataclass
from enum import StrEnum


class ConnectionState(StrEnum):
    """How a meter's link stands."""

    SEARCHING = "searching"  # wanted, not heard yet
    CONNECTING = "connecting"
    CONNECTED = "connected"
    SILENT = "silent"  # connected, but no packet comes
    LOST = "lost"  # was there, is being looked for again
    NEEDS_ATTENTION = "needs you"  # only a person can help; still tried now and then
    UNUSABLE = "unusable"  # no driver fits


@dataclass(frozen=True, slots=True)
class MeterStatus:
    """One meter as the radio sees it.

    ``address`` is what the platform calls it. ``detail`` says why, and what to try, where ``state`` is not connected.
    ``driver`` and ``serial`` are empty until known. ``rssi`` is in dBm, from the last advertisement that differed
    noticeably; most meters do not advertise while connected.
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
    """All meters, in the order they became known; ``problem`` is empty while the radio works."""

    meters: tuple[MeterStatus, ...] = ()
    error: str = ""
