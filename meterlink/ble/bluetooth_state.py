"""The state of the system's Bluetooth service and of its adapters.

The scan's own start is the only proof that the radio works. A `BluetoothWatch` says when to try it: at once, instead of
when a meter has been missed.
"""

from collections.abc import Awaitable, Callable
from typing import Protocol

from meterlink.core.record import record


@record
class Adapter:
    """A Bluetooth adapter: the system's name for it now (``hci0``), and its address, which stays the same.

    ``discovering`` is whether the system looks for devices, for any program.
    """

    name: str
    address: str
    powered: bool
    discovering: bool


@record
class BluetoothState:
    """The service and its adapters, in the order of their names.

    ``owner`` changes with each start of the service; it is empty while none runs. ``resumes`` counts how often the
    machine has woken from sleep.
    """

    owner: str
    adapters: tuple[Adapter, ...] = ()
    resumes: int = 0


class BluetoothWatch(Protocol):
    """Follows the system's Bluetooth state, where the platform tells it."""

    async def run(self, on_state: Callable[[BluetoothState], Awaitable[None]]) -> None:
        """Pass on the state now and at each change, until cancelled. It raises the platform's own kinds of errors."""
        ...

    async def read(self) -> BluetoothState:
        """Return the present state. It raises the platform's own kinds of errors."""
        ...

    async def forget_cached_state(self) -> None:
        """Drop the backend's knowledge of devices, because the service that it came from has ended."""
        ...


def may_have_changed(before: BluetoothState, after: BluetoothState) -> bool:
    """Return whether the scan must be tried anew: the service, an adapter's presence or power, or a sleep."""
    return _radio_parts(before) != _radio_parts(after)


def _radio_parts(state: BluetoothState) -> tuple[object, ...]:
    adapters = [(adapter.name, adapter.address, adapter.powered) for adapter in state.adapters]
    return state.owner, adapters, state.resumes


def has_lost_scan(state: BluetoothState, address: str = "") -> bool:
    """Return whether the adapter with ``address``, or any without one, could look for devices, and none does."""
    powered = [adapter for adapter in state.adapters if adapter.powered and address in {"", adapter.address.upper()}]
    return bool(powered) and not any(adapter.discovering for adapter in powered)
