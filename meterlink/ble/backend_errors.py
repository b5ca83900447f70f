"""The meaning of a Bluetooth backend's exceptions: for the retry, and in plain words for a person.

The class, the D-Bus error name or the BlueZ failure code (BlueZ ``src/error.h``) decides, never the message's text.
"""

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

from meterlink.core.errors import RadioError
from meterlink.core.text import clean_text

_IN_PROGRESS = "org.bluez.Error.InProgress"
_NOT_READY = "org.bluez.Error.NotReady"  # BlueZ: the adapter is powered off
# The D-Bus specification, "Message Bus Messages" and its reference implementation's ``dbus-protocol.h``: no service of
# this name, or it ended before it answered, or it could not be started.
_SERVICE_AWAY = frozenset(
    f"org.freedesktop.DBus.Error.{name}"
    for name in ("ServiceUnknown", "NameHasNoOwner", "NoReply", "Disconnected", "TimedOut", "NoServer")
)
# ``Spawn.ExecFailed``, ``Spawn.ChildExited`` and others; systemd answers for a service that it cannot start with names
# of its own: ``NoSuchUnit``, ``UnitMasked``.
_SERVICE_NOT_STARTED = ("org.freedesktop.DBus.Error.Spawn.", "org.freedesktop.systemd1.")
# BlueZ passes an error number of the kernel on as its text (``btd_error_failed`` with ``strerror``): a
# connection fails with EIO when the adapter was switched off (seen with BlueZ 5.66).
_ADAPTER_FAILED = ("org.bluez.Error.Failed", "Input/output error")
_NO_SUCH_OBJECT = "org.freedesktop.DBus.Error.UnknownObject"  # of a scan: its adapter was unplugged
_DENIED = "org.freedesktop.DBus.Error.AccessDenied"
_NO_CONNECTION_LEFT = "le-connection-concurrent-connection-limit"
_PAIRING = frozenset(
    {
        "org.bluez.Error.NotAuthorized",
        "org.bluez.Error.AuthenticationCanceled",
        "org.bluez.Error.AuthenticationFailed",
        "org.bluez.Error.AuthenticationRejected",
        "org.bluez.Error.AuthenticationTimeout",
    }
)
_PAIRING_CODES = frozenset(
    {
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
    }
)
_LONGEST_REASON = 80  # characters: one line of a terminal

_UNAVAILABLE = {
    BleakBluetoothNotAvailableReason.NO_BLUETOOTH: (
        "This machine has no Bluetooth adapter.",
        "Plug one in, or enable it in the system's settings.",
    ),
    BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE: (
        "This machine's Bluetooth adapter does not support Bluetooth Low Energy.",
        "Plug in a newer one.",
    ),
    BleakBluetoothNotAvailableReason.POWERED_OFF: ("Bluetooth is switched off.", "Switch it on."),
}
_NOT_ALLOWED = ("This program may not use Bluetooth.", "Allow it in the system's privacy or permission settings.")
_NOT_RESPONDING = (
    "The Bluetooth adapter does not respond.",
    "Switch Bluetooth off and on; unplug an adapter on a cable and plug it in again.",
)
_SERVICE_UNREACHABLE = (
    "The system's Bluetooth service could not be reached.",
    "Check that it is installed and running (on Linux: D-Bus and the bluetooth service).",
)


def _dbus_name(error: BaseException) -> str:
    return error.dbus_error if isinstance(error, BleakDBusError) else ""


def is_busy(error: BaseException) -> bool:
    """Return whether another operation was in progress; the same call may succeed a moment later."""
    return _dbus_name(error) == _IN_PROGRESS


def is_out_of_connections(error: BaseException) -> bool:
    """Return whether the adapter has no connection left."""
    return isinstance(error, BleakDBusError) and error.dbus_error_details == _NO_CONNECTION_LEFT


def requires_pairing(error: BaseException) -> bool:
    """Return whether the meter must be paired first."""
    if isinstance(error, BleakGATTProtocolError):
        return error.code in _PAIRING_CODES
    return _dbus_name(error) in _PAIRING


def is_service_away(error: BaseException) -> bool:
    """Return whether the system's Bluetooth service does not run, or ended before it answered."""
    name = _dbus_name(error)
    return name in _SERVICE_AWAY or name.startswith(_SERVICE_NOT_STARTED)


def _has_adapter_failed(error: BaseException) -> bool:
    return isinstance(error, BleakDBusError) and (error.dbus_error, error.dbus_error_details) == _ADAPTER_FAILED


def is_adapter_fault(error: BaseException) -> bool:
    """Return whether the fault is the adapter's or the Bluetooth service's, not the meter's."""
    if isinstance(error, TimeoutError):  # a subclass of OSError, but no sign of a fault of the radio
        return False
    return isinstance(error, BleakBluetoothNotAvailableError | OSError | EOFError) or (
        is_service_away(error) or _has_adapter_failed(error) or _dbus_name(error) in {_NOT_READY, _DENIED}
    )


def is_transient(error: BaseException) -> bool:
    """Return whether a connection attempt that failed with ``error`` may succeed a second later."""
    return not (
        isinstance(error, TimeoutError | BleakDeviceNotFoundError) or is_adapter_fault(error) or requires_pairing(error)
    )


def scan_error(error: BaseException) -> RadioError:
    """Return the fault of the radio and its remedy for a scan that failed with ``error``."""
    if isinstance(error, RadioError):
        return error
    if isinstance(error, BleakBluetoothNotAvailableError):
        denied = error.reason.name.startswith("DENIED")
        return RadioError(*(_NOT_ALLOWED if denied else _UNAVAILABLE.get(error.reason, _SERVICE_UNREACHABLE)))
    if isinstance(error, TimeoutError):
        return RadioError("Bluetooth does not answer.", "Switch it off and on; if that does not help, restart.")
    if is_busy(error):
        return RadioError(
            "Another program keeps Bluetooth busy.", "Close the Bluetooth settings window and other scanning programs."
        )
    name = _dbus_name(error)
    if name == _NOT_READY:
        return RadioError(*_UNAVAILABLE[BleakBluetoothNotAvailableReason.POWERED_OFF])
    if name == _DENIED or isinstance(error, PermissionError):
        return RadioError(*_NOT_ALLOWED)
    if name == _NO_SUCH_OBJECT:
        return RadioError(*_UNAVAILABLE[BleakBluetoothNotAvailableReason.NO_BLUETOOTH])
    if _has_adapter_failed(error):
        return RadioError(*_NOT_RESPONDING)
    if is_adapter_fault(error):
        return RadioError(*_SERVICE_UNREACHABLE)
    return RadioError(f"Scanning for meters failed: {error_text(error)}.", "Switch Bluetooth off and on.")


def error_text(error: BaseException) -> str:
    """Return the backend's message on one clean line, or the name of the error's class if the message is empty."""
    return clean_text(str(error), _LONGEST_REASON).rstrip(".") or type(error).__name__


def connection_error_text(error: BaseException) -> str:
    """Return the reason why a meter could not be connected, as a sentence."""
    if isinstance(error, TimeoutError):
        return "It advertises but does not answer."
    if isinstance(error, BleakDeviceNotFoundError):
        return "It is no longer heard."
    if is_out_of_connections(error):
        return "The Bluetooth adapter has no connection left. Disconnect another device."
    if requires_pairing(error):
        return "It must be paired first. Pair it in the system's Bluetooth settings."
    if is_adapter_fault(error):
        return "Bluetooth stopped working while connecting."
    return f"Connecting failed: {error_text(error)}."
