"""The station's views, sent to watchers as they change."""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from meterlink.ble.states import RadioState
from meterlink.core.equipment import ConnectionState, TestPoint
from meterlink.link.messages import Message, MetersView
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.diagnosis import VisitDiagnosis
from meterlink.station.known_meters import KnownMeters
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.station.replacements import replacement_sentences
from meterlink.station.stops import stop_view
from meterlink.station.views import live_view, meters_view, visit_view
from meterlink.station.visit import AcceptedReading, ActiveVisit

if TYPE_CHECKING:
    from meterlink.judge.label.replacement import StockEntry


class ViewSender:
    """Sends the views of the visit, of the meters and of the live reading with ``send_view``.

    ``dropped`` is ``{address: packets dropped}``. An unchanged view is not sent again: ``send_view`` sees to that. A
    verdict on the reading on the screen is there if the reading was judged before.
    """

    def __init__(
        self,
        current: CurrentVisit,
        trackers: MeterTrackers,
        known: KnownMeters,
        send_view: Callable[[Message], None],
        dropped: Mapping[str, int],
    ) -> None:
        self._current = current
        self._trackers = trackers
        self._known = known
        self._send_view = send_view
        self._stock: tuple[StockEntry, ...] = ()
        self._dropped = dropped
        self._radio = RadioState()
        self._diagnosis = VisitDiagnosis(current.visit)

    def add_accepted(self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading) -> None:
        """Add a committed reading to its visit, and to the diagnosis if that visit is still active."""
        visit.add_accepted(point.key, accepted)
        if visit is self._current.visit:
            self._diagnosis.update()

    def show_current_visit(self) -> None:
        """Diagnose the visit that is active now, after another one."""
        self._diagnosis = VisitDiagnosis(self._current.visit)

    def update_diagnosis(self) -> None:
        """Take new ratings into account."""
        self._diagnosis.update()

    def set_stock(self, stock: "tuple[StockEntry, ...]") -> None:
        """Record the capacitors on the truck."""
        self._stock = stock

    def set_radio_state(self, state: RadioState) -> bool:
        """Record the radio's new state; return whether it changes the advice about the displayed meter."""
        before = self._displayed_connection(), self._radio.error
        self._radio = state
        return (self._displayed_connection(), state.error) != before

    def _displayed_connection(self) -> ConnectionState | None:
        tracker = self._trackers.displayed
        states = {status.address: status.state for status in self._radio.meters}
        return states.get(tracker.address) if tracker is not None else None

    def meters(self) -> MetersView:
        """Return the present state of the meters."""
        return meters_view(self._radio, self._trackers, self._known.name_at, self._dropped)

    def send_meters(self) -> None:
        """Send the present state of the meters to watchers."""
        self._send_view(self.meters())

    def send_all(self) -> None:
        """Send the live reading, the visit with its advice, and the meters."""
        tracker = self._trackers.displayed
        stop = stop_view(self._current.visit, self._trackers)
        if tracker is not None and (view := live_view(self._current.visit, tracker, stop)) is not None:
            self._send_view(view)
        diagnosis = self._diagnosis
        sentences = replacement_sentences(self._current.visit, self._stock)
        beside = self._trackers.beside(tracker)
        self._send_view(
            visit_view(
                self._current.visit,
                tracker,
                diagnosis.diagnosis,
                sentences,
                diagnosis.derived,
                beside,
                self._displayed_connection(),
                self._radio.error,
            )
        )
        self.send_meters()
