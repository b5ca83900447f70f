"""A socket that gathers small reads and writes into few calls of the system."""

import ssl
from contextlib import suppress
from typing import Protocol

_CHUNK = 65_536  # bytes read at a time: some thousand acknowledgements


class Socket(Protocol):
    """The methods of a socket, or of one with TLS, that are needed here."""

    def recv(self, buffersize: int, /) -> bytes:
        """Return up to so many bytes."""
        ...

    def send(self, buffer: bytes | bytearray, /) -> int:
        """Send some of the bytes; return their number."""
        ...

    def fileno(self) -> int:
        """Return the descriptor."""
        ...

    def close(self) -> None:
        """Close it."""
        ...

    def setblocking(self, flag: bool, /) -> None:  # noqa: FBT001 - the signature of a socket
        """Let calls wait, or not."""
        ...


class BufferedSocket:
    """Stands between an MQTT library and its non-blocking socket.

    The library reads an acknowledgement in three pieces and sends each message by itself. Here a piece comes from the
    bytes of one larger read, and a message waits for `flush`.
    """

    def __init__(self, sock: Socket) -> None:
        self._sock = sock
        self._received = b""
        self._position = 0
        self._unsent = bytearray()

    def recv(self, buffersize: int, /) -> bytes:
        """Return up to ``buffersize`` bytes, and none at the end of the connection.

        Raises:
            BlockingIOError: there are none now.
            OSError: the connection is broken.
        """
        if self._position >= len(self._received):
            self._received, self._position = self._sock.recv(_CHUNK), 0
        begin = self._position
        self._position = min(begin + buffersize, len(self._received))
        return self._received[begin : self._position]

    def pending(self) -> int:
        """Return the number of bytes that are received and not yet read."""
        of_tls = self._sock.pending() if isinstance(self._sock, ssl.SSLSocket) else 0
        return len(self._received) - self._position + of_tls

    def send(self, buffer: bytes | bytearray, /) -> int:
        """Keep the bytes for the next `flush`; return their number."""
        self._unsent += buffer
        return len(buffer)

    @property
    def has_unsent(self) -> bool:
        """Whether bytes wait for `flush`."""
        return bool(self._unsent)

    def flush(self) -> None:
        """Send the bytes that wait, as far as the system takes them.

        Raises:
            OSError: the connection is broken; the bytes are dropped.
        """
        try:
            while self._unsent:
                del self._unsent[: self._sock.send(self._unsent)]
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            pass
        except OSError:
            self._unsent.clear()
            raise

    def fileno(self) -> int:
        """Return the descriptor of the socket; -1 when it is closed."""
        return self._sock.fileno()

    def setblocking(self, flag: bool, /) -> None:  # noqa: FBT001 - as above
        """Let calls wait, or not."""
        self._sock.setblocking(flag)

    def close(self) -> None:
        """Close the socket, after a last try to send the bytes that wait: a DISCONNECT may be among them."""
        with suppress(OSError):
            self.flush()
        self._sock.close()
