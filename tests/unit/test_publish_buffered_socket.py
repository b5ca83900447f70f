"""`BufferedSocket`: the same bytes in fewer calls, and the faults of the socket behind it."""

import random
import socket
from collections.abc import Iterator

import pytest

from meterlink.publish.buffered_socket import BufferedSocket


class CountingSocket:
    """A socket that counts the calls, and takes at most ``most`` bytes of each `send`."""

    def __init__(self, sock: socket.socket, most: int = 1 << 30) -> None:
        self.sock, self.most = sock, most
        self.reads = self.writes = 0
        self.fault: OSError | None = None

    def recv(self, buffersize: int, /) -> bytes:
        self.reads += 1
        return self.sock.recv(buffersize)

    def send(self, buffer: bytes | bytearray, /) -> int:
        self.writes += 1
        if self.fault is not None:
            raise self.fault
        return self.sock.send(bytes(buffer[: self.most]))

    def fileno(self) -> int:
        return self.sock.fileno()

    def close(self) -> None:
        self.sock.close()

    def setblocking(self, flag: bool, /) -> None:
        self.sock.setblocking(flag)


@pytest.fixture
def ends() -> Iterator[tuple[CountingSocket, socket.socket]]:
    near, far = socket.socketpair()
    near.setblocking(False)
    with near, far:
        yield CountingSocket(near), far


def test_pieces_come_from_one_read(ends: tuple[CountingSocket, socket.socket]) -> None:
    near, far = ends
    buffered = BufferedSocket(near)
    data = random.Random(1).randbytes(3_000)
    far.sendall(data)
    pieces = [buffered.recv(1)]
    assert buffered.pending() == 2_999
    while buffered.pending():
        pieces.append(buffered.recv(7))
    assert b"".join(pieces) == data
    assert near.reads == 1
    with pytest.raises(BlockingIOError):
        buffered.recv(1)
    far.close()
    assert buffered.recv(1) == b""


def test_messages_wait_for_one_write(ends: tuple[CountingSocket, socket.socket]) -> None:
    near, far = ends
    buffered = BufferedSocket(near)
    assert [buffered.send(b"abc"), buffered.send(bytearray(b"de"))] == [3, 2]
    assert buffered.has_unsent
    buffered.flush()
    assert not buffered.has_unsent
    assert near.writes == 1
    assert far.recv(100) == b"abcde"


def test_bytes_that_the_system_does_not_take_now_are_kept_in_order(ends: tuple[CountingSocket, socket.socket]) -> None:
    near, far = ends
    near.most = 999
    buffered = BufferedSocket(near)
    data = random.Random(2).randbytes(2_000_000)  # more than the buffers of a socket hold
    buffered.send(data)
    buffered.flush()
    assert buffered.has_unsent
    received = bytearray()
    while len(received) < len(data):
        received += far.recv(1 << 20)
        buffered.flush()
    assert bytes(received) == data
    assert not buffered.has_unsent


def test_a_broken_connection_is_an_error_and_drops_the_rest(ends: tuple[CountingSocket, socket.socket]) -> None:
    near, _ = ends
    near.fault = BrokenPipeError()
    buffered = BufferedSocket(near)
    buffered.send(b"abc")
    with pytest.raises(BrokenPipeError):
        buffered.flush()
    assert not buffered.has_unsent
    buffered.send(b"def")
    buffered.close()  # no error: it is closed all the same
    assert buffered.fileno() == -1


def test_closing_sends_the_last_words(ends: tuple[CountingSocket, socket.socket]) -> None:
    near, far = ends
    buffered = BufferedSocket(near)
    buffered.send(b"\xe0\x00")  # DISCONNECT
    buffered.close()
    assert far.recv(100) == b"\xe0\x00"
    assert far.recv(100) == b""
