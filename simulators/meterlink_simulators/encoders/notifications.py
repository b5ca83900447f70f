"""Cutting a stream of bytes into notifications."""

from collections.abc import Iterator

# What a notification holds at the least ATT MTU: 23 bytes less 3 of header (Core vol. 3 part F, 5.2.1 and 3.4.7.1).
NOTIFICATION_SIZE = 20


def split_notifications(stream: bytes, size: int = NOTIFICATION_SIZE) -> Iterator[bytes]:
    """Yield ``stream`` in pieces of ``size`` bytes, the last one perhaps shorter."""
    for start in range(0, len(stream), size):
        yield stream[start : start + size]
