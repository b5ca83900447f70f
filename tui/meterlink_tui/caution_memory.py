"""Whether the circuits have been isolated or energized since the last accepted reading: then cautions are in full."""

from meterlink.link.messages import VisitView


class CautionMemory:
    """Follows the state of the active test point through a visit.

    A dashboard that has just started knows no earlier state, so for it the state is new.
    """

    def __init__(self) -> None:
        self._visit: tuple[str, str, str] | None = None
        self._state: str | None = None
        self._earlier: frozenset[int] = frozenset()  # the readings accepted before the state changed
        self.state_is_new = True  # no reading was accepted in the present state

    def update(self, visit: VisitView) -> None:
        """Take note of the newest view of the visit."""
        same_visit = (visit["site"], visit["unit"], visit["opened"])
        active = next((point for point in visit["points"] if point["key"] == visit["focus"]), None)
        state = active["state"] if active else None
        accepted = {point["accepted"]["id"]: point["state"] for point in visit["points"] if point["accepted"]}
        if same_visit != self._visit or state != self._state:
            self._visit, self._state, self._earlier = same_visit, state, frozenset(accepted)
        self.state_is_new = not any(
            id_ not in self._earlier and at_state == state for id_, at_state in accepted.items()
        )
