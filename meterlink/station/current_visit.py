"""The visit that is worked on now, which the stages of the station share."""

from dataclasses import dataclass

from meterlink.core.equipment import Plan, Site
from meterlink.judge.decision_rules import DecisionRule
from meterlink.station.visit import ActiveVisit


@dataclass(slots=True, eq=False)
class CurrentVisit:
    """Holds the active visit; `visit` is replaced when another visit begins or is switched to.

    Without a visit it has no site and no test points: readings are kept, and belong to none.
    """

    visit: ActiveVisit

    def require(self) -> ActiveVisit:
        """Return the active visit.

        Raises:
            VisitError: no visit is active.
        """
        self.visit.require_ids()
        return self.visit


def no_visit(capacitor_tolerance: str, rule: DecisionRule) -> ActiveVisit:
    """Return the visit of a station without one: no site, no test points."""
    return ActiveVisit(Site("", ""), Plan("", ()), 0, capacitor_tolerance, rule)
