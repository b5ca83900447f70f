"""The log of the radio's state and of the states of its meters."""

import logging

from meterlink.ble.states import RadioState
from meterlink.core.text import named_device
from meterlink.station.known_meters import KnownMeters

log = logging.getLogger(__name__)


class RadioLog:
    """Logs each change of the radio's state and of its meters, which are named as their owner does."""

    def __init__(self, known: KnownMeters) -> None:
        self._known = known
        self._logged: dict[str, str] = {}  # the last logged state by meter address; the radio's under ""

    def add(self, state: RadioState) -> None:
        """Log the changes since the state before."""
        for meter in state.meters:
            name = self._known.name_at(meter.address) or meter.name
            text = f"{named_device(name, meter.address)}: {meter.state} {meter.detail}"
            if self._logged.get(meter.address) != text:
                self._logged[meter.address] = text
                log.info("%s", text.rstrip())
        if state.error != self._logged.get("", ""):
            self._logged[""] = state.error
            log.warning("%s", state.error or "The radio works again.")
