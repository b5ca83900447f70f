"""One connection to an MQTT 5 broker: the only importer of aiomqtt and paho, and the only user of their internals.

aiomqtt drops the reason code of a PUBACK and the limits in a CONNACK. It waits for ever when a broker hangs up instead
of sending a CONNACK, and it leaves a socket open when an attempt fails. `BrokerConnection` mends these faults through
the paho client that aiomqtt wraps. Every attempt gets a new client: a used client skips the CONNACK and resends old
messages by itself.
"""

import asyncio
import contextlib
import logging
import secrets
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Self

import aiomqtt
import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from meterlink.core.errors import PublishError, SettingsError
from meterlink.settings.mqtt_table import sends_password_openly

_LOGGER = logging.getLogger(__name__)

LARGEST_RECEIVE_MAXIMUM: Final = 65_535  # messages; applies when the broker names no limit (MQTT 5, 3.2.2.3.3)
_LARGEST_PASSWORD = 65_535  # bytes; MQTT 5, 1.5.6: binary data
_LONGEST_IDENTIFIER = 128  # characters; MQTT 5, 3.1.3.1 requires only 23, brokers in use accept more
_FAILURE = 0x80  # reason codes from here on are failures (MQTT 5, 2.4)
_UNSPECIFIED = 0x80  # paho also reports it when the connection ends without a DISCONNECT

# Reason codes (MQTT 5, 2.4) for a passing fault, not a wrong setting.
_TRANSIENT_CODES = {
    _UNSPECIFIED,
    0x83,  # implementation specific error
    0x88,  # server unavailable
    0x89,  # server busy
    0x8B,  # server shutting down
    0x8D,  # keep alive timeout
    0x93,  # receive maximum exceeded
    0x96,  # message rate too high
    0x97,  # quota exceeded
    0x98,  # administrative action
    0x9F,  # connection rate exceeded
}
# Reason codes of a DISCONNECT because of a message from us.
_MESSAGE_REJECTED_CODES = {
    0x90,  # topic name invalid
    0x95,  # packet too large
    0x99,  # payload format invalid
}
_SESSION_TAKEN_OVER = 0x8E
_BAD_CREDENTIALS = {0x86, 0x87}


class UnreachableError(PublishError):
    """The broker cannot be reached, or the connection was lost: try again soon."""


class ConfigurationError(PublishError):
    """The broker refuses this client, or its certificate is not trusted: a person must change a setting first."""


class MessageRejectedError(PublishError):
    """The broker closed the connection because of a message from us."""


@dataclass(frozen=True, slots=True)
class BrokerConfig:
    """The broker's address and this client's credentials.

    ``identifier`` is the client identifier. The caller creates it once (`new_identifier`) and keeps it: when two
    clients use the same one, a broker disconnects the first. ``port`` None means 8883 with TLS, 1883 without.
    ``ca_file`` (PEM) replaces the system's certificate authorities. ``verify`` False accepts any certificate: it keeps
    eavesdroppers out, not impostors. ``password_file`` has the password on its first line. It is read at every attempt,
    so a corrected password works without a restart. ``keepalive`` is in seconds. The ``[mqtt]`` table of the settings
    has checked the values; those that matter most are checked again here.

    Raises:
        SettingsError: the identifier cannot be used, or the password would be sent unencrypted.
    """

    host: str
    identifier: str
    port: int | None = None
    tls: bool = True
    ca_file: Path | None = None
    verify: bool = True
    username: str = ""
    password_file: Path | None = None
    keepalive: int = 25

    def __post_init__(self) -> None:
        if not 0 < len(self.identifier) <= _LONGEST_IDENTIFIER or not self.identifier.isprintable():
            raise SettingsError(
                f"mqtt.identifier {self.identifier!r} is not a client identifier.",
                f"Use 1 to {_LONGEST_IDENTIFIER} printable characters, different for every station.",
            )
        if sends_password_openly(self.host, tls=self.tls, password_file=self.password_file):
            raise SettingsError(
                f"The password in mqtt.password_file would go to {self.host} unencrypted.",
                "Set mqtt.tls = true; without TLS only a broker on this machine may get a password.",
            )

    @property
    def address(self) -> tuple[str, int]:
        """The broker's ``(host, port)``."""
        return self.host, self.port or (8883 if self.tls else 1883)

    def __str__(self) -> str:
        host, port = self.address
        return f"MQTT broker {host}:{port}"


def new_identifier() -> str:
    """Return a unique client identifier of 23 characters, which every broker accepts (MQTT 5, 3.1.3.1)."""
    return "m" + secrets.token_hex(11)


@dataclass(frozen=True, slots=True)
class MqttMessage:
    """A message for the broker, always at QoS 1. ``payload`` is UTF-8 text; ``message_id`` becomes a user property."""

    topic: str
    payload: bytes
    content_type: str
    message_id: str = ""
    retain: bool = False

    def properties(self, packet_type: int) -> Properties:
        """Return the MQTT 5 properties for a PUBLISH or a will."""
        properties = Properties(packet_type)  # type: ignore[no-untyped-call]  # paho leaves it untyped
        properties.PayloadFormatIndicator = 1  # UTF-8 text (MQTT 5, 3.3.2.3.2)
        properties.ContentType = self.content_type
        if self.message_id:
            properties.UserProperty = ("message-id", self.message_id)
        return properties


@dataclass(frozen=True, slots=True)
class PublishResult:
    """The broker's answer to a message; ``denial_reason`` is empty if the broker accepted it."""

    denial_reason: str = ""


class BrokerConnection:
    """An open connection.

    ``lost`` gets its error as a *result* when the connection ends without `close` or `abort`.
    ``receive_maximum`` is the number of unacknowledged messages that the broker accepts.
    """

    def __init__(self, broker: BrokerConfig, client: aiomqtt.Client) -> None:
        self._broker = broker
        self._client = client
        self._paho = client._client  # noqa: SLF001 - aiomqtt hides the reason codes
        self._unacknowledged: dict[int, asyncio.Future[PublishResult]] = {}
        self.receive_maximum = LARGEST_RECEIVE_MAXIMUM
        self._largest_packet: int | None = None
        self.lost: asyncio.Future[PublishError] = asyncio.get_running_loop().create_future()
        self._watch: asyncio.Task[None] | None = None
        self._closed_by_broker: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._aiomqtt_callbacks = self._paho.on_connect, self._paho.on_disconnect
        self._paho.on_connect = self._on_connect
        self._paho.on_disconnect = self._on_disconnect
        self._paho.on_publish = self._on_publish

    @classmethod
    async def open(cls, broker: BrokerConfig, will: MqttMessage, reply_timeout: float) -> Self:
        """Connect and return the open connection.

        The broker publishes ``will`` when the connection ends without `close`. It must answer the CONNECT within
        ``reply_timeout`` s.

        Raises:
            UnreachableError: the broker cannot be reached or does not answer.
            ConfigurationError: the broker refuses this client, its certificate is not trusted, or a file of the
                settings cannot be read.
        """
        password = await asyncio.to_thread(_read_password, broker)
        context = await asyncio.to_thread(_tls_context, broker)
        host, port = broker.address
        client = aiomqtt.Client(
            host,
            port,
            username=broker.username or None,
            password=password,
            logger=_LOGGER,
            identifier=broker.identifier,
            protocol=aiomqtt.ProtocolVersion.V5,
            will=aiomqtt.Will(will.topic, will.payload, 1, will.retain, will.properties(PacketTypes.WILLMESSAGE)),
            timeout=reply_timeout,
            keepalive=broker.keepalive,
            tls_context=context,
        )
        connection = cls(broker, client)
        await connection._connect()
        connection._paho.on_socket_register_write = connection._on_socket_register_write
        connection._watch = asyncio.create_task(connection._watch_connection(), name="mqtt connection")
        return connection

    async def _connect(self) -> None:
        # The blocking part of connecting runs in a thread, which no caller can cancel. After a cancellation the
        # attempt ends by itself, and its socket is closed then.
        attempt = asyncio.create_task(self._client.__aenter__(), name="mqtt connect")
        outcomes: set[asyncio.Future[aiomqtt.Client] | asyncio.Future[None]] = {attempt, self._closed_by_broker}
        try:
            await asyncio.wait(outcomes, return_when=asyncio.FIRST_COMPLETED)
        except asyncio.CancelledError:
            _ABANDONED_ATTEMPTS.add(attempt)
            attempt.add_done_callback(self._abandon)
            self._closed_by_broker.add_done_callback(lambda _: attempt.cancel())
            raise
        if not attempt.done():
            attempt.cancel()
            await asyncio.wait({attempt})
            self._close_socket()
            raise UnreachableError(f"{self._broker}: no connection (closed without an answer).")
        error = attempt.exception()
        if error is not None:
            self._close_socket()
            raise self._as_publish_error(error) from error

    def _abandon(self, attempt: asyncio.Task[aiomqtt.Client]) -> None:
        _ABANDONED_ATTEMPTS.discard(attempt)
        if not attempt.cancelled():
            attempt.exception()  # retrieved, so that asyncio does not report it
        self._close_socket()

    def send(self, message: MqttMessage) -> asyncio.Future[PublishResult]:
        """Send ``message`` after all earlier ones and return the Future of its answer.

        A message that is too large, or has a topic with a wildcard, is not sent: its answer is a denial.

        Raises:
            UnreachableError: the connection is closed.
        """
        answer: asyncio.Future[PublishResult] = asyncio.get_running_loop().create_future()
        properties = message.properties(PacketTypes.PUBLISH)
        # Fixed header (at most 1 + 4 bytes), topic with its length, packet identifier, properties, payload.
        header_size = 5 + 2 + len(message.topic.encode()) + 2
        size = header_size + len(properties.pack()) + len(message.payload)  # type: ignore[no-untyped-call]  # as above
        if self._largest_packet is not None and size > self._largest_packet:
            answer.set_result(PublishResult(f"larger than the {self._largest_packet} bytes that this broker accepts"))
            return answer
        try:
            info = self._paho.publish(message.topic, message.payload, 1, message.retain, properties)
        except ValueError as error:  # a topic with a wildcard, or too large for MQTT itself
            answer.set_result(PublishResult(str(error)))
            return answer
        if info.rc != paho.MQTT_ERR_SUCCESS:
            raise UnreachableError(f"{self._broker}: not connected ({paho.error_string(info.rc)}).")
        self._unacknowledged[info.mid] = answer
        return answer

    async def close(self) -> None:
        """Disconnect cleanly, so that the broker discards the will. A lost connection raises no error."""
        await self._end_watch()
        try:
            with contextlib.suppress(aiomqtt.MqttError):
                await self._client.__aexit__(None, None, None)
        finally:
            self._close_socket()

    async def abort(self) -> None:
        """Close the connection without a DISCONNECT, so that the broker publishes the will at once."""
        self._close_socket()
        await self._end_watch()

    def _close_socket(self) -> None:
        self._paho._sock_close()  # noqa: SLF001 - paho's disconnect() would queue a DISCONNECT
        disconnected = self._client._disconnected  # noqa: SLF001 - no public name
        if disconnected.done() and not disconnected.cancelled():
            disconnected.exception()  # retrieved, so that asyncio does not report it

    async def _end_watch(self) -> None:
        if self._watch is not None:
            self._watch.cancel()
            await asyncio.wait({self._watch})

    async def _watch_connection(self) -> None:
        # Without subscriptions no message arrives: the iteration ends when the connection ends.
        error: BaseException | None = None
        try:
            async for _ in self._client.messages:
                pass
        except aiomqtt.MqttError as mqtt_error:
            error = mqtt_error.__cause__
        self._set_lost(self._as_publish_error(error))

    def _on_socket_register_write(self, client: paho.Client, userdata: object, sock: Any) -> None:
        # aiomqtt registers the writer later, because it connects in another thread. By then the socket may be closed
        # and its number reused by another socket, whose writer would spin. After connecting only the loop's thread
        # calls this method, so it registers the writer at once.
        del client, userdata
        asyncio.get_running_loop().add_writer(sock.fileno(), self._write)

    def _write(self) -> None:
        try:
            self._paho.loop_write()
        except Exception as error:  # noqa: BLE001 - after any fault the connection is useless
            _LOGGER.warning("Writing to %s failed: %s", self._broker, error)
            self._set_lost(UnreachableError(f"{self._broker}: no connection ({error})."))

    def _set_lost(self, error: PublishError) -> None:
        if not self.lost.done():
            self.lost.set_result(error)

    def _on_connect(
        self, client: paho.Client, userdata: object, flags: Any, reason: ReasonCode, properties: Properties | None
    ) -> None:
        self.receive_maximum = getattr(properties, "ReceiveMaximum", LARGEST_RECEIVE_MAXIMUM)
        self._largest_packet = getattr(properties, "MaximumPacketSize", None)
        on_connect: Any = self._aiomqtt_callbacks[0]
        on_connect(client, userdata, flags, reason, properties)

    def _on_disconnect(
        self, client: paho.Client, userdata: object, flags: Any, reason: ReasonCode, properties: Properties | None
    ) -> None:
        # aiomqtt still waits for a CONNACK, but none can arrive.
        if not self._client._connected.done() and not self._closed_by_broker.done():  # noqa: SLF001
            self._closed_by_broker.set_result(None)
        on_disconnect: Any = self._aiomqtt_callbacks[1]
        on_disconnect(client, userdata, flags, reason, properties)

    def _on_publish(
        self, client: paho.Client, userdata: object, mid: int, reason: ReasonCode, properties: Properties
    ) -> None:
        del client, userdata, properties
        answer = self._unacknowledged.pop(mid, None)
        if answer is not None and not answer.done():
            answer.set_result(PublishResult(str(reason) if reason.value >= _FAILURE else ""))

    def _as_publish_error(self, error: BaseException | None) -> PublishError:
        """Return ``error`` as the PublishError whose class determines the next try."""
        if isinstance(error, aiomqtt.MqttCodeError) and isinstance(error.rc, ReasonCode):
            return self._reason_code_error(error.rc)
        # aiomqtt keeps only the text of the socket's error; the exception itself is its context.
        cause = error.__context__ if isinstance(error, aiomqtt.MqttError) and error.__context__ else error
        if isinstance(cause, ssl.SSLCertVerificationError):
            return ConfigurationError(
                f"{self._broker}: its certificate is not trusted ({cause.verify_message}).",
                "Check mqtt.host, mqtt.ca_file and this machine's date.",
            )
        if isinstance(cause, ssl.SSLError) and not isinstance(cause, (ssl.SSLEOFError, ssl.SSLZeroReturnError)):
            return ConfigurationError(
                f"{self._broker}: TLS failed ({cause.reason or cause}).",
                "Check mqtt.port and mqtt.tls.",
            )
        detail = (cause.strerror if isinstance(cause, OSError) else str(cause or "")) or "connection lost"
        # A broker without TLS closes the connection, which looks like a broken network.
        keys = "mqtt.host, mqtt.port and mqtt.tls" if self._broker.tls else "mqtt.host and mqtt.port"
        return UnreachableError(f"{self._broker} cannot be reached ({detail}).", f"If this continues, check {keys}.")

    def _reason_code_error(self, reason: ReasonCode) -> PublishError:
        code = reason.value
        if code in _MESSAGE_REJECTED_CODES:
            return MessageRejectedError(f"{self._broker} refused a message ({reason}).")
        if code in _BAD_CREDENTIALS:
            return ConfigurationError(
                f"{self._broker} refused the user name or password ({reason}).",
                "Check mqtt.username and mqtt.password_file.",
            )
        if code == _SESSION_TAKEN_OVER:
            return ConfigurationError(
                f"{self._broker}: another client took over the identifier {self._broker.identifier!r}.",
                "Every station needs its own identifier: stop any other station that uses a copy of this data folder.",
            )
        if code >= _FAILURE and code not in _TRANSIENT_CODES:
            return ConfigurationError(f"{self._broker} refused this station ({reason}).", "Check the mqtt settings.")
        detail = "closed without a reason" if code == _UNSPECIFIED else reason
        return UnreachableError(f"{self._broker}: no connection ({detail}).")


class _HandshakeSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails; paho would leave it open."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - the overridden signature
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


# Attempts whose caller was cancelled: asyncio keeps only weak references to tasks.
_ABANDONED_ATTEMPTS: Final[set[asyncio.Task[aiomqtt.Client]]] = set()


def _read_password(broker: BrokerConfig) -> str | None:
    path = broker.password_file
    if path is None:
        return None
    try:
        with path.open(encoding="utf-8") as file:
            password = file.readline(_LARGEST_PASSWORD + 1).rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(
            f"mqtt.password_file {path} cannot be read ({error}).", "Check the file and its permissions."
        ) from error
    if not password or len(password.encode()) > _LARGEST_PASSWORD:
        raise ConfigurationError(
            f"mqtt.password_file {path} has no usable password on its first line.",
            f"Write the password there, 1 to {_LARGEST_PASSWORD} bytes.",
        )
    return password


def _tls_context(broker: BrokerConfig) -> ssl.SSLContext | None:
    if not broker.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        raise ConfigurationError(
            f"mqtt.ca_file {broker.ca_file} cannot be used ({error}).", "Name a file of certificates in PEM form."
        ) from error
    context.sslsocket_class = _HandshakeSocket
    if not broker.verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context
