"""The interface of a connection to a station. `meterlink.link.client` implements it; tests pass a fake."""

from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Protocol

from meterlink.link.messages import CommandName, Message, Reply


class StationConnection(Protocol):
    """One connection to a daemon. Iteration ends, or raises LinkError, when the daemon stops.

    ``incident`` says in sentences that the daemon has died and was started again; empty if it has not.
    """

    incident: str

    @property
    def other_version(self) -> str:
        """The version of the daemon if it is not that of this program, else empty."""
        ...

    def __aiter__(self) -> AsyncIterator[Message]:
        """Yield messages until the connection ends."""
        ...

    async def send(self, command: CommandName, **fields: str | int) -> str:
        """Send a command and return its error as a sentence; empty if the command was carried out.

        Raises:
            LinkError: the daemon has stopped.
        """
        ...

    async def request(self, command: CommandName, **fields: str | int) -> Reply:
        """Send a command and return its reply, which may have a question.

        Raises:
            LinkError: the daemon has stopped.
        """
        ...

    async def close(self) -> None:
        """End the connection."""
        ...


Connector = Callable[[], Awaitable[StationConnection]]
