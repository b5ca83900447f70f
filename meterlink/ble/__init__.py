"""Scanning, connecting, supervising: the only importer of bleak."""

from meterlink.ble.connection import Packet, Session
from meterlink.ble.radio import Radio
from meterlink.ble.states import LinkState, MeterLink, RadioState
from meterlink.ble.timeouts import Limits

__all__ = ["Limits", "LinkState", "MeterLink", "Packet", "Radio", "RadioState", "Session"]
