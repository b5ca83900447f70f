"""Scanning, connecting, supervising: the only importer of bleak."""

from meterlink.ble.limits import Limits
from meterlink.ble.radio import Radio
from meterlink.ble.session import Packet, Session
from meterlink.ble.states import LinkState, MeterLink, RadioState

__all__ = ["Limits", "LinkState", "MeterLink", "Packet", "Radio", "RadioState", "Session"]
