"""The adapter that a person has chosen, by its address: the system's names of adapters change with the sockets."""

from meterlink.ble.bluetooth_state import Adapter, BluetoothWatch
from meterlink.core.errors import RadioError


class AdapterChoice:
    """The adapter with ``address``, wherever it is plugged in now; ``watch`` is None where a platform names none."""

    def __init__(self, address: str, watch: BluetoothWatch | None) -> None:
        self.address = address.upper()
        self._watch = watch

    async def name(self) -> str:
        """Return the system's present name of the adapter.

        Raises:
            RadioError: it is not there, or this platform does not let a program choose.
            Exception: the platform's own error.
        """
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


def _list(adapters: tuple[Adapter, ...]) -> str:
    return ", ".join(f"{adapter.address} ({adapter.name})" for adapter in adapters) or "this machine has none"
