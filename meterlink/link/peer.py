"""The account at the other end of a local socket, where the platform tells it."""

import os
import socket
import struct
import sys
from typing import Protocol

# Linux, unix(7): struct ucred { pid_t pid; uid_t uid; gid_t gid; }.
_PEER_CREDENTIALS = getattr(socket, "SO_PEERCRED", 17)
_CREDENTIALS = struct.Struct("iII")

# macOS, sys/un.h and sys/ucred.h, from memory: level SOL_LOCAL, option LOCAL_PEERCRED; struct xucred { u_int version;
# uid_t uid; short number_of_groups; gid_t groups[16]; }.
_LOCAL_LEVEL = 0
_LOCAL_PEER_CREDENTIALS = 1
_LOCAL_CREDENTIALS = struct.Struct("IIh2x16I")


class ConnectedSocket(Protocol):
    """The part of a socket that is asked for its peer."""

    def getsockopt(self, level: int, option: int, length: int, /) -> bytes:
        """Return an option of the socket; raise OSError where there is no such option."""
        ...


def peer_account(connection: ConnectedSocket, platform: str = sys.platform) -> int | None:
    """Return the number of the account that opened the other end; None where the platform does not tell it.

    For the end that connected, it is the account that listens.
    """
    try:
        if platform == "linux":
            credentials = connection.getsockopt(socket.SOL_SOCKET, _PEER_CREDENTIALS, _CREDENTIALS.size)
            return int(_CREDENTIALS.unpack(credentials)[1])
        if platform == "darwin":
            credentials = connection.getsockopt(_LOCAL_LEVEL, _LOCAL_PEER_CREDENTIALS, _LOCAL_CREDENTIALS.size)
            return int(_LOCAL_CREDENTIALS.unpack(credentials)[1])
    except (OSError, struct.error):
        pass
    return None


def is_trusted(account: int | None, *more: int) -> bool:
    """Return whether ``account`` is this one, the administrator's or one of ``more``.

    Where it is not known (None), the permission bits of the socket are the wall.
    """
    return account is None or not hasattr(os, "getuid") or account in {os.getuid(), 0, *more}
