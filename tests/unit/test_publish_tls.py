"""A connection with TLS that the broker ends while this station sends: what the broker said before is read."""

import asyncio
import contextlib
import socket
import ssl
import struct
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from meterlink.publish.broker import BrokerConfig
from meterlink.publish.credentials import Tls, make_tls
from meterlink.publish.mqtt_client import MqttClient, MqttMessage
from support.certificates import Authority

GENEROUS = 30.0  # s; an outer limit, not a wait
MESSAGE = MqttMessage("meterlink/van/readings/a", b"[]", "application/senml+json", "id-1")

Serve = Callable[[ssl.SSLSocket], None]


def context_of(authority: Authority) -> ssl.SSLContext:
    """Return the TLS of a broker that asks for a certificate."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH, cafile=authority.path)
    context.load_cert_chain(*authority.issue("test broker"))
    context.minimum_version = ssl.TLSVersion.TLSv1_3  # the client's handshake ends before a refusal
    context.verify_mode = ssl.CERT_REQUIRED
    return context


@contextlib.contextmanager
def broker(
    context: ssl.SSLContext, serve: Serve, has_accepted: threading.Event | None = None
) -> Iterator[tuple[int, threading.Thread]]:
    """Serve one connection in a thread, and reset it; yield the port and the thread."""

    def run() -> None:
        accepted, _ = listener.accept()
        if has_accepted is not None:
            has_accepted.set()
        # With this the connection is reset at once, and the client's next message cannot be sent.
        accepted.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        with accepted, contextlib.suppress(ssl.SSLError), context.wrap_socket(accepted, server_side=True) as sock:
            serve(sock)

    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=run)
        thread.start()
        yield listener.getsockname()[1], thread
        thread.join(GENEROUS)


def client_of(port: int, tls: Tls) -> MqttClient:
    return MqttClient(
        "127.0.0.1", port, "teststation1", MESSAGE, username=None, password=None, keepalive=25,
        reply_timeout=GENEROUS, tls_context=tls.context,
    )  # fmt: skip


def tls_of(authority: Authority, signer: Authority) -> Tls:
    certificate, key = signer.issue("van")
    tls = make_tls(
        BrokerConfig("127.0.0.1", "teststation1", ca_file=authority.path, certificate_file=certificate, key_file=key)
    )
    assert tls is not None
    return tls


@pytest.mark.fault("tls-fault")
async def test_a_refusal_that_came_before_the_first_message_was_sent_is_read(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    tls = tls_of(authority, Authority(tmp_path, "strange authority"))
    has_accepted = threading.Event()
    with broker(context_of(authority), lambda _: None, has_accepted) as (port, thread):
        client = client_of(port, tls)
        attempt = asyncio.create_task(client.connect())
        while not has_accepted.is_set():  # noqa: ASYNC110  # of another thread
            await asyncio.sleep(0)
        thread.join(GENEROUS)  # this thread sends when the broker has refused
        async with asyncio.timeout(GENEROUS):
            assert await attempt is not None
    (fault,) = tls.faults
    assert fault.reason == "TLSV1_ALERT_UNKNOWN_CA"


@pytest.mark.fault("broker-hangs-up")
async def test_an_answer_that_came_before_a_message_could_not_be_sent_counts(tmp_path: Path) -> None:
    authority = Authority(tmp_path)

    def deny(sock: ssl.SSLSocket) -> None:
        sock.recv(1000)
        sock.sendall(bytes([0x20, 3, 0, 0, 0]))  # CONNACK (MQTT 5, 3.2)
        sock.recv(1000)
        sock.sendall(bytes([0x40, 4, 0, 1, 0x87, 0]))  # PUBACK of the first message: not authorized (MQTT 5, 3.4)

    with broker(context_of(authority), deny) as (port, thread):
        client = client_of(port, tls_of(authority, authority))
        async with asyncio.timeout(GENEROUS):
            assert await client.connect() is None
            first = client.publish(MESSAGE)
            await asyncio.sleep(0)  # it is sent
            thread.join(GENEROUS)
            client.publish(MESSAGE)
            assert (await first).denial_reason == "Not authorized"
            await client.ended
        client.cut()
