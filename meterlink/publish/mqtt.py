"""One connection to an MQTT 5 broker: the only importer of aiomqtt and paho, and the only user of what they hide.

aiomqtt drops the reason code of a PUBACK and the limits in a CONNACK, waits on when a broker hangs up instead of
sending one, and leaves a socket open when an attempt fails. `Connection` mends these by reaching through to the paho
client that aiomqtt wraps. Every attempt gets a fresh client: a used one skips the CONNACK and sends old messages again
by itself.
"""

import asyncio
import contextlib
import ipaddress
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

_LOGGER = logging.getLogger(__name__)

SHORTEST_KEEPALIVE: Final = 20  # s; shorter wakes a radio link for nothing
LONGEST_KEEPALIVE: Final = 30  # s; a broker that froze is noticed after two of these, so within a minute
LARGEST_RECEIVE_MAXIMUM: Final = 65_535  # what a broker means that names none (MQTT 5, 3.2.2.3.3)
_LARGEST_PASSWORD = 65_535  # bytes; MQTT 5, 1.5.6: binary data
_LONGEST_IDENTIFIER = 128  # characters; a broker need only take 23 (MQTT 5, 3.1.3.1), those in use take more
_FAILURE = 0x80  # reason codes from here on are failures (MQTT 5, 2.4)
_UNSPECIFIED = 0x80  # also what paho makes of a connection that ends without a word

# Reason codes (MQTT 5, 2.4) that say more about the moment than about the settings.
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
# Reason codes of a DISCONNECT that blame a message the broker was sent.
_MESSAGE_REJECTED_CODES = {
    0x90,  # topic name invalid
    0x95,  # packet too large
    0x99,  # payload format invalid
}
_SESSION_TAKEN_OVER = 0x8E
_BAD_CREDENTIALS = {0x86, 0x87}


class UnreachableError(PublishError):
    """The broker cannot be reached, or the connection was lost: worth trying again soon."""


class ConfigurationError(PublishError):
    """The broker refuses this client, or is not who it should be: trying again helps only once someone acted."""


class MessageRejectedError(PublishError):
    """The broker closed the connection because of a message it was sent."""


@dataclass(frozen=True, slots=True)
class BrokerConfig:
    """Where to publish, and as whom. SettingsError, naming the key, for settings that cannot or must not be used.

    ``identifier`` is the client identifier: the caller makes it once (`new_identifier`) and keeps it, since a broker
    throws out whoever connected first under the same one. ``port`` None means 8883 with TLS, 1883 without.
    ``ca_file`` (PEM) replaces the system's certificate authorities. ``verify`` False takes any certificate: it keeps
    listeners out, not impostors. ``password_file`` holds the password on its first line and is read at every attempt,
    so a corrected one is used without a restart. ``keepalive`` is 20 to 30 s.
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
        if not self.host or any(char.isspace() or not char.isprintable() for char in self.host):
            raise SettingsError(f"mqtt.host {self.host!r} is not a host name or address.")
        if self.port is not None and not 0 < self.port < 65_536:
            raise SettingsError(f"mqtt.port {self.port} is not a port.", "Use 1 to 65535.")
        if not 0 < len(self.identifier) <= _LONGEST_IDENTIFIER or not self.identifier.isprintable():
            raise SettingsError(
                f"mqtt.identifier {self.identifier!r} cannot be a client identifier.",
                f"Use 1 to {_LONGEST_IDENTIFIER} printable characters, another one for every station.",
            )
        if not SHORTEST_KEEPALIVE <= self.keepalive <= LONGEST_KEEPALIVE:
            raise SettingsError(
                f"mqtt.keepalive is {self.keepalive} s.", f"Use {SHORTEST_KEEPALIVE} to {LONGEST_KEEPALIVE} s."
            )
        if self.password_file is not None and not self.username:
            raise SettingsError("mqtt.password_file is given without mqtt.username.", "Give both or neither.")
        if self.password_file is not None and not self.tls and not _is_loopback(self.host):
            raise SettingsError(
                f"mqtt.password_file would be sent readable to {self.host}.",
                "Set mqtt.tls = true; without TLS a password goes to this machine's own broker only.",
            )
        if self.ca_file is not None and not self.tls:
            raise SettingsError("mqtt.ca_file is given, but mqtt.tls is false.", "Set mqtt.tls = true.")

    @property
    def address(self) -> tuple[str, int]:
        """Host and port to connect to."""
        return self.host, self.port or (8883 if self.tls else 1883)

    def __str__(self) -> str:
        host, port = self.address
        return f"MQTT broker {host}:{port}"


def new_identifier() -> str:
    """Return a client identifier no other station has: 23 characters every broker takes (MQTT 5, 3.1.3.1)."""
    return "m" + secrets.token_hex(11)


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True, slots=True)
class MqttMessage:
    """What is published, always at QoS 1. ``payload`` is UTF-8 text; ``message_id`` goes along as a user property."""

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
    """What the broker said to a message: ``denial`` is empty when it took it."""

    denial_reason: str = ""


class BrokerConnection:
    """An open connection.

    ``lost`` gets its error as a *result* when the connection ends other than by `close` or `drop`.
    ``receive_maximum`` is how many messages the broker takes before it has acknowledged the first.
    """

    def __init__(self, broker: BrokerConfig, client: aiomqtt.Client) -> None:
        self._broker = broker
        self._client = client
        self._paho = client._client  # noqa: SLF001 - aiomqtt offers no way to the reason codes
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
    async def open(cls, broker: BrokerConfig, will: MqttMessage, timeout: float) -> Self:
        """Connect and return the open connection.

        The broker publishes ``will`` when the connection ends without `close`. It has ``patience`` seconds to answer
        the CONNECT. UnreachableError or ConfigurationError when there is no connection to be had.
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
            timeout=timeout,
            keepalive=broker.keepalive,
            tls_context=context,
        )
        connection = cls(broker, client)
        await connection._connect()
        connection._paho.on_socket_register_write = connection._on_socket_register_write
        connection._watch = asyncio.create_task(connection._watch_connection(), name="mqtt connection")
        return connection

    async def _connect(self) -> None:
        # The blocking part of connecting runs in a thread that nobody can cancel, so a cancelled caller leaves the
        # attempt to end by itself; its socket is then cut rather than leaked.
        attempt = asyncio.create_task(self._client.__aenter__(), name="mqtt connect")
        ends: set[asyncio.Future[aiomqtt.Client] | asyncio.Future[None]] = {attempt, self._closed_by_broker}
        try:
            await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        except asyncio.CancelledError:
            _ABANDONED.add(attempt)
            attempt.add_done_callback(self._abandon)
            self._closed_by_broker.add_done_callback(lambda _: attempt.cancel())
            raise
        if not attempt.done():
            attempt.cancel()
            await asyncio.wait({attempt})
            self._close_socket()
            raise UnreachableError(f"{self._broker}: no connection (hung up without an answer).")
        error = attempt.exception()
        if error is not None:
            self._close_socket()
            raise self._as_publish_error(error) from error

    def _abandon(self, attempt: asyncio.Task[aiomqtt.Client]) -> None:
        _ABANDONED.discard(attempt)
        if not attempt.cancelled():
            attempt.exception()  # looked at, so that asyncio does not report it
        self._close_socket()

    def send(self, message: MqttMessage) -> asyncio.Future[PublishResult]:
        """Send ``message`` after all those sent before and return its answer to come; UnreachableError when offline.

        A message that no broker or this broker cannot take is answered at once with a denial.
        """
        answer: asyncio.Future[PublishResult] = asyncio.get_running_loop().create_future()
        properties = message.properties(PacketTypes.PUBLISH)
        # Fixed header (1 + 4 bytes at most), topic with its length, packet identifier, properties, payload.
        head = 5 + 2 + len(message.topic.encode()) + 2
        size = head + len(properties.pack()) + len(message.payload)  # type: ignore[no-untyped-call]  # as above
        if self._largest_packet is not None and size > self._largest_packet:
            answer.set_result(PublishResult(f"larger than the {self._largest_packet} bytes this broker takes"))
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
        """Disconnect cleanly; the broker forgets the will. Never raises for a connection that is gone already."""
        await self._end_watch()
        try:
            with contextlib.suppress(aiomqtt.MqttError):
                await self._client.__aexit__(None, None, None)
        finally:
            self._close_socket()

    async def abort(self) -> None:
        """Cut the connection without a DISCONNECT, so that the broker publishes the will at once."""
        self._close_socket()
        await self._end_watch()

    def _close_socket(self) -> None:
        self._paho._sock_close()  # noqa: SLF001 - paho's own disconnect() would send a DISCONNECT and wait its turn
        ended = self._client._disconnected  # noqa: SLF001 - looked at, so that asyncio does not report its exception
        if ended.done() and not ended.cancelled():
            ended.exception()

    async def _end_watch(self) -> None:
        if self._watch is not None:
            self._watch.cancel()
            await asyncio.wait({self._watch})

    async def _watch_connection(self) -> None:
        # Nothing is subscribed to: the messages only ever end, when the connection does.
        error: BaseException | None = None
        try:
            async for _ in self._client.messages:
                pass
        except aiomqtt.MqttError as ended:
            error = ended.__cause__
        self._set_lost(self._as_publish_error(error))

    def _on_socket_register_write(self, client: paho.Client, userdata: object, sock: Any) -> None:
        # aiomqtt asks the loop to do this later, since connecting happens in another thread. By then the socket may be
        # closed and its number given to another, whose writer would spin. Once connected only the loop's thread calls.
        del client, userdata
        asyncio.get_running_loop().add_writer(sock.fileno(), self._write)

    def _write(self) -> None:
        try:
            self._paho.loop_write()
        except Exception as error:  # noqa: BLE001 - whatever it was, the connection is of no more use
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
        # aiomqtt goes on waiting for a CONNACK that cannot come any more.
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
        """Return the error in our words and of the class that says how soon to try again."""
        if isinstance(error, aiomqtt.MqttCodeError) and isinstance(error.rc, ReasonCode):
            return self._reason_code_error(error.rc)
        # aiomqtt keeps only the text of what the socket said; the exception itself is its context.
        cause = error.__context__ if isinstance(error, aiomqtt.MqttError) and error.__context__ else error
        if isinstance(cause, ssl.SSLCertVerificationError):
            return ConfigurationError(
                f"{self._broker}: its certificate is not trusted ({cause.verify_message}).",
                "Check mqtt.host, mqtt.ca_file and this machine's date.",
            )
        if isinstance(cause, ssl.SSLError) and not isinstance(cause, (ssl.SSLEOFError, ssl.SSLZeroReturnError)):
            return ConfigurationError(
                f"{self._broker} does not speak TLS as expected ({cause.reason or cause}).",
                "Check mqtt.port and mqtt.tls.",
            )
        what = (cause.strerror if isinstance(cause, OSError) else str(cause or "")) or "connection lost"
        # A broker that expects no TLS hangs up on it, which looks like a broken link.
        keys = "mqtt.host, mqtt.port and mqtt.tls" if self._broker.tls else "mqtt.host and mqtt.port"
        return UnreachableError(f"{self._broker} cannot be reached ({what}).", f"If it stays so, check {keys}.")

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
                "Every station needs its own: check that no copy of this station's data is running elsewhere.",
            )
        if code >= _FAILURE and code not in _TRANSIENT_CODES:
            return ConfigurationError(f"{self._broker} refused this station ({reason}).", "Check the mqtt settings.")
        what = "hung up" if code == _UNSPECIFIED else reason
        return UnreachableError(f"{self._broker}: no connection ({what}).")


class _HandshakeSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails, where paho only lets go of it."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - the overridden signature
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


# Attempts whose caller was cancelled; asyncio itself keeps only weak references to tasks.
_ABANDONED: Final[set[asyncio.Task[aiomqtt.Client]]] = set()


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
        raise ConfigurationError(f"mqtt.password_file {path} holds no usable password on its first line.")
    return password


def _tls_context(broker: BrokerConfig) -> ssl.SSLContext | None:
    if not broker.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        raise ConfigurationError(
            f"mqtt.ca_file {broker.ca_file} cannot be used ({error}).", "Give a file of certificates in PEM form."
        ) from error
    context.sslsocket_class = _HandshakeSocket
    if not broker.verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context
