"""Decision rules: how much of the meter's own doubt a verdict must allow for (JCGM 106, ISO 14253-1, ILAC-G8).

Clause numbers and what ISO 14253-1 asks for are from memory.
"""

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from meterlink.core.errors import InputError
from meterlink.core.units import parse_number
from meterlink.core.verdicts import Limits, Verdict

# A guard of one expanded uncertainty is what ISO 14253-1 asks for and ILAC-G8:09/2019 names first (w = U): at most
# 2.5 % of what is accepted at the very edge is out.
DEFAULT_GUARD_FACTOR = Decimal(1)
# ILAC-G8:09/2019 lists guards up to w = 3·U ("6 sigma", from memory); more than that is a slip.
MAX_GUARD_FACTOR = Decimal(3)


class GuardedSide(StrEnum):
    """Which side of a limit is guarded."""

    NEITHER = "simple acceptance"  # JCGM 106, 8.2: the displayed value decides
    ACCEPTANCE = "guarded acceptance"  # JCGM 106, 8.3.2: within only inside the limits shrunk by the guard
    REJECTION = "guarded rejection"  # JCGM 106, 8.3.3: outside only beyond the limits widened by it
    BOTH = "guarded acceptance and rejection"  # ISO 14253-1: neither is said without proof


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """Which side is guarded, and the guard band as a multiple of the expanded uncertainty U at 95 %: w = ``guard``·U.

    What lies between the two is ``undecided``. U is that of the error's own distribution, so with w = U at most 2.5 %
    of what is accepted at the very edge is out, whatever the distribution. The 0.83·U of ISO 14253-1 for 5 % holds
    for a normal one only; a lone rectangle needs 0.95·U.
    """

    guarded_side: GuardedSide = GuardedSide.NEITHER
    guard_factor: Decimal = DEFAULT_GUARD_FACTOR

    def verdict(self, limits: Limits, digits: Decimal, uncertainty: Decimal) -> Verdict:
        """Return within, outside or undecided; ``digits`` and the expanded ``uncertainty`` are in ``limits.unit``.

        The boundary of the acceptance zone is within; that of the rejection zone is not yet outside.
        """
        width = self.guard_factor * uncertainty
        shrink = width if self.guarded_side in {GuardedSide.ACCEPTANCE, GuardedSide.BOTH} else Decimal(0)
        widen = width if self.guarded_side in {GuardedSide.REJECTION, GuardedSide.BOTH} else Decimal(0)
        if _inside(limits, digits, -shrink):
            return Verdict.WITHIN
        return Verdict.UNDECIDED if _inside(limits, digits, widen) else Verdict.OUTSIDE

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

    ``simple`` and ``guarded`` (both sides) are short for theirs; hyphens may stand for spaces. ``guard`` is the guard
    factor where it is written apart; without either it is 1. InputError for an unknown rule, a factor that is not
    above 0 and at most 3, a factor given twice, or one with simple acceptance, which has none.
    """
    name, _, within = text.strip().lower().replace("-", " ").partition(",")
    name = " ".join(name.split())
    if name not in _SHORT_NAMES and name not in list(GuardedSide):
        raise InputError(f"{text!r} is no decision rule.", f"Use one of: {', '.join(GuardedSide)}.")
    guarded = _SHORT_NAMES.get(name) or GuardedSide(name)
    given = [factor for factor in (within.strip(), guard_factor) if factor]
    if guarded is GuardedSide.NEITHER:
        if given:
            raise InputError("Simple acceptance has no guard band.", "Leave the guard out, or name a guarded rule.")
        return SIMPLE_ACCEPTANCE
    if len(given) == 2:
        raise InputError(f"The guard is given twice: {given[0]} and {given[1]}.", "Give it once.")
    return DecisionRule(guarded, _parse_guard_factor(given[0]) if given else DEFAULT_GUARD_FACTOR)


def _parse_guard_factor(text: str) -> Decimal:
    match = _GUARD_FACTOR.fullmatch(text.strip())
    number = parse_number(match["factor"])[0] if match else Decimal(0)
    if not 0 < number <= MAX_GUARD_FACTOR:
        raise InputError(
            f"{text!r} is no guard factor.", f"Give a number above 0, at most {MAX_GUARD_FACTOR}: 1 is w = U."
        )
    return number
