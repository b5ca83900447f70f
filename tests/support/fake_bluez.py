"""A D-Bus daemon of its own, and a service on it that answers as BlueZ does: for bleak's own classes and `BlueZWatch`.

Names and behaviour as BlueZ documents them in ``doc/org.bluez.Adapter.rst`` and ``doc/org.bluez.Device.rst``; its
behaviour when it is switched off was seen with BlueZ 5.66. Devices are heard; none can be connected.
"""

import asyncio
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from dbus_fast import BusType, ErrorType, Message, MessageType, RequestNameReply, Variant
from dbus_fast.aio.message_bus import MessageBus

DAEMON = shutil.which("dbus-daemon")
_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>session</type>
  <listen>unix:path={socket}</listen>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/>
  </policy>
</busconfig>
"""
_PROPERTIES = "org.freedesktop.DBus.Properties"
_OBJECTS = "org.freedesktop.DBus.ObjectManager"


@contextmanager
def bus_daemon(folder: Path) -> Iterator[str]:
    """Run a D-Bus daemon; yield its address."""
    assert DAEMON is not None
    socket, config = folder / "bus", folder / "bus.conf"
    config.write_text(_CONFIG.format(socket=socket), encoding="ascii")
    with subprocess.Popen(
        [DAEMON, "--config-file", str(config), "--nofork", "--print-address=1"], stdout=subprocess.PIPE
    ) as daemon:
        assert daemon.stdout is not None
        daemon.stdout.readline()  # it listens
        try:
            yield f"unix:path={socket}"
        finally:
            daemon.terminate()


class FakeBlueZ:
    """The service ``org.bluez``. Its adapters are ``{name: address}``; devices are heard while one discovers."""

    def __init__(self, adapters: dict[str, str]) -> None:
        self.adapters = {
            f"/org/bluez/{name}": {
                "Address": Variant("s", address),
                "Powered": Variant("b", True),
                "Discovering": Variant("b", False),
                "Roles": Variant("as", ["central"]),
            }
            for name, address in adapters.items()
        }
        self.devices: dict[str, dict[str, Variant]] = {}
        self.scan_starts: list[str] = []
        self._bus: MessageBus | None = None

    async def start(self) -> None:
        """Own the name; every adapter is there, and no scan runs."""
        bus = self._bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
        bus.add_message_handler(self._answer)
        for properties in self.adapters.values():
            properties["Discovering"] = Variant("b", False)
        assert await bus.request_name("org.bluez") is RequestNameReply.PRIMARY_OWNER
        for path, properties in self.adapters.items():
            self._signal(_OBJECTS, "/", "InterfacesAdded", "oa{sa{sv}}", path, {"org.bluez.Adapter1": properties})

    async def end(self) -> None:
        """End as a killed service does: without a word."""
        bus, self._bus = self._bus, None
        self.devices.clear()
        if bus is not None:
            bus.disconnect()
            await bus.wait_for_disconnect()  # type: ignore[no-untyped-call] # the only one of dbus-fast

    def set_power(self, name: str, *, powered: bool) -> None:
        path = f"/org/bluez/{name}"
        if not powered:
            self._change(path, Discovering=Variant("b", False))
            for device, properties in self.devices.items():
                if properties.pop("RSSI", None) is not None:
                    changes: tuple[Any, ...] = ("org.bluez.Device1", {}, ["RSSI"])
                    self._signal(_PROPERTIES, device, "PropertiesChanged", "sa{sv}as", *changes)
        self._change(path, Powered=Variant("b", powered))

    def end_scan(self, name: str) -> None:
        self._change(f"/org/bluez/{name}", Discovering=Variant("b", False))

    def wake_from_sleep(self) -> None:
        self._signal("org.freedesktop.login1.Manager", "/org/freedesktop/login1", "PrepareForSleep", "b", False)

    def add_device(self, adapter: str, address: str, name: str) -> None:
        """Hear a device for the first time, if the adapter discovers."""
        parent = f"/org/bluez/{adapter}"
        if not self.adapters[parent]["Discovering"].value:
            return
        path = f"{parent}/dev_{address.replace(':', '_')}"
        self.devices[path] = {
            "Adapter": Variant("o", parent),
            "Address": Variant("s", address),
            "Alias": Variant("s", name),
            "Name": Variant("s", name),
            "Connected": Variant("b", False),
            "Paired": Variant("b", False),
            "RSSI": Variant("n", -60),
            "UUIDs": Variant("as", []),
        }
        interfaces = {"org.bluez.Device1": self.devices[path]}
        self._signal(_OBJECTS, "/", "InterfacesAdded", "oa{sa{sv}}", path, interfaces)

    def _change(self, path: str, **properties: Variant) -> None:
        self.adapters[path] |= properties
        self._signal(_PROPERTIES, path, "PropertiesChanged", "sa{sv}as", "org.bluez.Adapter1", properties, [])

    def _signal(self, interface: str, path: str, member: str, signature: str, *body: Any) -> None:
        if self._bus is not None:
            self._bus.send(Message.new_signal(path, interface, member, signature, list(body)))

    def _answer(self, message: Message) -> Message | None:
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        match message.member:
            case "GetManagedObjects":
                objects: dict[str, Any] = {
                    path: {"org.bluez.Adapter1": properties} for path, properties in self.adapters.items()
                }
                objects |= {path: {"org.bluez.Device1": properties} for path, properties in self.devices.items()}
                return Message.new_method_return(message, "a{oa{sa{sv}}}", [objects])
            case "SetDiscoveryFilter" | "StartDiscovery" | "StopDiscovery" as member:
                return self._discover(message, member)
        return Message.new_error(message, ErrorType.UNKNOWN_METHOD, "not a part of this fake")

    def _discover(self, message: Message, member: str) -> Message:
        assert message.path is not None
        if not self.adapters[message.path]["Powered"].value:
            return Message.new_error(message, "org.bluez.Error.NotReady", "Resource Not Ready")
        if member != "SetDiscoveryFilter":
            starts = member == "StartDiscovery"
            if starts:
                self.scan_starts.append(message.path.rpartition("/")[2])
            asyncio.get_running_loop().call_soon(
                lambda path: self._change(path, Discovering=Variant("b", starts)), message.path
            )
        return Message.new_method_return(message)
