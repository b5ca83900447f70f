"""The present notices of a station: of several, watchers see the most severe one."""

import logging
from collections.abc import Callable

from meterlink.core.notices import NoticeLevel
from meterlink.link.messages import Message, NoticeView, Topic

log = logging.getLogger(__name__)


class Notices:
    """Keeps one notice for each source, and logs each that is new. ``on_change`` is called after each report."""

    def __init__(self, send_view: Callable[[Message], None], on_change: Callable[[], None]) -> None:
        self._send_view = send_view
        self._on_change = on_change
        self.present: dict[str, NoticeView] = {}

    def report(self, source: str, level: NoticeLevel, text: str) -> None:
        """Record the notice of ``source``, an empty text for none, and send the most severe present one."""
        notice = NoticeView(topic=Topic.NOTICE, level=level, text=text)
        if text and self.present.get(source) != notice:
            log.warning("%s", text)
        self.present[source] = notice
        self._on_change()
        order = (NoticeLevel.ALARM, NoticeLevel.WARNING, NoticeLevel.INFO)
        notices = self.present.values()
        self._send_view(min(notices, key=lambda present: (not present["text"], order.index(present["level"]))))
