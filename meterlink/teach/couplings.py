"""AC or DC that people forget to type: entries without it, of a quantity that other entries show with it.

An overload in a state of its own is known by its entry alone. Typed without AC or DC, nothing tells whether the display
had neither (a diode test with open leads) or the person forgot it, as habit may do at every overload. So no number of
such entries teaches it: only an entry with AC or DC does, or a number in the same state.
"""

from collections.abc import Sequence
from dataclasses import replace

from meterlink.core.units import Quantity, quantity_of
from meterlink.profiles.model import Code, Flag, Meaning, Profile
from meterlink.teach.samples import Sample


def quantities_with_coupling(samples: Sequence[Sample]) -> frozenset[Quantity | None]:
    """Return the quantities of which an entry gives AC or DC."""
    return frozenset(sample.displayed.quantity for sample in samples if sample.displayed.coupling is not None)


def leave_out_uncertain_overloads(profile: Profile, samples: Sequence[Sample]) -> tuple[Profile, tuple[str, ...]]:
    """Return ``profile`` without the overloads that may lack AC or DC, and the readings that would make them certain.

    In the profile returned, a frame with such an overload is invalid.
    """
    coupled = quantities_with_coupling(samples)

    def is_uncertain(meaning: Meaning) -> bool:
        of_overload = meaning.flag is Flag.NO_NUMBER and meaning.unit != ""
        return of_overload and meaning.coupling is None and quantity_of(meaning.unit) in coupled

    def certain(code: Code) -> Code:
        meanings = [(at, replace(one, flag=Flag.INVALID) if is_uncertain(one) else one) for at, one in code.meanings]
        return replace(code, meanings=tuple(meanings))

    units = dict.fromkeys(one.unit for code in profile.codes for _, one in code.meanings if is_uncertain(one))
    # Nobody is asked to overload the meter again.
    asked = "corrected to AC or DC if the display showed it; if not, a number of the same function"
    wanted = tuple(f"the entry OL {unit} {asked}" for unit in units)
    return replace(profile, codes=tuple(map(certain, profile.codes))), wanted
