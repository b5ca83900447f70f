"""The medium: bumble's virtual link layer, with what a radio link needs beyond it. One `Radio` is one device on it."""

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
    """What was asked of the stack will not be answered: the link is gone."""


async def run_in_own_task(coroutine: Coroutine[Any, Any, _T], until: asyncio.Future[None] | None = None) -> _T:
    """Run ``coroutine`` in a task of its own and return its result; GivenUpError when ``until`` is done first.

    bumble waits with ``asyncio.wait_for``, which in Python 3.11 may swallow the cancellation of the task it runs in.
    Here the caller's cancellation is never lost: the inner task is cancelled until it has ended, however often it
    swallows that.
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
            task.exception()  # seen, so that asyncio does not report it when the caller was cancelled
    if task.cancelled():
        raise ConnectionLostError
    return task.result()


def parse_address(text: str) -> hci.Address:
    """Return a Bluetooth address: random static when its two top bits are set, else public.

    The bits are those of Core vol. 6 part B, 1.3.2.1.
    """
    address = hci.Address(text)
    if address.is_static:
        return address
    return hci.Address(address.address_bytes, hci.AddressType.PUBLIC_DEVICE)


class _Controllers(dict[Controller, None]):
    """What `LocalLink` does with its set of controllers, but in the order they were added."""

    def add(self, controller: Controller) -> None:
        self[controller] = None

    def remove(self, controller: Controller) -> None:
        del self[controller]


class VirtualLink(LocalLink):
    """A `LocalLink` that names the sender of data by the address its connection was made with, and keeps order.

    bumble 0.0.236 names the sender by its random address, so devices that use their public address are not heard; and
    it serves controllers in the order of a set, which differs from run to run.
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
        """Deliver ``data`` to the other end of the sender's connection; lost when there is none."""
        connection = sender_controller.le_connections.get(destination_address)
        receiver = self.find_le_controller(destination_address)
        if connection is not None and receiver is not None:
            asyncio.get_running_loop().call_soon(receiver.on_link_acl_data, connection.self_address, transport, data)

    def send_ll_control_pdu(
        self, sender_address: hci.Address, receiver_address: hci.Address, packet: ll.ControlPdu
    ) -> None:
        """Deliver ``packet``; lost, not an error as in the base class, when the receiver has left the ether."""
        if self.find_le_controller(receiver_address) is not None:
            super().send_ll_control_pdu(sender_address, receiver_address, packet)


class RadioController(Controller):
    """A controller that can be out of range, or refuse connections."""

    # One ACL packet carries any ATT packet up to this size in bytes (the largest LE data PDU) without fragments.
    le_acl_data_packet_length = 251

    in_range = True
    refusals = 0  # how many connection attempts to refuse from now on

    def send_advertising_pdu(self, packet: ll.AdvertisingPdu) -> None:
        """Advertise, or (as a central) ask for a connection; unheard when out of range."""
        if self.in_range:
            super().send_advertising_pdu(packet)

    def on_le_connect_ind(self, packet: ll.ConnectInd) -> None:
        """Take a connection, unless out of range, refusing or taken.

        The central believes itself connected as soon as it has asked; six connection intervals without an answer later
        it gives up with 'failed to be established' (Core vol. 6 part B, 4.5.2). Here that follows at once.
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
        """Take data off the air; what arrives just after its connection ended is lost."""
        if sender_address in self.le_connections:
            super().on_link_acl_data(sender_address, transport, data)

    def drop_connections(self, reason: int) -> None:
        """End every connection on both sides with an HCI ``reason``."""
        for connection in list(self.le_connections.values()):
            connection.send_ll_control_pdu(ll.TerminateInd(reason))
            self.on_le_disconnected(connection, reason)


class RadioDevice:
    """One bumble device (controller, host, GATT) on an `Ether`."""

    def __init__(self, link: VirtualLink, name: str, address: hci.Address) -> None:
        self._link = link
        self.address = address
        self.controller = RadioController(name, link=link, public_address=address if address.is_public else None)
        host = Host(self.controller, self.controller)
        self.device = Device(name=name, address=None if address.is_public else address, host=host)

    async def power_on(self) -> "RadioDevice":
        """Start the device; it is idle afterwards."""
        try:
            await run_in_own_task(self.device.power_on())
        except BaseException:
            self.shut_down()
            raise
        return self

    @property
    def own_address_type(self) -> hci.OwnAddressType:
        """Which of its addresses the device uses on the air."""
        return hci.OwnAddressType.PUBLIC if self.address.is_public else hci.OwnAddressType.RANDOM

    def shut_down(self) -> None:
        """Drop all links, fall silent and leave the ether; safe to repeat."""
        self.controller.drop_connections(hci.HCI_ErrorCode.REMOTE_USER_TERMINATED_CONNECTION_ERROR)
        for advertising_set in self.controller.advertising_sets.values():
            advertising_set.stop()
        self.controller.le_legacy_advertiser.stop()
        if self.controller in self._link.controllers:
            self._link.remove_controller(self.controller)
