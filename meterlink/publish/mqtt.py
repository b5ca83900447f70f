"""An open connection to an MQTT 5 broker; its faults as errors, whose classes decide the next try."""

import asyncio
import ssl
from typing import Final, Self

from meterlink.core.errors import PublishError
from meterlink.publish.broker import (
    BrokerConfig,
    ClosedByBrokerError,
    ConfigurationError,
    MessageRejectedError,
    UnreachableError,
)
from meterlink.publish.credentials import make_tls, read_password
from meterlink.publish.mqtt_client import FAILURE, Closure, MqttClient, MqttMessage, NotConnectedError, PublishResult

# Reason codes (MQTT 5, 2.4) for a passing fault, not a wrong setting.
_TRANSIENT_CODES: Final = {
    0x80,  # unspecified error
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
_MESSAGE_REJECTED_CODES: Final = {
    0x90,  # topic name invalid
    0x95,  # packet too large
    0x99,  # payload format invalid
}
# Reason codes of a DISCONNECT that a message from us may have caused, and something else, too.
_DOUBTFUL_CODES: Final = {
    0x80,  # unspecified error
    0x81,  # malformed packet
    0x82,  # protocol error
    0x83,  # implementation specific error
    0x87,  # not authorized: to publish, since the connection was authorized
}
_SESSION_TAKEN_OVER: Final = 0x8E
_BAD_CREDENTIALS: Final = {0x86, 0x87}


class BrokerConnection:
    """An open connection.

    ``lost`` gets its error as a *result* when the connection ends without `close` or `abort`.
    ``receive_maximum`` is the number of unacknowledged messages that the broker accepts.
    """

    def __init__(self, broker: BrokerConfig, client: MqttClient) -> None:
        self._broker = broker
        self._client = client
        self.receive_maximum = client.receive_maximum
        self.lost: asyncio.Future[PublishError] = asyncio.get_running_loop().create_future()
        client.ended.add_done_callback(self._on_end)

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
        password = await asyncio.to_thread(read_password, broker)
        tls = await asyncio.to_thread(make_tls, broker)
        host, port = broker.address
        client = MqttClient(
            host,
            port,
            broker.identifier,
            will,
            username=broker.username or None,
            password=password,
            keepalive=broker.keepalive,
            reply_timeout=reply_timeout,
            tls_context=None if tls is None else tls.context,
        )
        closure = await client.connect()
        if closure is not None:
            if tls is not None and tls.faults:
                closure = Closure(cause=tls.faults[-1])
            error = _connect_error(broker, closure)
            raise error
        return cls(broker, client)

    def send(self, message: MqttMessage) -> asyncio.Future[PublishResult]:
        """Send ``message`` after all earlier ones and return the Future of its answer.

        A message that is too large, or has a topic with a wildcard, is not sent: its answer is a denial.

        Raises:
            UnreachableError: the connection is closed.
        """
        try:
            return self._client.publish(message)
        except NotConnectedError as error:
            raise UnreachableError(f"{self._broker}: not connected ({error}).") from error

    async def close(self) -> None:
        """Disconnect cleanly, so that the broker discards the will. A lost connection raises no error."""
        await self._client.disconnect()

    async def abort(self) -> None:
        """Close the connection without a DISCONNECT, so that the broker publishes the will at once."""
        self._client.cut()

    def _on_end(self, ended: asyncio.Future[Closure]) -> None:
        if not ended.cancelled() and not self.lost.done():
            self.lost.set_result(_loss_error(self._broker, ended.result()))


def _loss_error(broker: BrokerConfig, closure: Closure) -> PublishError:
    """Return the end of a connection as the PublishError whose class determines the next try."""
    if closure.code in _MESSAGE_REJECTED_CODES:
        return MessageRejectedError(f"{broker} refused a message ({closure.text}).")
    if closure.by_broker and (closure.code is None or closure.code in _DOUBTFUL_CODES):
        return ClosedByBrokerError(f"{broker}: no connection ({closure.text or 'closed without a reason'}).")
    return _connect_error(broker, closure)


def _connect_error(broker: BrokerConfig, closure: Closure) -> PublishError:
    """Return the failure to connect as the PublishError whose class determines the next try."""
    code, cause = closure.code, closure.cause
    if code in _BAD_CREDENTIALS:
        return ConfigurationError(
            f"{broker} refused the user name or password ({closure.text}).",
            "Check mqtt.username and mqtt.password_file.",
        )
    if code == _SESSION_TAKEN_OVER:
        return ConfigurationError(
            f"{broker}: another client took over the identifier {broker.identifier!r}.",
            "Every station needs its own identifier: stop any other station that uses a copy of this data folder.",
        )
    if code is not None and code >= FAILURE and code not in _TRANSIENT_CODES:
        return ConfigurationError(f"{broker} refused this station ({closure.text}).", "Check the mqtt settings.")
    if code is not None or closure.text:
        return UnreachableError(f"{broker}: no connection ({closure.text}).")
    if isinstance(cause, ssl.SSLCertVerificationError):
        return ConfigurationError(
            f"{broker}: its certificate is not trusted ({cause.verify_message}).",
            "Check mqtt.host, mqtt.ca_file and this machine's date.",
        )
    if isinstance(cause, ssl.SSLError) and (alert := _alert_about_certificate(cause)):
        if broker.certificate_file is None:
            return ConfigurationError(
                f"{broker} asks this station for a certificate ({alert}).",
                "Name it in mqtt.certificate_file, and its key in mqtt.key_file.",
            )
        return ConfigurationError(
            f"{broker} refused the certificate of this station ({alert}).",
            f"Check mqtt.certificate_file {broker.certificate_file}: its date, and that the broker trusts its issuer.",
        )
    if isinstance(cause, ssl.SSLError) and not isinstance(cause, (ssl.SSLEOFError, ssl.SSLZeroReturnError)):
        return ConfigurationError(
            f"{broker}: TLS failed ({cause.reason or cause}).",
            "Check mqtt.port and mqtt.tls.",
        )
    detail = (cause.strerror if isinstance(cause, OSError) else str(cause or "")) or "connection lost"
    # A broker without TLS closes the connection, which looks like a broken network.
    keys = "mqtt.host, mqtt.port and mqtt.tls" if broker.tls else "mqtt.host and mqtt.port"
    return UnreachableError(f"{broker} cannot be reached ({detail}).", f"If this continues, check {keys}.")


def _alert_about_certificate(error: ssl.SSLError) -> str:
    """Return the words of an alert (RFC 8446, 6.2) about the certificate of this client; empty for another fault.

    A broker with TLS 1.2 that gets no certificate sends the general alert 'handshake failure'.
    """
    reason = (error.reason or "").casefold()
    about = ("certificate", "unknown_ca", "handshake_failure")
    if "alert" not in reason or not any(word in reason for word in about):
        return ""
    return reason.partition("alert_")[2].replace("_", " ")
