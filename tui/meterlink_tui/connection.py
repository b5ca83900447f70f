"""The connection to a station as the dashboard needs it; `meterlink.link.client` offers it, tests pass a fake."""

from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Protocol

from meterlink.link.messages import Message


class StationConnection(Protocol):
    """One connection to a daemon. Iterating ends, or raises LinkError, when the daemon goes away."""

    def __aiter__(self) -> AsyncIterator[Message]:
        """Yield messages until the connection ends."""
        ...

    async def send(self, command: str, **fields: str) -> str:
        """Have a command carried out; return its error in words, or nothing. LinkError when the daemon is gone."""
        ...

    async def close(self) -> None:
        """End the connection."""
        ...


Connector = Callable[[], Awaitable[StationConnection]]
