"""Judgements: verdict, margin and limits."""

from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum

from meterlink.core.questions import Question


class Verdict(StrEnum):
    """The verdict on an accepted reading."""

    WITHIN = "within"
    OUTSIDE = "outside"
    OPEN = "open"
    SHORTED = "shorted"
    NO_CONTACT = "no contact"  # the probes touch nothing: no verdict on the part
    NO_LIMITS = "no limits"  # the test point has no limits yet
    NOTHING_FLOWS = "nothing flows"  # a circuit that should carry current or voltage shows none on this meter
    OVER_RANGE = "over range"  # an overload that proves no fault
    # The meter cannot distinguish within from outside, a guard band holds the value (ISO 14253-1), or a question is
    # open.
    CANNOT_TELL = "cannot tell"


class Margin(StrEnum):
    """Whether the meter's own uncertainty could reverse a verdict of within or outside; no other verdict has one."""

    CLEAR = "clear"
    CLOSE_CALL = "close call"


FAILED_VERDICTS = frozenset({Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED})
"""A part with one of these verdicts has failed, if the measurement was right."""


@dataclass(frozen=True, slots=True)
class Limits:
    """The lowest and highest value that count as within, in ``unit``; None for an open side.

    ``basis`` is their source, ``45 µF ±6 %``. ``nominal`` is the reference of a deviation: the rated value, or the
    middle of two limits.
    """

    low: Decimal | None
    high: Decimal | None
    unit: str
    basis: str
    nominal: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict with the figures behind it.

    ``digits`` is the reading in ``limits.unit`` (None for an overload, and for a value that may be of another function
    than the test point's), ``deviation_percent`` its deviation from ``limits.nominal``. ``expanded_uncertainty`` is the
    half-width, in ``limits.unit``, of the interval that decides the margin; ``accuracy`` is its accuracy line in words.
    ``reason`` is one sentence for a technician.

    ``margin`` is None for a verdict other than within and outside. ``rule`` is the decision rule in words.
    ``probability`` (0 to 1) is the chance that the true value is within the limits (JCGM 106); ``coverage_factor``
    belongs to ``expanded_uncertainty``. Both are None if not worked out. A capacitor's probability counts, beside the
    reading, how such parts are spread; ``prior`` names the source of that knowledge, ``assumed``, and is empty where
    the reading alone counts. ``next_measurement`` is one sentence on the measurement that would settle a close call or
    a verdict of cannot tell; else empty. ``calibration`` describes the calibration of the meter on the day of the
    reading (`meterlink.core.calibration`); it is empty where nothing is known, and never changes a verdict.

    ``question`` is asked where the reading has several meanings: each choice has the judgement that follows from it.
    Until it is answered, the verdict says no more than all of them. ``answer`` is the key of the choice that led to
    this judgement; empty if nothing was asked. ``resolution`` is the display step that an answer gave, in the unit of
    the reading; None for the reading's own.
    """

    verdict: Verdict
    margin: Margin | None
    limits: Limits | None
    digits: Decimal | None
    deviation_percent: Decimal | None
    expanded_uncertainty: Decimal | None
    accuracy: str
    reason: str
    rule: str = "simple acceptance"
    probability: float | None = None
    coverage_factor: float | None = None
    next_measurement: str = ""
    prior: str = ""
    calibration: str = ""
    question: "Question[Judgement] | None" = None
    answer: str = ""
    resolution: Decimal | None = None

    def with_calibration(self, calibration: str) -> "Judgement":
        """Return the judgement with this calibration; those that follow from an answer have it, too."""
        question = self.question
        if question is not None:
            choices = tuple(
                replace(choice, conclusion=choice.conclusion.with_calibration(calibration))
                for choice in question.choices
            )
            question = replace(question, choices=choices)
        return replace(self, calibration=calibration, question=question)
