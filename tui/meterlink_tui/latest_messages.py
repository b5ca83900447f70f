"""The newest message of each topic, and which topics have changed since the screen was last drawn."""

from typing import cast

from meterlink.link.messages import DiscoveryView, LiveView, Message, MetersView, NoticeView, TeachView, VisitView


class LatestMessages:
    """Keeps one message a topic, so a flood costs memory and drawing time for one frame only."""

    def __init__(self) -> None:
        self._messages: dict[str, Message] = {}
        self._changed: set[str] = set()

    def put(self, message: Message) -> None:
        """Take a message in the place of the one before it of the same topic."""
        self._messages[message["topic"]] = message
        self._changed.add(message["topic"])

    def pop_changed_topics(self) -> set[str]:
        """Return the topics that changed since this was last asked."""
        dirty, self._changed = self._changed, set()
        return dirty

    @property
    def visit(self) -> VisitView | None:
        """The visit, once the station has told of one."""
        return cast("VisitView | None", self._messages.get("visit"))

    @property
    def live(self) -> LiveView | None:
        """The newest reading."""
        return cast("LiveView | None", self._messages.get("live"))

    @property
    def meters(self) -> MetersView | None:
        """The meters on the air."""
        return cast("MetersView | None", self._messages.get("meters"))

    @property
    def notice(self) -> NoticeView | None:
        """The station's own fault, whose text is empty when it has passed."""
        return cast("NoticeView | None", self._messages.get("notice"))

    @property
    def discovery(self) -> DiscoveryView | None:
        """What is on the air, as somebody last asked for it."""
        return cast("DiscoveryView | None", self._messages.get("air"))

    @property
    def teach(self) -> TeachView | None:
        """The meter that is being taught, or was last."""
        return cast("TeachView | None", self._messages.get("teach"))
