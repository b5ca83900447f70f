"""The station's views, sent to watchers as they change."""

from collections.abc import Callable, Mapping

from meterlink.ble.states import RadioState
from meterlink.core.equipment import TestPoint
from meterlink.link.messages import Message
from meterlink.link.pacing import PacedAction
from meterlink.station.config import JudgingConfig
from meterlink.station.diagnosis import VisitDiagnosis
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.station.replacements import replacement_sentences
from meterlink.station.tracker import MeterTracker
from meterlink.station.views import live_view, meters_view, visit_view
from meterlink.station.visit import AcceptedReading, ActiveVisit
from meterlink.station.visit_judge import VisitJudge

# Watchers draw at most ten times a second.
VIEW_INTERVAL = 0.1  # s


class ViewSender:
    """Sends the views of the visit, of the meters and of the live reading with ``send_view``.

    ``dropped`` is ``{address: packets dropped}``. An unchanged view is not sent again: ``send_view`` sees to that. A
    change through a reading is shown after `request`, at most once in `VIEW_INTERVAL`. While ``is_watched()`` is false,
    no view is made; `send_all` brings a new watcher up to date.
    """

    def __init__(
        self,
        visit: ActiveVisit,
        trackers: MeterTrackers,
        visit_judge: VisitJudge,
        send_view: Callable[[Message], None],
        config: JudgingConfig,
        dropped: Mapping[str, int],
        is_watched: Callable[[], bool],
    ) -> None:
        self._visit = visit
        self._trackers = trackers
        self._judge = visit_judge
        self._send_view = send_view
        self._stock = config.stock
        self._dropped = dropped
        self._is_watched = is_watched
        self._radio = RadioState()
        self._diagnosis = VisitDiagnosis(visit)
        self._pace = PacedAction(self.send_all, VIEW_INTERVAL)

    def request(self) -> None:
        """Send all views as soon as `VIEW_INTERVAL` allows, because a reading or a command has changed the state."""
        if self._is_watched():
            self._pace.request()

    def close(self) -> None:
        """Forget a request that is not carried out yet."""
        self._pace.cancel()

    def add_accepted(self, point: TestPoint, accepted: AcceptedReading) -> None:
        """Add a committed reading to the visit and its diagnosis."""
        self._visit.add_accepted(point.key, accepted)
        self._diagnosis.update()

    def update_diagnosis(self) -> None:
        """Take new ratings into account."""
        self._diagnosis.update()

    def set_radio_state(self, state: RadioState) -> None:
        """Record the radio's new state and send it to watchers."""
        self._radio = state
        self.send_meters()

    def send_meters(self) -> None:
        """Send the present state of the meters to watchers."""
        if self._is_watched():
            self._send_meters()

    def _send_meters(self) -> None:
        self._send_view(meters_view(self._radio, self._trackers, self._trackers.names, self._dropped))

    def send_visit(self) -> None:
        """Send the present state of the visit to watchers."""
        if self._is_watched():
            self._send_visit()

    def _send_visit(self) -> None:
        diagnosis = self._diagnosis
        sentences = replacement_sentences(self._visit, self._stock)
        tracker = self._displayed_tracker()
        self._send_view(visit_view(self._visit, tracker, diagnosis.diagnosis, sentences, diagnosis.derived))

    def _displayed_tracker(self) -> MeterTracker | None:
        """Return the tracker to show, with the judgement on its latest reading."""
        tracker = self._trackers.displayed
        if tracker is not None:
            self._judge.judge_latest(tracker)
        return tracker

    def send_all(self) -> None:
        """Send the live reading, the visit with its advice, and the meters, whether somebody watches now or not."""
        tracker = self._displayed_tracker()
        if tracker is not None and (view := live_view(self._visit, tracker)) is not None:
            self._send_view(view)
        self._send_visit()
        self._send_meters()
