"""The result of three resistances between a motor's three terminals."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from meterlink.core.questions import Question
from meterlink.core.verdicts import Verdict


@dataclass(frozen=True, slots=True)
class WindingsResult:
    """The result of three readings.

    ``terminals_by_role`` maps each identified role of a single-phase motor (C, S, R) to the name of its terminal.
    ``sum_error`` is the largest reading minus the sum of the other two, ``sum_uncertainty`` its expanded uncertainty
    from the meter, ``lead_ohms`` the resistance of the leads that the three readings reveal, all in Ω; None where they
    are not known. ``question`` is what must be answered first where the verdict is cannot tell.
    """

    verdict: Verdict
    headline: str
    reason: str
    terminals_by_role: Mapping[str, str] = field(default_factory=dict)
    sum_error: float | None = None
    sum_uncertainty: float | None = None
    lead_ohms: float | None = None
    question: "Question[WindingsResult] | None" = None
