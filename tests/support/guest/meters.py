"""The radio of the guest: a virtual Bluetooth adapter for BlueZ, and simulated meters that it hears.

The adapter is a bumble controller behind /dev/vhci, on the same virtual link as the meters of an `Air`. Requests come
by the agent, a line of JSON each: the name of a method of `MeterDesk` as ``do``, and its arguments.
"""

import asyncio
import functools
import json
import logging
import time
from decimal import Decimal
from typing import Any

from bumble import hci, ll
from bumble.controller import Controller
from bumble.device import Connection
from bumble.gatt import Characteristic
from bumble.transport import open_transport
from bumble.transport.common import Transport

from meterlink.core.units import Quantity
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.presented import DescribedFunction, PresentedEncoder
from meterlink_simulators.peripheral import Peripheral
from support.guest.agent import METERS_SOCKET

ADAPTER_ADDRESS = "F0:F1:F2:F3:F4:F5"
_NOBODY = hci.Address("00:00:00:00:00:00")
# s; the kernel gives an HCI command up after 2 s, so a delay of this length is worth a line in the log.
_LATE = 0.5


class BlueZController(Controller):
    """A controller that Linux can use. Without this bumble 0.0.236 claims more than it does.

    It claims address resolution and the extended commands, yet reports a connection by the legacy event. Linux 6.1
    waits 4 s for the enhanced one, cancels the connection that it has, and can end it no more; the next start of a scan
    hangs.
    """

    le_features = Controller.le_features & ~hci.LeFeatureMask.LL_PRIVACY

    def send_hci_packet(self, packet: hci.HCI_Packet) -> None:
        """Send ``packet`` to the host, a connection as the enhanced event."""
        if isinstance(packet, hci.HCI_LE_Connection_Complete_Event):
            packet = hci.HCI_LE_Enhanced_Connection_Complete_Event(
                status=packet.status,
                connection_handle=packet.connection_handle,
                role=packet.role,
                peer_address_type=packet.peer_address_type,
                peer_address=packet.peer_address,
                local_resolvable_private_address=_NOBODY,
                peer_resolvable_private_address=_NOBODY,
                connection_interval=packet.connection_interval,
                peripheral_latency=packet.peripheral_latency,
                supervision_timeout=packet.supervision_timeout,
                central_clock_accuracy=packet.central_clock_accuracy,
            )
        super().send_hci_packet(packet)


class Display:
    """An instrument on capacitance. It counts up, so that no two packets are equal, until it is told a value."""

    def __init__(self, name: str, rate: float, first_count: int) -> None:
        self.name = name
        self.rate = rate
        self._count = first_count
        self._shown: Decimal | None = None

    def hold(self, microfarads: Decimal | None) -> None:
        """Show this value from now on, 0.000 for leads in the air; None goes on counting."""
        self._shown = microfarads

    def show(self, now: float) -> DisplayState:  # noqa: ARG002 - an `Instrument` is asked with the time
        """Return the display; counting goes up by a thousandth of a µF."""
        if self._shown is None:
            self._count += 1
        digits = Decimal(self._count).scaleb(-3) if self._shown is None else self._shown
        return DisplayState(Quantity.CAPACITANCE, digits, "µF")


class MeterDesk:
    """The requests of a test to the adapter and to the meters. A meter is named by its address."""

    def __init__(self) -> None:
        self._air = Air()
        self._displays: dict[str, Display] = {}
        self._sent: dict[str, list[tuple[int, str]]] = {}
        self._transport: Transport | None = None
        self._adapter: BlueZController | None = None

    # The adapter

    async def plug_in(self) -> None:
        """Give the guest its Bluetooth adapter."""
        self._transport = await open_transport("vhci")
        self._adapter = BlueZController(
            "adapter",
            host_source=self._transport.source,
            host_sink=self._transport.sink,
            link=self._air._link,
            public_address=ADAPTER_ADDRESS,
        )

    async def pull_out(self) -> None:
        """Take the adapter away, as a radio on a cable that is pulled out. The meters lose their links."""
        assert self._transport is not None
        assert self._adapter is not None
        await self._transport.close()
        for connection in list(self._adapter.le_connections.values()):
            connection.send_ll_control_pdu(ll.TerminateInd(hci.HCI_ErrorCode.CONNECTION_TIMEOUT_ERROR))
        self._air._link.remove_controller(self._adapter)
        self._transport = self._adapter = None

    # Meters

    async def add(self, name: str, rate: float, first_count: int, address: str | None) -> str:
        """Switch a meter on; return its address."""
        display = Display(name, rate, first_count)
        encoder = PresentedEncoder([DescribedFunction(Quantity.CAPACITANCE)])
        meter = await self._air.add_meter(display, encoder=encoder, address=address)
        self._displays[meter.address] = display
        self._note_packets(meter)
        return meter.address

    def _note_packets(self, meter: Peripheral) -> None:
        sent = self._sent[meter.address] = []
        transmit = meter._transmit

        async def note(connection: Connection, characteristic: Characteristic[bytes], packet: bytes) -> bool:
            at = time.time_ns()
            is_sent = await transmit(connection, characteristic, packet)
            if is_sent and characteristic is meter._characteristics.get(characteristic_key):
                sent.append((at, packet.hex()))
            return is_sent

        (characteristic_key,) = (key for key, _ in meter._encoder.encode(self._displays[meter.address].show(0)))
        meter._transmit = note  # type: ignore[method-assign]

    async def remove(self, address: str) -> None:
        """Switch a meter off."""
        await self._air.remove_meter(self._air.meters[address])

    def sent(self, address: str) -> list[tuple[int, str]]:
        """Return the readings sent to a subscriber: pairs (ns since 1970, packet in hex)."""
        return self._sent[address]

    def connected(self, address: str) -> bool:
        """Return whether a central is connected to a meter."""
        return self._air.meters[address].connected

    def hold(self, address: str, microfarads: str | None) -> None:
        """Let a meter show a value; None counts."""
        self._displays[address].hold(None if microfarads is None else Decimal(microfarads))

    def set_rate(self, address: str, rate: float) -> None:
        """Let a meter send ``rate`` readings a second, from its next one on."""
        self._displays[address].rate = rate

    def drop_connection(self, address: str) -> None:
        """Lose the link."""
        self._air.meters[address].drop_connection()

    def set_out_of_range(self, address: str, away: bool) -> None:
        """Carry a meter away, or back."""
        self._air.meters[address].set_out_of_range(away)

    def set_muted(self, address: str, muted: bool) -> None:
        """Let a meter stay connected and send nothing, or send again."""
        self._air.meters[address].set_muted(muted)

    def refuse_connections(self, address: str, count: int) -> None:
        """Let the next attempts to connect to a meter fail."""
        self._air.meters[address].refuse_connections(count)

    def rename(self, address: str, name: str) -> None:
        """Give a meter another name from its next connection on."""
        self._air.meters[address].rename(name)


async def serve(desk: MeterDesk, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Handle the requests of one connection."""
    while line := await reader.readline():
        request = json.loads(line)
        try:
            result = getattr(desk, request.pop("do"))(**request)
            if asyncio.iscoroutine(result):
                result = await result
            answer: dict[str, Any] = {"result": result}
        except Exception as error:  # noqa: BLE001 - the test gets every error of its request
            answer = {"error": repr(error)}
        writer.write(json.dumps(answer).encode() + b"\n")
        await writer.drain()
    writer.close()


async def main() -> None:
    """Plug the adapter in and serve for ever. Say when the loop was late: then a fault is not the station's."""
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(name)s %(levelname)s %(message)s")
    logging.getLogger("meterlink_simulators").setLevel(logging.DEBUG)
    desk = MeterDesk()
    # Modules that are loaded late are loaded before the kernel waits for answers.
    await desk.remove(await desk.add("warm-up", 1.0, 0, None))
    await desk.plug_in()
    await asyncio.start_unix_server(functools.partial(serve, desk), METERS_SOCKET)
    print("ready", flush=True)
    loop = asyncio.get_running_loop()
    while True:
        due = loop.time() + 0.25
        await asyncio.sleep(0.25)
        if (late := loop.time() - due) > _LATE:
            print(f"the loop was {late:.1f} s late", flush=True)


if __name__ == "__main__":
    asyncio.run(main())
