"""Decision rules: the share of the meter's uncertainty that a verdict allows for (JCGM 106, ISO 14253-1, ILAC-G8).

Clause numbers and the requirements of ISO 14253-1 are from memory.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from meterlink.core.errors import InputError
from meterlink.core.units import parse_number
from meterlink.core.verdicts import Limits, Verdict

# ISO 14253-1 requires a guard band of one expanded uncertainty, and ILAC-G8:09/2019 names it first (w = U): a value
# accepted at the edge is out of limits with at most 2.5 % probability.
DEFAULT_GUARD_FACTOR = Decimal(1)
# ILAC-G8:09/2019 lists guard bands up to w = 3·U ("6 sigma", from memory); a larger one is a typing error.
MAX_GUARD_FACTOR = Decimal(3)


class GuardedSide(StrEnum):
    """The side of a limit that has a guard band."""

    NEITHER = "simple acceptance"  # JCGM 106, 8.2: the displayed value decides
    ACCEPTANCE = "guarded acceptance"  # JCGM 106, 8.3.2: within only inside the limits narrowed by the guard band
    REJECTION = "guarded rejection"  # JCGM 106, 8.3.3: outside only beyond the limits widened by the guard band
    BOTH = "guarded acceptance and rejection"  # ISO 14253-1: within and outside both need proof


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """The guarded side, and the guard band w = ``guard_factor``·U, U being the expanded uncertainty at 95 %.

    Of a value inside the guard band it ``cannot tell``. U is taken from the error's own distribution, so with w = U a
    value accepted at the edge is out of limits with at most 2.5 % probability for any distribution. The 0.83·U of ISO
    14253-1 for 5 % is for a normal distribution only; a single rectangle needs 0.95·U.
    """

    guarded_side: GuardedSide = GuardedSide.NEITHER
    guard_factor: Decimal = DEFAULT_GUARD_FACTOR

    def verdict(self, limits: Limits, digits: Decimal, uncertainty: Decimal) -> Verdict:
        """Return within, outside or cannot tell; ``digits`` and the expanded ``uncertainty`` are in ``limits.unit``.

        The boundary of the acceptance zone is within; the boundary of the rejection zone is not outside.
        """
        width = self.guard_band(uncertainty)
        narrow = width if self.guarded_side in {GuardedSide.ACCEPTANCE, GuardedSide.BOTH} else Decimal(0)
        widen = width if self.guarded_side in {GuardedSide.REJECTION, GuardedSide.BOTH} else Decimal(0)
        if _inside(limits, digits, -narrow):
            return Verdict.WITHIN
        return Verdict.CANNOT_TELL if _inside(limits, digits, widen) else Verdict.OUTSIDE

    def guard_band(self, uncertainty: Decimal) -> Decimal:
        """Return the width w of the guard band for the expanded ``uncertainty``, in its unit; 0 without a guard.

        This is what a guard factor means in every command.
        """
        return Decimal(0) if self.guarded_side is GuardedSide.NEITHER else self.guard_factor * uncertainty

    def __str__(self) -> str:
        return (
            str(self.guarded_side)
            if self.guarded_side is GuardedSide.NEITHER
            else f"{self.guarded_side}, guard {self.guard_factor:f} U"
        )


def _inside(limits: Limits, digits: Decimal, wider: Decimal) -> bool:
    return (limits.low is None or digits >= limits.low - wider) and (
        limits.high is None or digits <= limits.high + wider
    )


SIMPLE_ACCEPTANCE = DecisionRule()


_GUARD_FACTOR = re.compile(r"(?:guard\s*)?(?P<factor>[0-9.]+)\s*[U×x]?", re.IGNORECASE)
_SHORT_NAMES = {"simple": GuardedSide.NEITHER, "guarded": GuardedSide.BOTH}


def parse_decision_rule(text: str, guard_factor: str | None = None) -> DecisionRule:
    """Return the rule ``text`` names, as `str` writes it: ``guarded acceptance``, ``guarded rejection, guard 0.83 U``.

    ``simple`` is short for simple acceptance, ``guarded`` for both sides; hyphens may replace spaces. ``guard_factor``
    is the factor where it is a text of its own. Without a factor it is 1.

    Raises:
        InputError: the rule is unknown, the factor is not above 0 and at most 3, there are two factors, or simple
            acceptance has one.
    """
    name, _, factor_text = text.strip().lower().replace("-", " ").partition(",")
    name = " ".join(name.split())
    if name not in _SHORT_NAMES and name not in list(GuardedSide):
        raise InputError(f"{text!r} is not a decision rule.", f"Use one of: {', '.join(GuardedSide)}.")
    guarded_side = _SHORT_NAMES.get(name) or GuardedSide(name)
    factors = [factor for factor in (factor_text.strip(), guard_factor) if factor]
    if guarded_side is GuardedSide.NEITHER:
        if factors:
            raise InputError("Simple acceptance has no guard band.", "Leave the guard out, or name a guarded rule.")
        return SIMPLE_ACCEPTANCE
    if len(factors) == 2:
        raise InputError(f"The guard is given twice: {factors[0]} and {factors[1]}.", "Give it once.")
    return DecisionRule(guarded_side, _parse_guard_factor(factors[0]) if factors else DEFAULT_GUARD_FACTOR)


def _parse_guard_factor(text: str) -> Decimal:
    match = _GUARD_FACTOR.fullmatch(text.strip())
    number = parse_number(match["factor"])[0] if match else Decimal(0)
    if not 0 < number <= MAX_GUARD_FACTOR:
        raise InputError(
            f"{text!r} is not a guard factor.", f"Give a number above 0, at most {MAX_GUARD_FACTOR}: 1 is w = U."
        )
    return number
