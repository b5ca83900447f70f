"""What a judgement is made of."""

from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum


class Verdict(StrEnum):
    """What the judge says of a held reading."""

    WITHIN = "within"
    OUTSIDE = "outside"
    OPEN = "open"
    SHORTED = "shorted"
    NO_CONTACT = "no contact"  # the probes touch nothing: not a statement about the part
    NO_LIMITS = "no limits"  # nothing to hold the reading against yet
    # Neither proven within nor proven outside (ISO 14253-1): only a guarded rule says so, never simple acceptance.
    UNDECIDED = "undecided"


class Margin(StrEnum):
    """Whether the meter's own uncertainty could turn the verdict; always a close call where it is undecided."""

    CLEAR = "clear"
    CLOSE_CALL = "close call"


@dataclass(frozen=True, slots=True)
class Limits:
    """Low and high in ``unit``, both within; ``basis`` says where they came from: ``45 µF ±6 %``.

    ``nominal`` is what a deviation is taken from: the rated value, or the middle of two limits.
    """

    low: Decimal | None
    high: Decimal | None
    unit: str
    basis: str
    nominal: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict with what it rests on.

    ``digits`` is the reading in ``limits.unit`` (None for an overload); ``deviation_percent`` is from
    ``limits.nominal``; ``uncertainty`` is the half-width, in ``limits.unit``, of the interval the margin was taken
    with, and ``accuracy`` the accuracy line it came from, in words. ``reason`` is one sentence a technician can read.

    ``rule`` is the decision rule in words. ``probability`` (0 to 1) is that of the true value lying within the limits
    (JCGM 106), and ``k`` the coverage factor behind ``uncertainty``; both None where nothing was worked out.
    ``settle_it`` says in one sentence what would settle a close call; it is empty for a clear one.
    """

    verdict: Verdict
    margin: Margin
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
