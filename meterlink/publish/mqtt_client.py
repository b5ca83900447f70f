"""One MQTT 5 connection through aiomqtt and paho: their only importer, and the only user of their private parts.

aiomqtt 2 drops the reason code of a PUBACK and the limits in a CONNACK. It waits for ever when a broker hangs up
instead of sending a CONNACK, and it leaves a socket open when an attempt fails. `MqttClient` mends these faults through
the paho client that aiomqtt wraps.

aiomqtt 3 (by the notes of its first alpha release) has a codec of its own and offers these features. With it only this
module changes:

=====================================  ===========================================================
here                                   aiomqtt 3
=====================================  ===========================================================
`MqttClient.connect`                   ``async with Client(...)``
`receive_maximum`, `largest_packet`    ``await client.connected()`` returns the CONNACK
`MqttClient.publish`                   ``client.publish`` returns the PUBACK, or raises NegativeAckError
`MqttClient.ended`                     ``await client.disconnected()``
`MqttClient.cut`                       none in the notes: a DISCONNECT with reason code 0x04 publishes the will, too
=====================================  ===========================================================
"""

import asyncio
import contextlib
import logging
import ssl
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import aiomqtt
import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from meterlink.publish.buffered_socket import BufferedSocket

_LOGGER = logging.getLogger(__name__)

LARGEST_RECEIVE_MAXIMUM: Final = 65_535  # messages; applies when the broker names no limit (MQTT 5, 3.2.2.3.3)
FAILURE: Final = 0x80  # reason codes from here on are failures (MQTT 5, 2.4)

# Identifiers of the properties of a PUBLISH (MQTT 5, 2.2.2.2).
_PAYLOAD_FORMAT_INDICATOR, _CONTENT_TYPE, _USER_PROPERTY = 0x01, 0x03, 0x26
_UTF8_TEXT = 1  # value of the payload format indicator (MQTT 5, 3.3.2.3.2)


@dataclass(frozen=True, slots=True)
class MqttMessage:
    """A message for the broker, always at QoS 1. ``payload`` is UTF-8 text; ``message_id`` becomes a user property."""

    topic: str
    payload: bytes
    content_type: str
    message_id: str = ""
    retain: bool = False


@dataclass(frozen=True, slots=True)
class PublishResult:
    """The broker's answer to a message; ``denial_reason`` is empty if the broker accepted it."""

    denial_reason: str = ""


@dataclass(frozen=True, slots=True)
class Closure:
    """Why there is no connection.

    ``code`` is the reason code of the broker's CONNACK or DISCONNECT, None without one, and ``text`` its meaning.
    ``cause`` is the error of the socket, if it is known. ``by_broker``: the broker closed the connection.
    """

    code: int | None = None
    text: str = ""
    cause: BaseException | None = None
    by_broker: bool = False


class NotConnectedError(Exception):
    """A message was to be sent over a connection that has ended."""


class MqttClient:
    """A connection to a broker, made once: a used client skips the CONNACK and resends old messages by itself.

    ``ended`` gets its `Closure` when the connection ends without `disconnect` or `cut`. ``receive_maximum`` is the
    number of unacknowledged messages that the broker accepts, ``largest_packet`` the size in bytes, None without limit.
    """

    def __init__(
        self,
        host: str,
        port: int,
        identifier: str,
        will: MqttMessage,
        *,
        username: str | None,
        password: str | None,
        keepalive: int,
        reply_timeout: float,
        tls_context: ssl.SSLContext | None,
    ) -> None:
        self._client = aiomqtt.Client(
            host,
            port,
            username=username,
            password=password,
            logger=_LOGGER,
            identifier=identifier,
            protocol=aiomqtt.ProtocolVersion.V5,
            will=aiomqtt.Will(will.topic, will.payload, 1, will.retain, _will_properties(will)),
            timeout=reply_timeout,
            keepalive=keepalive,
            tls_context=tls_context,
        )
        self._paho = self._client._client  # noqa: SLF001 - aiomqtt hides the reason codes
        # It would log every lost connection as an error; the caller of this class says it, and once.
        self._paho.disable_logger()
        self._loop = asyncio.get_running_loop()
        self._unacknowledged: dict[int, asyncio.Future[PublishResult]] = {}
        self.receive_maximum = LARGEST_RECEIVE_MAXIMUM
        self.largest_packet: int | None = None
        self.ended: asyncio.Future[Closure] = self._loop.create_future()
        self._socket: BufferedSocket | None = None
        self._is_ending = False
        self._hung_up: asyncio.Future[None] = self._loop.create_future()
        self._aiomqtt_callbacks = self._paho.on_connect, self._paho.on_disconnect
        self._paho.on_connect = self._on_connect
        self._paho.on_disconnect = self._on_disconnect
        self._paho.on_publish = self._on_publish
        self._paho.on_socket_register_write = self._on_connect_queued

    async def connect(self) -> Closure | None:
        """Connect; return the reason if there is no connection, else None.

        Raises:
            CancelledError: the caller was cancelled. The blocking part of connecting runs in a thread, which no caller
                can cancel: the attempt ends by itself, and its socket is closed then.
        """
        attempt = asyncio.create_task(self._client.__aenter__(), name="mqtt connect")
        outcomes: set[asyncio.Future[aiomqtt.Client] | asyncio.Future[None]] = {attempt, self._hung_up}
        try:
            await asyncio.wait(outcomes, return_when=asyncio.FIRST_COMPLETED)
        except asyncio.CancelledError:
            _ABANDONED_ATTEMPTS.add(attempt)
            attempt.add_done_callback(self._abandon)
            self._hung_up.add_done_callback(lambda _: attempt.cancel())
            raise
        if not attempt.done():
            attempt.cancel()
            await asyncio.wait({attempt})
            self.cut()
            return Closure(text="closed without an answer", by_broker=True)
        error = attempt.exception()
        if error is not None:
            self.cut()
            return _closure(error)
        self._client._disconnected.add_done_callback(self._on_end)  # noqa: SLF001 - no public name
        return None

    def _abandon(self, attempt: asyncio.Task[aiomqtt.Client]) -> None:
        _ABANDONED_ATTEMPTS.discard(attempt)
        if not attempt.cancelled():
            attempt.exception()  # retrieved, so that asyncio does not report it
        self.cut()

    def publish(self, message: MqttMessage) -> asyncio.Future[PublishResult]:
        """Send ``message`` after all earlier ones and return the Future of its answer.

        A message that is too large, or has a topic with a wildcard, is not sent: its answer is a denial.

        Raises:
            NotConnectedError: the connection has ended.
        """
        answer: asyncio.Future[PublishResult] = self._loop.create_future()
        properties = _PackedProperties(message)
        # Fixed header (at most 1 + 4 bytes), topic with its length, packet identifier, properties, payload.
        size = 5 + 2 + len(message.topic.encode()) + 2 + len(properties.packed) + len(message.payload)
        if self.largest_packet is not None and size > self.largest_packet:
            answer.set_result(PublishResult(f"larger than the {self.largest_packet} bytes that this broker accepts"))
            return answer
        try:
            info = self._paho.publish(message.topic, message.payload, 1, message.retain, properties)
        except ValueError as error:  # a topic with a wildcard, or too large for MQTT itself
            answer.set_result(PublishResult(str(error)))
            return answer
        if info.rc != paho.MQTT_ERR_SUCCESS:
            raise NotConnectedError(paho.error_string(info.rc))
        self._unacknowledged[info.mid] = answer
        return answer

    async def disconnect(self) -> None:
        """Send a DISCONNECT, so that the broker discards the will. A connection that has ended raises no error."""
        self._is_ending = True
        try:
            with contextlib.suppress(aiomqtt.MqttError):
                await self._client.__aexit__(None, None, None)
        finally:
            self.cut()

    def cut(self) -> None:
        """Close the socket without a DISCONNECT, so that the broker publishes the will at once."""
        self._is_ending = True
        disconnected = self._client._disconnected  # noqa: SLF001 - no public name
        self._paho._sock_close()  # noqa: SLF001 - paho's disconnect() would queue a DISCONNECT
        if disconnected.done() and not disconnected.cancelled():
            disconnected.exception()  # retrieved, so that asyncio does not report it

    def _on_end(self, disconnected: "asyncio.Future[None]") -> None:
        error = None if disconnected.cancelled() else disconnected.exception()
        self._end(_closure(error))

    def _end(self, closure: Closure) -> None:
        if not self.ended.done() and not self._is_ending:
            self.ended.set_result(closure)

    def _on_connect_queued(self, client: paho.Client, userdata: object, sock: Any) -> None:
        # In the thread that connects. aiomqtt would register a writer under the socket's number, later: by then the
        # socket may be closed, and the number another socket's, whose writer would spin.
        del client, userdata, sock
        self._loop.call_soon_threadsafe(self._write_connect)

    def _write_connect(self) -> None:
        sock = self._paho.socket()
        if sock is not None:  # it may have ended already
            self._paho._sock = self._socket = BufferedSocket(sock)  # noqa: SLF001 - no public way to give a socket
            self._paho.on_socket_register_write = self._on_socket_register_write
            self._write()

    def _on_socket_register_write(self, client: paho.Client, userdata: object, sock: Any) -> None:
        # From here on only the loop's thread calls. The socket mostly takes every byte at once: it needs a writer only
        # where it does not.
        del client, userdata, sock
        self._loop.call_soon(self._write)

    def _write(self) -> None:
        sock = self._socket
        if sock is None or sock.fileno() < 0:
            return
        try:
            self._paho.loop_write()  # into the buffer, except for a DISCONNECT, after which the socket is closed
            sock.flush()
        except Exception as error:  # noqa: BLE001 - after any fault the connection is useless
            _LOGGER.info("Writing to the broker failed: %s", error)
            self._paho.loop_read()  # the answers that came before the fault, and with them the reason
            self._end(Closure(cause=error))
            return
        if sock.fileno() >= 0:
            if sock.has_unsent:
                self._loop.add_writer(sock.fileno(), self._write)
            else:
                self._loop.remove_writer(sock.fileno())

    def _on_connect(
        self, client: paho.Client, userdata: object, flags: Any, reason: ReasonCode, properties: Properties | None
    ) -> None:
        self.receive_maximum = getattr(properties, "ReceiveMaximum", LARGEST_RECEIVE_MAXIMUM)
        self.largest_packet = getattr(properties, "MaximumPacketSize", None)
        on_connect: Any = self._aiomqtt_callbacks[0]
        on_connect(client, userdata, flags, reason, properties)

    def _on_disconnect(
        self, client: paho.Client, userdata: object, flags: Any, reason: ReasonCode, properties: Properties | None
    ) -> None:
        from_broker = bool(flags.is_disconnect_packet_from_server)
        hung_up = not from_broker and reason.value == FAILURE  # so paho reports the end without a DISCONNECT
        code, text = (reason.value if from_broker else None), ("" if hung_up else str(reason))
        if self._client._connected.done():  # noqa: SLF001 - no public name
            # Not by aiomqtt, which forgets an end that comes together with the CONNACK.
            self._end(Closure(code, text, by_broker=from_broker or hung_up))
        elif not self._hung_up.done():
            self._hung_up.set_result(None)  # aiomqtt still waits for a CONNACK, but none can arrive
        on_disconnect: Any = self._aiomqtt_callbacks[1]
        on_disconnect(client, userdata, flags, reason, properties)

    def _on_publish(
        self, client: paho.Client, userdata: object, mid: int, reason: ReasonCode, properties: Properties
    ) -> None:
        del client, userdata, properties
        answer = self._unacknowledged.pop(mid, None)
        if answer is not None and not answer.done():
            answer.set_result(PublishResult(str(reason) if reason.value >= FAILURE else ""))


# Attempts whose caller was cancelled: asyncio keeps only weak references to tasks.
_ABANDONED_ATTEMPTS: Final[set[asyncio.Task[aiomqtt.Client]]] = set()


def _closure(error: BaseException | None) -> Closure:
    if isinstance(error, aiomqtt.MqttCodeError) and isinstance(error.rc, ReasonCode):
        return Closure(error.rc.value, str(error.rc), by_broker=True)
    # aiomqtt keeps only the text of the socket's error; the exception itself is its context.
    cause = error.__context__ if isinstance(error, aiomqtt.MqttError) and error.__context__ else error
    return Closure(cause=cause)


def _will_properties(will: MqttMessage) -> Properties:
    properties = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]  # paho leaves it untyped
    properties.PayloadFormatIndicator = _UTF8_TEXT
    properties.ContentType = will.content_type
    return properties


class _PackedProperties(Properties):
    """The properties of a PUBLISH, packed here: paho needs longer for them than for the rest of the message."""

    packed: bytes

    def __init__(self, message: MqttMessage) -> None:
        packed = _packed_content_type(message.content_type)
        if message.message_id:
            packed += _MESSAGE_ID + _packed_text(message.message_id)
        object.__setattr__(self, "packed", _packed_number(len(packed)) + packed)  # paho refuses attributes of others

    def pack(self) -> bytes:
        return self.packed

    def __str__(self) -> str:
        return repr(self.packed)


@cache
def _packed_content_type(content_type: str) -> bytes:
    """Return the payload format indicator and the content type."""
    return bytes((_PAYLOAD_FORMAT_INDICATOR, _UTF8_TEXT, _CONTENT_TYPE)) + _packed_text(content_type)


def _packed_text(text: str) -> bytes:
    """Return a UTF-8 string with its length (MQTT 5, 1.5.4)."""
    encoded = text.encode()
    return len(encoded).to_bytes(2, "big") + encoded


def _packed_number(number: int) -> bytes:
    """Return a variable byte integer (MQTT 5, 1.5.5)."""
    packed = b""
    while number >= 0x80:
        packed += bytes((number & 0x7F | 0x80,))
        number >>= 7
    return packed + bytes((number,))


_MESSAGE_ID: Final = bytes((_USER_PROPERTY,)) + _packed_text("message-id")
