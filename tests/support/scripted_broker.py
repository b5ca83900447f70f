"""A broker for tests that follows a script: a stub of the needed part of MQTT 5 (OASIS, 2019)."""

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from functools import partial

CONNECT, CONNACK, PUBLISH, PUBACK, PINGREQ, DISCONNECT = 1, 2, 3, 4, 12, 14


@dataclass
class Published:
    topic: str
    mid: int
    message_id: str


@dataclass
class Client:
    """The stub's end of one connection."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter

    async def packet(self) -> tuple[int, int, bytes]:
        first = (await self.reader.readexactly(1))[0]
        length, shift = 0, 0
        while True:
            byte = (await self.reader.readexactly(1))[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                break
        return first >> 4, first & 0x0F, await self.reader.readexactly(length)

    def send(self, kind: int, body: bytes) -> None:
        assert len(body) < 128
        self.writer.write(bytes([kind << 4, len(body)]) + body)

    def connack(self, reason: int = 0, properties: bytes = b"") -> None:
        self.send(CONNACK, bytes([0, reason, len(properties)]) + properties)

    def puback(self, mid: int, reason: int = 0) -> None:
        self.send(PUBACK, struct.pack("!HBB", mid, reason, 0))

    async def accept(self, properties: bytes = b"") -> None:
        """Accept the CONNECT and the retained birth message."""
        kind, _, _ = await self.packet()
        assert kind == CONNECT
        self.connack(properties=properties)
        birth = await self.published()
        assert birth.topic == "meterlink/van/state"
        self.puback(birth.mid)

    async def published(self) -> Published:
        kind, flags, body = await self.packet()
        if kind == DISCONNECT:
            raise ConnectionResetError
        assert kind == PUBLISH
        assert flags & 0x06 == 0x02, "QoS 1"
        length = struct.unpack("!H", body[:2])[0]
        topic, rest = body[2 : 2 + length].decode(), body[2 + length :]
        mid = struct.unpack("!H", rest[:2])[0]
        _, _, user = rest.partition(b"message-id")
        return Published(topic, mid, user[2 : 2 + struct.unpack("!H", user[:2])[0]].decode() if user else "")


@dataclass
class Stub:
    """Listens on the loopback interface; the next of ``acts`` handles each connection, the last one also all later."""

    acts: list[Callable[[Client], Awaitable[None]]]
    published: list[Published] = field(default_factory=list)
    port: int = 0
    connections: int = 0
    errors: list[BaseException] = field(default_factory=list)

    async def handle(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        act = self.acts[min(self.connections, len(self.acts) - 1)]
        self.connections += 1
        try:
            await act(Client(reader, writer))
        except (asyncio.IncompleteReadError, ConnectionError):
            pass  # the publisher closed the connection
        except AssertionError as error:
            self.errors.append(error)
        finally:
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()

    async def accept_all(self, client: Client) -> None:
        """Accept the connection and every message."""
        await client.accept()
        await self.acknowledge_all(client)

    async def acknowledge_all(self, client: Client) -> None:
        while True:
            kind, _, _ = packet = await client.packet()
            if kind == PUBLISH:
                self._acknowledge(client, packet)
                await asyncio.sleep(0)  # so that a test can cancel between two acknowledgements
            elif kind == PINGREQ:
                client.send(13, b"")
            elif kind == DISCONNECT:
                return

    def _acknowledge(self, client: Client, packet: tuple[int, int, bytes]) -> None:
        body = packet[2]
        length = struct.unpack("!H", body[:2])[0]
        rest = body[2 + length :]
        _, _, user = rest.partition(b"message-id")
        message_id = user[2 : 2 + struct.unpack("!H", user[:2])[0]].decode() if user else ""
        message = Published(body[2 : 2 + length].decode(), struct.unpack("!H", rest[:2])[0], message_id)
        if message.message_id:
            self.published.append(message)
        client.puback(message.mid)


@contextlib.asynccontextmanager
async def stub(*acts: Callable[[Stub, Client], Awaitable[None]]) -> AsyncIterator[Stub]:
    broker = Stub([])
    broker.acts = [partial(act, broker) for act in acts]
    server = await asyncio.start_server(broker.handle, "127.0.0.1", 0)
    listener = server.sockets[0]
    broker.port = listener.getsockname()[1]
    async with server:
        yield broker
        # asyncio leaks a connection that it accepted in the round of the loop in which its server closes: stop to
        # accept first, and let the last accepted connection reach its transport.
        asyncio.get_running_loop().remove_reader(listener.fileno())
        await asyncio.sleep(0)
        server.close()
    assert not broker.errors
