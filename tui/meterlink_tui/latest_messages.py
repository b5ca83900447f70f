"""The newest message of each topic, and the topics that have changed since the screen was last drawn."""

from typing import cast

from meterlink.link.messages import (
    DiscoveryView,
    KnownMetersView,
    LiveView,
    Message,
    MetersView,
    NoticeView,
    TeachView,
    Topic,
    VisitsView,
    VisitView,
)


def _visit_of(visit: VisitView) -> tuple[str, str, str]:
    return visit["site"], visit["unit"], visit["opened"]


class LatestMessages:
    """Keeps one message per topic: a flood of messages needs the memory and the drawing time of one frame."""

    def __init__(self) -> None:
        self._messages: dict[str, Message] = {}
        self._changed: set[str] = set()

    def put(self, message: Message) -> None:
        """Store a message; it replaces the previous message of its topic.

        With another visit the newest reading is dropped: it would stand under the heading of another unit.
        """
        if message["topic"] == Topic.VISIT and self.visit is not None and _visit_of(message) != _visit_of(self.visit):
            self._messages.pop(Topic.LIVE, None)
        self._messages[message["topic"]] = message
        self._changed.add(message["topic"])

    def pop_changed_topics(self) -> set[str]:
        """Return the topics that have changed since the last call."""
        changed, self._changed = self._changed, set()
        return changed

    @property
    def visit(self) -> VisitView | None:
        """The visit; None before the station has sent one."""
        return cast("VisitView | None", self._messages.get(Topic.VISIT))

    @property
    def live(self) -> LiveView | None:
        """The newest reading."""
        return cast("LiveView | None", self._messages.get(Topic.LIVE))

    @property
    def meters(self) -> MetersView | None:
        """The meters on the air."""
        return cast("MetersView | None", self._messages.get(Topic.METERS))

    @property
    def notice(self) -> NoticeView | None:
        """A fault of the station itself; its text is empty after the fault."""
        return cast("NoticeView | None", self._messages.get(Topic.NOTICE))

    @property
    def discovery(self) -> DiscoveryView | None:
        """The devices of the last discovery."""
        return cast("DiscoveryView | None", self._messages.get(Topic.DISCOVERY))

    @property
    def known_meters(self) -> KnownMetersView | None:
        """The meters of the data folder, once they were asked for."""
        return cast("KnownMetersView | None", self._messages.get(Topic.KNOWN_METERS))

    @property
    def teach(self) -> TeachView | None:
        """The meter that is being taught, or was taught last."""
        return cast("TeachView | None", self._messages.get(Topic.TEACH))

    @property
    def visits(self) -> VisitsView | None:
        """The known units and the shipped plans, once they were asked for."""
        return cast("VisitsView | None", self._messages.get(Topic.VISITS))
