"""The encodings by name: what a scenario's ``encoding`` may say, and what the teaching study goes through."""

from collections.abc import Callable, Mapping

from meterlink_simulators.encoders import Encoder
from meterlink_simulators.encoders.counted import CountedEncoder
from meterlink_simulators.encoders.floating import FloatingEncoder
from meterlink_simulators.encoders.lines import LinesEncoder, PrefixedLinesEncoder
from meterlink_simulators.encoders.packed import PackedEncoder
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.encoders.printed import PrintedEncoder
from meterlink_simulators.encoders.ranged import RangedEncoder
from meterlink_simulators.encoders.segments import DIGITS, MaskedEncoder, SegmentsEncoder

PRESENTED = "presented"

# Encodings of our own; each takes the seed that makes one meter of the family.
ENCODER_FAMILIES: Mapping[str, Callable[[int], Encoder]] = {
    "counted": CountedEncoder,
    "packed": PackedEncoder,
    "floating": FloatingEncoder,
    "printed": PrintedEncoder,
    "ranged": RangedEncoder,
    "segments": SegmentsEncoder,
    "masked": MaskedEncoder,
    "lines": LinesEncoder,
    "prefixed lines": PrefixedLinesEncoder,
}

# Full scale in counts that frames of a family have room for, where a pocket meter may have more.
MOST_COUNTS = {"counted": 60_000, "segments": 10**DIGITS, "masked": 10**DIGITS}


def create_encoder(name: str, variant: int = 0) -> Encoder:
    """Return a fresh encoder: ``presented``, or number ``variant`` of one of the `FAMILIES`; KeyError for no such."""
    return PresentedEncoder() if name == PRESENTED else ENCODER_FAMILIES[name](variant)
