"""Scanning, connecting, supervising: the only importer of bleak."""

from meterlink.ble.connection import MeterSession, ReceivedPacket
from meterlink.ble.radio import Radio
from meterlink.ble.states import MeterStatus, RadioState
from meterlink.ble.timeouts import RadioTimeouts
from meterlink.core.equipment import ConnectionState

__all__ = ["ConnectionState", "MeterSession", "MeterStatus", "Radio", "RadioState", "RadioTimeouts", "ReceivedPacket"]
