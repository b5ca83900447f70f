"""Which adapter scans: the one that a person chose by its address, or with several, always the same.

The system's names of adapters change with the sockets, and a pairing counts for one adapter only.
"""

import logging

from meterlink.ble.bluetooth_state import Adapter, BluetoothWatch
from meterlink.core.errors import RadioError
from meterlink.core.text import named_device

log = logging.getLogger(__name__)


class AdapterChoice:
    """The adapter with ``address``, wherever it is plugged in now, or the first one that is switched on.

    ``watch`` is None where a platform names no adapters: it chooses then.
    """

    def __init__(self, address: str, watch: BluetoothWatch | None) -> None:
        self.address = address.upper()
        self._watch = watch
        self._used = ""  # the address of the adapter that was used last, of several without a choice

    async def name(self) -> str:
        """Return the system's present name of the adapter; empty for the system's own choice.

        Raises:
            RadioError: it is not there, or this platform does not let a program choose.
            Exception: the platform's own error, if an adapter was chosen.
        """
        if not self.address:
            return await self._name_of_one()
        if self._watch is None:
            raise RadioError(
                f"The Bluetooth adapter {self.address} cannot be chosen: this system chooses it itself.",
                "Take the adapter out of the settings and of the command.",
            )
        adapters = (await self._watch.read()).adapters
        named = [adapter for adapter in adapters if adapter.address.upper() == self.address]
        if not named:
            raise RadioError(
                f"The Bluetooth adapter {self.address} is not there.",
                f"Plug it in, or choose another: {_list(adapters)}.",
            )
        return named[0].name

    async def _name_of_one(self) -> str:
        """Return the name of the adapter that was used last, else of the first one; empty unless several are on."""
        if self._watch is None:
            return ""
        try:
            adapters = (await self._watch.read()).adapters
        except Exception as error:  # noqa: BLE001 - the platform's own kinds; the scan itself shows the fault
            log.debug("reading the Bluetooth adapters failed: %r", error)
            return ""
        powered = [adapter for adapter in adapters if adapter.powered]
        if len(powered) < 2:
            return ""
        adapter = next((adapter for adapter in powered if adapter.address == self._used), powered[0])
        if adapter.address != self._used:
            self._used = adapter.address
            log.info("%d Bluetooth adapters: using %s", len(powered), named_device(adapter.name, adapter.address))
        return adapter.name


def _list(adapters: tuple[Adapter, ...]) -> str:
    return ", ".join(f"{adapter.address} ({adapter.name})" for adapter in adapters) or "this machine has none"
