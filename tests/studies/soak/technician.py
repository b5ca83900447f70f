"""A technician who works with the daemon over its local socket, and keeps everything that it has acknowledged."""

import asyncio
import time
from bisect import bisect_right
from collections.abc import Callable
from functools import partial
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from meterlink.core.errors import LinkError
from meterlink.link.client import LinkClient, connect
from meterlink.link.messages import CommandName, Topic
from studies.soak.comparison import Accepted
from studies.soak.counting_meters import ADDRESSES, Displayed
from studies.soak.plan import PINNED, SITE, TYPED, Tag, tag_of

OUTER_LIMIT = 120.0  # s; a limit, not a wait
_LONG = 700  # characters of a note, near the most: five fill a page of the database, and a full disk is soon noticed


class Arrival(NamedTuple):
    """A visit that was begun at a unit, at a time in ns of the machine's monotonic clock."""

    at: int
    unit: str


class Technician:
    """Asks for accepted readings, notes and visits; a dead or deaf daemon leaves the last one unanswered."""

    def __init__(self, folder: Path, plan: Path, rng: Random) -> None:
        self._folder = folder
        self._plan = plan
        self._rng = rng
        self._client: LinkClient | None = None
        self._watching: asyncio.Task[None] | None = None
        self._changed = asyncio.Event()
        self._entries = 1_000
        self._units = 0
        self.views: dict[str, Any] = {}
        self.typed: dict[str, Tag] = {}  # {text: tag}
        self._arrivals: list[Arrival] = []
        self.acknowledged: dict[str, Accepted] = {}
        self.notes: set[str] = set()
        self.visits: dict[str, str] = {}  # {unit: uid}
        self.unit = ""  # of the visit that must be active
        self._beginning: Arrival | None = None  # at the unit of a visit that is not acknowledged yet
        self.wrong_visits_resumed = 0

    # The connection

    async def attach(self, has_ended: Callable[[], bool]) -> bool:
        """Connect to the daemon once it answers; return whether it did, or has ended before."""
        async with asyncio.timeout(OUTER_LIMIT):
            while not has_ended():
                try:
                    self._client = await connect(self._folder)
                except LinkError:
                    await asyncio.sleep(0.02)
                    continue
                self.views = {}
                self._watching = asyncio.create_task(self._watch(self._client))
                try:
                    await self._check_visit()
                except LinkError:
                    await self.detach()
                    continue
                return True
        return False

    async def detach(self) -> None:
        if self._watching is not None:
            self._watching.cancel()
            await asyncio.gather(self._watching, return_exceptions=True)
        if self._client is not None:
            await self._client.close()
        self._client = self._watching = None

    async def read_rest(self) -> None:
        """Read the last messages of a dead daemon."""
        if self._watching is not None:
            await asyncio.gather(self._watching, return_exceptions=True)

    async def _watch(self, client: LinkClient) -> None:
        async for message in client:
            self.views[message["topic"]] = message
            if message["topic"] == Topic.VISIT:
                self._keep(message)
            self._changed.set()
        self._changed.set()

    def _keep(self, view: Any) -> None:
        for point in view["points"]:
            if point["accepted"] is not None:
                tag = Tag(view["unit"], point["circuit"], point["component"], point["section"], point["key"])
                self.acknowledged[point["accepted"]["uid"]] = Accepted(point["accepted"]["text"], tag)

    async def until(self, condition: Callable[[], bool]) -> None:
        """Return when ``condition`` holds after a message.

        Raises:
            LinkError: the daemon has ended.
        """
        async with asyncio.timeout(OUTER_LIMIT):
            while not condition():
                self._changed.clear()
                if self._watching is None or self._watching.done():
                    raise LinkError("The daemon has ended.")
                await self._changed.wait()

    async def send(self, command: CommandName, **fields: Any) -> dict[str, Any]:
        """Send a command that must be carried out; return the data of the reply.

        Raises:
            LinkError: the daemon has ended.
        """
        if self._client is None:
            raise LinkError("The daemon has ended.")
        reply = await self._client.request(command, **fields)
        assert reply["error"] == "", reply["error"]
        return dict(reply["data"])

    # The screen

    async def until_meter(self, name: str, state: str) -> None:
        """Return when a meter is in a state; it is ``lost`` in every one in which it is not connected.

        Raises:
            LinkError: the daemon has ended.
        """
        await self.until(lambda: (self._meter(name).get("state") == "connected") == (state == "connected"))

    def _meter(self, name: str) -> dict[str, Any]:
        meters = self.views[Topic.METERS]["meters"] if Topic.METERS in self.views else []
        return next((dict(meter) for meter in meters if meter["name"] == name), {})

    async def next_display(self) -> None:
        """Return when the screen shows a reading that comes after this call.

        Raises:
            LinkError: the daemon has ended.
        """
        self.views.pop(Topic.LIVE, None)
        await self.until(lambda: Topic.LIVE in self.views)

    def has_alarm(self) -> bool:
        """Whether the screen says that readings are not being saved."""
        return Topic.NOTICE in self.views and "not being saved" in self.views[Topic.NOTICE]["text"]

    # The broker

    async def until_online(self) -> None:
        """Return when the broker is reached.

        Raises:
            LinkError: the daemon has ended.
        """
        async with asyncio.timeout(OUTER_LIMIT):
            while (await self.send(CommandName.PUBLISH_NOW))["broker"] != "online":  # noqa: ASYNC110  # no event tells
                await asyncio.sleep(0.02)

    async def retry_messages(self) -> None:
        """Let the messages that the broker denied be published.

        Raises:
            LinkError: the daemon has ended.
        """
        await self.send(CommandName.RETRY_MESSAGES)

    # Visits

    async def _check_visit(self) -> None:
        """Look which visit is active: the last one that was acknowledged, or one that the daemon died over."""
        await self.send(CommandName.LIST_VISITS)
        await self.until(lambda: Topic.VISITS in self.views and Topic.VISIT in self.views)
        active = {unit["unit"]: unit["visit"] for unit in self.views[Topic.VISITS]["units"] if unit["is_active"]}
        unit = next(iter(active), "")
        if self._beginning is not None and unit == self._beginning.unit:
            self._arrive(self._beginning, active[unit])
        self._beginning = None
        if unit != self.unit or self.views[Topic.VISIT]["unit"] != self.unit:
            self.wrong_visits_resumed += 1

    async def pin_meters(self) -> None:
        """Let each meter measure its test point only, in later visits, too.

        Raises:
            LinkError: the daemon has ended.
        """
        for name, key in PINNED.items():
            await self.until(partial(self._is_read, name))
            await self.send(CommandName.PIN, meter=ADDRESSES[name], point=key)

    def _is_read(self, name: str) -> bool:
        return bool(self._meter(name).get("readings"))

    async def begin_visit(self) -> None:
        self._units += 1
        self._beginning = arrival = Arrival(time.monotonic_ns(), f"Condenser {self._units}")
        data = await self.send(CommandName.BEGIN_VISIT, site=SITE, unit=arrival.unit, plan=str(self._plan))
        self._beginning = None
        self._arrive(arrival, data["visit"])

    def _arrive(self, arrival: Arrival, visit: str) -> None:
        self._arrivals.append(arrival)
        self.unit = arrival.unit
        self.visits[arrival.unit] = visit

    # Readings and notes

    async def work(self) -> None:
        """Ask for one thing, and wait for its acknowledgement."""
        draw = self._rng.random()
        if draw < 0.5:
            await self.type_reading()
        elif draw < 0.85:
            await self.accept_display()
        else:
            await self.note()

    async def type_reading(self) -> None:
        self._entries += 1
        key = self._rng.choice(TYPED)
        text = f"{self._entries / 100:.2f} µF"
        self.typed[text] = tag_of(self.unit, key)
        await self.send(CommandName.ENTER, text=text.replace("µ", "u"), point=key)
        await self.until(lambda: text in self._accepted_texts())

    def _accepted_texts(self) -> set[str]:
        points = self.views[Topic.VISIT]["points"] if Topic.VISIT in self.views else []
        return {point["accepted"]["text"] for point in points if point["accepted"] is not None}

    async def accept_display(self) -> None:
        """Accept the display of a meter, once the screen shows it at its test point.

        The station may go on to the next test point before: its display looks as if the probes were moved.
        """
        key = self._rng.choice([*PINNED.values()])
        shown = None
        while shown != key:
            await self.send(CommandName.ACTIVATE, point=key)
            await self.next_display()
            shown = self.views[Topic.LIVE]["point"]
        before = set(self.acknowledged)
        await self.send(CommandName.ACCEPT)
        await self.until(lambda: bool(self.acknowledged.keys() - before))

    async def note(self) -> None:
        self._entries += 1
        text = f"note {self._entries} {'…' * _LONG}"
        await self.send(CommandName.NOTE, text=text)
        self.notes.add(text)

    def asked(self, displays: dict[str, list[Displayed]], text_of: Callable[[str, int], str]) -> dict[str, Tag]:
        """Return the place of each reading that may be accepted, by its text.

        A display belongs to the test point of its meter, at the last unit where the technician arrived before it.
        """
        asked = dict(self.typed)
        for name, shown in displays.items():
            for display in shown:
                arrived = bisect_right(self._arrivals, display.at, key=lambda arrival: arrival.at)
                if arrived:
                    tag = tag_of(self._arrivals[arrived - 1].unit, PINNED[name])
                    asked[text_of(name, display.number)] = tag
        return asked
