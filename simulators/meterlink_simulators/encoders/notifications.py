"""Splits a byte stream into notifications."""

from collections.abc import Iterator

# Bytes in a notification at the least ATT MTU: 23 less 3 of header (Core vol. 3 part F, 5.2.1 and 3.4.7.1).
NOTIFICATION_SIZE = 20


def split_notifications(stream: bytes, size: int = NOTIFICATION_SIZE) -> Iterator[bytes]:
    """Yield ``stream`` in pieces of ``size`` bytes; the last may be shorter."""
    for start in range(0, len(stream), size):
        yield stream[start : start + size]
