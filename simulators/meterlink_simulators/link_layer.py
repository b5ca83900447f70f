"""The medium: bumble's virtual link layer with the faults of a radio link. A `RadioDevice` is one device on it."""

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

from bumble import core, hci, ll
from bumble.controller import Controller
from bumble.device import Device
from bumble.host import Host
from bumble.link import LocalLink

_T = TypeVar("_T")


class ConnectionLostError(Exception):
    """The link is gone; the request to the stack gets no answer."""


async def run_in_own_task(coroutine: Coroutine[Any, Any, _T], until: asyncio.Future[None] | None = None) -> _T:
    """Run ``coroutine`` in a task of its own and return its result.

    bumble waits with ``asyncio.wait_for``, which in Python 3.11 may swallow the cancellation of the task it runs in.
    Here the caller's cancellation is never lost: the inner task is cancelled until it has ended, however often it
    swallows the cancellation.

    Raises:
        ConnectionLostError: ``until`` was done first.
    """
    task = asyncio.ensure_future(coroutine)
    watched: list[asyncio.Future[Any]] = [task] if until is None else [task, until]
    try:
        await asyncio.wait(watched, return_when=asyncio.FIRST_COMPLETED)
    finally:
        while not task.done():
            task.cancel()
            await asyncio.wait([task], timeout=0)
        if not task.cancelled():
            task.exception()  # retrieved, so that asyncio does not report it when the caller was cancelled
    if task.cancelled():
        raise ConnectionLostError
    return task.result()


def parse_address(text: str) -> hci.Address:
    """Return a Bluetooth address: random static if both top bits are set (Core vol. 6 part B, 1.3.2.1), else public."""
    address = hci.Address(text)
    if address.is_static:
        return address
    return hci.Address(address.address_bytes, hci.AddressType.PUBLIC_DEVICE)


class _Controllers(dict[Controller, None]):
    """Replaces the set of controllers of a `LocalLink`, and keeps the order in which they were added."""

    def add(self, controller: Controller) -> None:
        self[controller] = None

    def remove(self, controller: Controller) -> None:
        del self[controller]


class VirtualLink(LocalLink):
    """A `LocalLink` that names the sender of data by the address of its connection, and serves controllers in order.

    bumble 0.0.236 names the sender by its random address, so devices that use their public address are not heard. It
    serves controllers in the order of a set, which differs from run to run.
    """

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]  # bumble has no annotations there
        self.controllers = _Controllers()  # type: ignore[assignment]  # serves wherever bumble uses the set

    def send_acl_data(
        self,
        sender_controller: Controller,
        destination_address: hci.Address,
        transport: core.PhysicalTransport,
        data: bytes,
    ) -> None:
        """Deliver ``data`` to the other end of the sender's connection; without a connection it is lost."""
        connection = sender_controller.le_connections.get(destination_address)
        receiver = self.find_le_controller(destination_address)
        if connection is not None and receiver is not None:
            asyncio.get_running_loop().call_soon(receiver.on_link_acl_data, connection.self_address, transport, data)

    def send_ll_control_pdu(
        self, sender_address: hci.Address, receiver_address: hci.Address, packet: ll.ControlPdu
    ) -> None:
        """Deliver ``packet``. It is lost if the receiver has left the link; the base class raises an error there."""
        if self.find_le_controller(receiver_address) is not None:
            super().send_ll_control_pdu(sender_address, receiver_address, packet)


class RadioController(Controller):
    """A controller that can be out of range, or refuse connections."""

    # Bytes of the largest LE data PDU: an ATT packet up to this size needs one ACL packet only.
    le_acl_data_packet_length = 251

    in_range = True
    refusals = 0  # number of connection attempts to refuse from now on

    def send_advertising_pdu(self, packet: ll.AdvertisingPdu) -> None:
        """Advertise, or (as a central) request a connection; out of range the packet is lost."""
        if self.in_range:
            super().send_advertising_pdu(packet)

    def on_le_connect_ind(self, packet: ll.ConnectInd) -> None:
        """Accept a connection, unless out of range, refusing or connected already.

        A central is connected as soon as it has sent its request. After six connection intervals without an answer it
        gives up with 'failed to be established' (Core vol. 6 part B, 4.5.2). Here that error follows at once.
        """
        if packet.advertiser_address not in {self.public_address, self.random_address}:
            return
        if self.in_range and not self.refusals:
            super().on_le_connect_ind(packet)
        elif self.in_range:
            self.refusals -= 1
        if packet.initiator_address not in self.le_connections:
            self.link.send_ll_control_pdu(
                packet.advertiser_address,
                packet.initiator_address,
                ll.TerminateInd(hci.HCI_ErrorCode.CONNECTION_FAILED_TO_BE_ESTABLISHED_ERROR),
            )

    def on_link_acl_data(self, sender_address: hci.Address, transport: core.PhysicalTransport, data: bytes) -> None:
        """Receive data; data of an ended connection is lost."""
        if sender_address in self.le_connections:
            super().on_link_acl_data(sender_address, transport, data)

    def drop_connections(self, reason: int) -> None:
        """End every connection on both sides with an HCI ``reason``."""
        for connection in list(self.le_connections.values()):
            connection.send_ll_control_pdu(ll.TerminateInd(reason))
            self.on_le_disconnected(connection, reason)


class RadioDevice:
    """One bumble device (controller, host, GATT) on a `VirtualLink`."""

    def __init__(self, link: VirtualLink, name: str, address: hci.Address) -> None:
        self._link = link
        self.address = address
        self.controller = RadioController(name, link=link, public_address=address if address.is_public else None)
        host = Host(self.controller, self.controller)
        self.device = Device(name=name, address=None if address.is_public else address, host=host)

    async def power_on(self) -> "RadioDevice":
        """Start the device and return it; it neither scans nor advertises yet."""
        try:
            await run_in_own_task(self.device.power_on())
        except BaseException:
            self.shut_down()
            raise
        return self

    @property
    def own_address_type(self) -> hci.OwnAddressType:
        """The type of the address that the device uses on the air."""
        return hci.OwnAddressType.PUBLIC if self.address.is_public else hci.OwnAddressType.RANDOM

    def shut_down(self) -> None:
        """Drop all connections, stop advertising and leave the link; safe to repeat."""
        self.controller.drop_connections(hci.HCI_ErrorCode.REMOTE_USER_TERMINATED_CONNECTION_ERROR)
        for advertising_set in self.controller.advertising_sets.values():
            advertising_set.stop()
        self.controller.le_legacy_advertiser.stop()
        if self.controller in self._link.controllers:
            self._link.remove_controller(self.controller)
