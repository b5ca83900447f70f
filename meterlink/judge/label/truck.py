"""The parts on the truck for a failed capacitor, in one sentence."""

from collections.abc import Sequence

from meterlink.judge.label.rated_part import RatedPart
from meterlink.judge.label.replacement import ReplacementOption, StockEntry, find_replacements

_MOST_NAMED = 3  # a longer list is read in `meterlink judge replacement`


def truck_sentence(component: str, label: RatedPart | None, stock: Sequence[StockEntry]) -> str:
    """Return the parts of ``stock`` that may replace the ``component`` with this ``label``, best first.

    Parts that serve only for a while are named as temporary, beside the part to fetch. Without a label, or without its
    volts, no part is named: one for a lower voltage must not be fitted.
    """
    if label is None:
        return f"Enter the label of the {component}, with its volts: then the parts on the truck are named."
    if label.max_volts is None:
        return f"Read the volts off the {component}, {label}: a part for a lower voltage must not be fitted."
    options = find_replacements(label, stock).options
    lasting = [option for option in options if not option.is_temporary][:_MOST_NAMED]
    temporary = [option for option in options if option.is_temporary][:1]
    if lasting:
        named = "; or ".join(map(_option_text, lasting))
        return " ".join((f"On the truck for the {component}, {label}: {named}.", *lasting[0].remarks))
    if temporary:
        return (
            f"On the truck for the {component}, only as temporary: {_option_text(temporary[0])}. To be fetched:"
            f" {label}."
        )
    return f"None on the truck for the {component}: {label} to be fetched."


def _option_text(option: ReplacementOption) -> str:
    return f"{option.parts_and_places}, {option.method}"
