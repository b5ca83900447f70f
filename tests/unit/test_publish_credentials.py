"""The TLS of a connection to a broker: the reason why it ended."""

import contextlib
import socket
import ssl
import threading
from pathlib import Path

import pytest

from meterlink.publish.broker import BrokerConfig
from meterlink.publish.credentials import make_tls
from support.certificates import Authority

GENEROUS = 30.0  # s; an outer limit, not a wait


@pytest.mark.fault("tls-fault")
def test_a_refusal_that_came_before_the_first_message_was_sent_is_read(tmp_path: Path) -> None:
    authority, stranger = Authority(tmp_path), Authority(tmp_path, "strange authority")
    certificate, key = authority.issue("test broker")
    asks = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH, cafile=authority.path)
    asks.load_cert_chain(certificate, key)
    asks.minimum_version = ssl.TLSVersion.TLSv1_3  # the client's handshake ends before the refusal
    asks.verify_mode = ssl.CERT_REQUIRED

    def refuse(listener: socket.socket) -> None:
        accepted, _ = listener.accept()
        with accepted, contextlib.suppress(ssl.SSLError):
            asks.wrap_socket(accepted, server_side=True).close()

    def send_twice(sock: ssl.SSLSocket) -> None:
        sock.send(b"CONNECT")  # the answer tells that nobody listens
        sock.send(b"CONNECT")

    own, own_key = stranger.issue("strange van")
    tls = make_tls(
        BrokerConfig("127.0.0.1", "teststation1", ca_file=authority.path, certificate_file=own, key_file=own_key)
    )
    assert tls is not None
    with socket.create_server(("127.0.0.1", 0)) as listener:
        broker = threading.Thread(target=refuse, args=(listener,))
        broker.start()
        with (
            socket.create_connection(listener.getsockname(), GENEROUS) as connection,
            tls.context.wrap_socket(connection, server_hostname="127.0.0.1") as sock,
        ):
            broker.join(GENEROUS)
            with pytest.raises((ConnectionError, ssl.SSLEOFError)):
                send_twice(sock)
    (fault,) = tls.faults
    assert fault.reason == "TLSV1_ALERT_UNKNOWN_CA"
