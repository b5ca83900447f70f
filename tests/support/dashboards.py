"""Dashboards for tests: with a station that yields what the test feeds, and a clock that the test sets."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from textual.geometry import Size
from textual.pilot import Pilot

from meterlink.core.clock import Timestamp
from meterlink.core.errors import LinkError
from meterlink.core.key_actions import DEFAULT_KEYS, Keys
from meterlink.link.messages import CommandName, Message, QuestionView, Reply, Topic
from meterlink_tui.app import Dashboard

START = 1_784_041_445_000_000_000  # ns since 1970: 2026-07-14T15:04:05Z


class SetClock:
    """A clock that the test sets."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def now(self) -> Timestamp:
        ns = round(self.seconds * 1e9)
        return Timestamp(START + ns, 10**12 + ns)


class FedStation:
    """A connection that yields the fed messages until it is dropped.

    It returns ``error`` to each command whose name begins with ``refused``.
    """

    incident = ""
    other_version = ""

    def __init__(self, *messages: Message) -> None:
        self.queue: asyncio.Queue[Message | None] = asyncio.Queue()
        self.sent: list[tuple[str, dict[str, str | int]]] = []
        self.error = ""
        self.refused = ""
        self.question: QuestionView | None = None  # of the next request that is no check
        self.data: dict[str, object] = {"understood": "a rating"}  # of each reply
        self.closed = False
        self.feed(*messages)

    def feed(self, *messages: Message) -> None:
        for message in messages:
            self.queue.put_nowait(message)

    def drop(self) -> None:
        self.queue.put_nowait(None)

    async def __aiter__(self) -> AsyncIterator[Message]:
        while (message := await self.queue.get()) is not None:
            yield message

    async def send(self, command: str, **fields: str | int) -> str:
        self.sent.append((command, fields))
        return self.error if command.startswith(self.refused) else ""

    async def request(self, command: str, **fields: str | int) -> Reply:
        error = await self.send(command, **fields)
        question = None
        if command != CommandName.CHECK_RATING:
            question, self.question = self.question, None
        return Reply(
            topic=Topic.REPLY, id=1, error=error, accepted=None, question=question, data=self.data,
            exit_code=int(bool(error)),
        )  # fmt: skip

    async def close(self) -> None:
        self.closed = True


def dashboard(
    *messages: Message,
    clock: SetClock | None = None,
    keys: Keys = DEFAULT_KEYS,
    database: Path | None = None,
) -> tuple[Dashboard, FedStation]:
    """Return a dashboard and the station of its first connection; later connections find no daemon."""
    station = FedStation(*messages)
    stations = [station]

    async def connect() -> FedStation:
        if stations:
            return stations.pop()
        raise LinkError("No daemon runs on /var/lib/meterlink.", "Start it with: meterlink run")

    return Dashboard(connect, clock=clock or SetClock(), reconnect_delay=3600, keys=keys, database=database), station


async def catch_up(pilot: Pilot[None]) -> None:
    """Let all pending messages arrive, then draw them."""
    app = pilot.app
    assert isinstance(app, Dashboard)
    for _ in range(5):
        await pilot.pause()
    app.draw()
    await pilot.pause()


@asynccontextmanager
async def running_dashboard(
    *messages: Message,
    size: tuple[int, int] = (80, 24),
    clock: SetClock | None = None,
    keys: Keys = DEFAULT_KEYS,
    database: Path | None = None,
) -> AsyncIterator[tuple[Dashboard, FedStation, Pilot[None]]]:
    """Run the dashboard of `dashboard` and yield it, its station and its pilot."""
    app, station = dashboard(*messages, clock=clock, keys=keys, database=database)
    async with app.run_test(size=size) as pilot:
        await catch_up(pilot)
        yield app, station, pilot


def screen_lines(app: Dashboard) -> list[str]:
    """Return the text of the terminal, row by row."""
    return [strip.text for strip in app.screen._compositor.render_strips(Size(*app.size))]


def screen_text(app: Dashboard) -> str:
    """Return the text of the screen on one line, so that a wrapped sentence is found."""
    return " ".join(" ".join(screen_lines(app)).split())
