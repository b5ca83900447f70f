"""BlueZ over D-Bus: its adapters, the owner of its name, and sleep of the machine. Linux only.

Signals only say that something has changed: the whole state is then read again, so a lost or reordered signal leaves no
wrong state behind. The names are those of BlueZ's ``doc/org.bluez.Adapter.rst``, of the D-Bus specification ("Message
Bus Messages", `NameOwnerChanged`) and of systemd-logind's D-Bus interface (`PrepareForSleep`).
"""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from bleak.backends.bluezdbus.manager import get_global_bluez_manager
from bleak.backends.bluezdbus.utils import assert_reply, get_dbus_authenticator
from bleak.exc import BleakDBusError
from dbus_fast import BusType, Message, MessageFlag, MessageType, unpack_variants
from dbus_fast.aio.message_bus import MessageBus

from meterlink.ble.backend_errors import is_service_away
from meterlink.ble.bluetooth_state import Adapter, BluetoothState

_BLUEZ = "org.bluez"
_ADAPTER = "org.bluez.Adapter1"
_BUS = "org.freedesktop.DBus"
_OBJECTS = "org.freedesktop.DBus.ObjectManager"
_PROPERTIES = "org.freedesktop.DBus.Properties"
_RULES = (
    f"type='signal',sender='{_BUS}',interface='{_BUS}',member='NameOwnerChanged',arg0='{_BLUEZ}'",
    f"type='signal',sender='{_BLUEZ}',interface='{_PROPERTIES}',member='PropertiesChanged',arg0='{_ADAPTER}'",
    f"type='signal',sender='{_BLUEZ}',interface='{_OBJECTS}'",
    "type='signal',interface='org.freedesktop.login1.Manager',member='PrepareForSleep'",
)


class BlueZWatch:
    """A `BluetoothWatch` with a D-Bus connection of its own while it runs."""

    def __init__(self) -> None:
        self._changed = asyncio.Event()
        self._resumes = 0

    async def run(self, on_state: Callable[[BluetoothState], Awaitable[None]]) -> None:
        """Pass on the state now and at each change, until cancelled.

        Raises:
            EOFError: the connection to D-Bus has ended.
            Exception: D-Bus cannot be reached, or its own error.
        """
        bus = _new_bus()
        try:
            await bus.connect()
            bus.add_message_handler(self._on_message)
            for rule in _RULES:
                await _call_bus(bus, "AddMatch", rule)
            ending = asyncio.ensure_future(bus.wait_for_disconnect())  # type: ignore[no-untyped-call] # its only one
            ending.add_done_callback(lambda _ending: self._changed.set())
            try:
                while not ending.done():
                    self._changed.clear()
                    await on_state(await self._read_state(bus))
                    await self._changed.wait()
            finally:
                ending.cancel()
                await asyncio.gather(ending, return_exceptions=True)
        finally:
            bus.disconnect()
        raise EOFError("The connection to D-Bus has ended.")

    async def read(self) -> BluetoothState:
        """Return the present state.

        Raises:
            Exception: D-Bus cannot be reached, or its own error.
        """
        bus = _new_bus()
        try:
            await bus.connect()
            return await self._read_state(bus)
        finally:
            bus.disconnect()

    async def forget_cached_state(self) -> None:
        """Let bleak read its devices again: the ended service's links are over, and nothing tells bleak so.

        bleak notices only the end of its own D-Bus connection; it then reports each link as lost and reads the devices
        anew. It offers no call for that, so its connection is ended here.
        """
        manager = await get_global_bluez_manager()
        bus = manager._bus  # noqa: SLF001 - see above; tests/system/test_ble_bluez.py holds that it is there
        if bus is not None:
            bus.disconnect()

    def _on_message(self, message: Message) -> None:
        if message.message_type is not MessageType.SIGNAL:
            return
        match message.member:
            case "InterfacesAdded" | "InterfacesRemoved":
                if _ADAPTER not in message.body[1]:  # a device
                    return
            case "PrepareForSleep":
                if message.body[0]:  # it falls asleep now
                    return
                self._resumes += 1
            case "NameOwnerChanged":
                if message.body[0] != _BLUEZ:
                    return
            case "PropertiesChanged":
                if message.body[0] != _ADAPTER:
                    return
            case _:
                return
        self._changed.set()

    async def _read_state(self, bus: MessageBus) -> BluetoothState:
        try:
            owner = await _call_bus(bus, "GetNameOwner", _BLUEZ)
        except BleakDBusError as error:
            if is_service_away(error):
                return BluetoothState("", (), self._resumes)
            raise
        try:
            reply = await bus.call(
                Message(
                    destination=_BLUEZ,
                    path="/",
                    interface=_OBJECTS,
                    member="GetManagedObjects",
                    flags=MessageFlag.NO_AUTOSTART,  # a service that a person has stopped stays stopped
                )
            )
            assert_reply(reply)
        except BleakDBusError:  # it is starting or ending: its adapters are announced when they are there
            return BluetoothState(owner, (), self._resumes)
        return BluetoothState(owner, _adapters(reply.body[0]), self._resumes)


def _new_bus() -> MessageBus:
    return MessageBus(bus_type=BusType.SYSTEM, auth=get_dbus_authenticator())


async def _call_bus(bus: MessageBus, member: str, argument: str) -> Any:
    """Call a method of the message bus itself, and return its first result."""
    reply = await bus.call(
        Message(
            destination=_BUS,
            path="/org/freedesktop/DBus",
            interface=_BUS,
            member=member,
            signature="s",
            body=[argument],
        )
    )
    assert_reply(reply)
    return reply.body[0] if reply.body else None


def _adapters(objects: Mapping[str, Mapping[str, Any]]) -> tuple[Adapter, ...]:
    adapters = []
    for path, interfaces in objects.items():
        if _ADAPTER in interfaces:
            properties = unpack_variants(dict(interfaces[_ADAPTER]))
            adapters.append(
                Adapter(
                    path.rpartition("/")[2],
                    str(properties.get("Address", "")),
                    bool(properties.get("Powered", False)),
                    bool(properties.get("Discovering", False)),
                )
            )
    return tuple(sorted(adapters, key=lambda adapter: (len(adapter.name), adapter.name)))  # hci2 before hci10
