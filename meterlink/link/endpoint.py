"""The endpoint of a data folder, and the lines that go over it.

The endpoint is a Unix socket that only its owner may open (mode 0600). Without Unix sockets (Windows) it is a loopback
port; a file beside the database holds the port and a token.
"""

import asyncio
import hashlib
import json
import math
import os
import socket
import sys
import tempfile
from pathlib import Path
from typing import Any

from meterlink.core.nesting import is_too_deep

# A peer that needs longer than this for a few kilobytes hangs; it is not slow.
PEER_TIMEOUT = 30.0  # s
# Where the endpoint is a port, a watcher sends its token with the connection; others get no longer place.
TOKEN_TIMEOUT = 5.0  # s
# A watcher that is alive says so three times in this time (`HEARTBEAT`); a stopped one must not hold a place for ever.
IDLE_TIMEOUT = 90.0  # s
HEARTBEAT = 30.0  # s
# Dashboards and commands that are connected at a time. A technician has two or three; common practice, no source.
MOST_WATCHERS = 32
# Commands are short, and a view of a visit has some kilobytes. A longer line does not come from Meterlink.
LONGEST_LINE = 1 << 20  # bytes
_LARGEST_INTEGER = 2**63 - 1
# sun_path holds 108 bytes on Linux and 104 on macOS, the final NUL included.
_LONGEST_SOCKET_PATH = 103  # bytes

HAS_UNIX_SOCKETS = hasattr(socket, "AF_UNIX") and sys.platform != "win32"


def socket_path(folder: Path) -> Path:
    """Return the path of the folder's Unix socket: in the folder, or in a private folder if that path is too long."""
    path = folder / "station.sock"
    if len(os.fsencode(path)) <= _LONGEST_SOCKET_PATH:
        return path
    digest = hashlib.sha256(os.fsencode(folder)).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"meterlink-{os.getuid()}" / f"{digest}.sock"


def token_path(folder: Path) -> Path:
    """Return the path of the file that holds the loopback port and its token."""
    return folder / "station.link"


async def read_line(reader: asyncio.StreamReader) -> bytes:
    """Return the next line; empty at the end of the stream and for a line above `LONGEST_LINE`."""
    try:
        return await reader.readline()
    except ValueError:
        return b""


def parse_json_object(line: bytes) -> dict[str, Any]:
    """Return the JSON object in ``line``; an empty one for anything that is none.

    Its texts are Unicode and its integers have 64 bits, as in the database. Neither NaN nor infinity is JSON. It nests
    no deeper than `meterlink.core.nesting.DEEPEST`.
    """
    try:
        # `json` itself would guess an encoding, and let half of a surrogate pair through.
        value = json.loads(line.decode(), parse_int=_parse_integer, parse_float=_parse_float, parse_constant=_refuse)
        if b"\\u" in line:
            json.dumps(value, ensure_ascii=False).encode()
    except (ValueError, RecursionError):
        return {}
    return value if isinstance(value, dict) and not is_too_deep(value) else {}


def _parse_integer(digits: str) -> int:
    value = int(digits)
    if not -_LARGEST_INTEGER <= value <= _LARGEST_INTEGER:
        raise ValueError(digits)
    return value


def _parse_float(number: str) -> float:
    value = float(number)
    if math.isinf(value):  # 1e999
        raise ValueError(number)
    return value


def _refuse(constant: str) -> float:
    raise ValueError(constant)
