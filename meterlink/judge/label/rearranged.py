"""Ratings that the numbers of a label make when one or two of them changed places or lost their unit.

For labels of which no reading uses the numbers: 440 MFD 40 VAC is 40 µF at 440 V.
"""

import re
from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise

from meterlink.judge.label.glued_digits import spell_glued_capacitance
from meterlink.judge.label.usual_values import (
    CapacitorKind,
    is_usual_dual,
    is_usual_rated_volts,
    is_usual_single,
)

# Numbers of one to six digits with the unit of a rating or none; not those in codes, tolerances and frequencies.
_LOOSE = re.compile(
    r"(?<![0-9A-Za-z.,±?])([0-9]{1,6}(?:\.[0-9])?)(?![0-9.,?]|\s*(?:%|Hz))(?=\s*(?:[uµ]F|MFD|V|VAC)?(?![A-Za-z0-9]))",
    re.IGNORECASE,
)
_KEPT = re.compile(r"±\s*[0-9.]+\s*%|[0-9]{2}(?:/[0-9]{2})?\s*Hz(?![A-Za-z])", re.IGNORECASE)  # ±6 %, 50/60 Hz
_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")
_MOST_NUMBERS = 6  # a label with more is typed again rather than guessed at


def rearrange(text: str, kind: CapacitorKind | None) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Yield ``(rating, left_out)``: a usual rating that the numbers of ``text`` make, and the words it does not use.

    A start capacitor (``kind``) has no two sections.
    """
    numbers = _LOOSE.findall(text)
    if len(numbers) > _MOST_NUMBERS:
        return
    kept = " ".join(_KEPT.findall(text))
    words = [word for word in _KEPT.sub(" ", text).split() if _NUMBER.search(word)]
    for at, volts in enumerate(numbers):
        if not is_usual_rated_volts(Decimal(volts)):
            continue
        others = numbers[:at] + numbers[at + 1 :]
        for used, capacitance in _capacitances(others, kind):
            taken = {volts, *(others[place] for place in used)}
            left_out = tuple(word for word in words if not taken.issuperset(_NUMBER.findall(word)))
            yield f"{capacitance} uF {volts} V {kept}", left_out


def _capacitances(numbers: list[str], kind: CapacitorKind | None) -> Iterator[tuple[set[int], str]]:
    for place, (first, second) in enumerate(pairwise(numbers)):
        pair = Decimal(first), Decimal(second)
        if kind is not CapacitorKind.START and is_usual_dual(max(pair), min(pair)):
            yield {place, place + 1}, f"{max(pair)}+{min(pair)}"
    for place, number in enumerate(numbers):
        if is_usual_single(Decimal(number)):
            yield {place}, number
        elif number.isdigit():
            for spelled in spell_glued_capacitance(number):
                yield {place}, spelled
