"""The encodings by name, for the ``encoding`` of a scenario and for the teaching study."""

from collections.abc import Callable, Mapping

from meterlink_simulators.encoders import Encoder
from meterlink_simulators.encoders.coded_digits import CodedDigitsEncoder
from meterlink_simulators.encoders.counted import CountedEncoder
from meterlink_simulators.encoders.dropped_digit import DroppedDigitEncoder
from meterlink_simulators.encoders.fine_units import FineUnitsEncoder
from meterlink_simulators.encoders.floating import FloatingEncoder
from meterlink_simulators.encoders.lines import LinesEncoder, PrefixedLinesEncoder
from meterlink_simulators.encoders.packed import PackedEncoder
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.encoders.printed import PrintedEncoder
from meterlink_simulators.encoders.ranged import RangedEncoder
from meterlink_simulators.encoders.segments import DIGITS, MaskedEncoder, SegmentsEncoder
from meterlink_simulators.encoders.split_packets import SplitPacketsEncoder

PRESENTED = "presented"

# Encodings of our own. The seed draws one meter of the family.
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
    "coded digits": CodedDigitsEncoder,
    "fine units": FineUnitsEncoder,
    "dropped digit": DroppedDigitEncoder,
    "split packets": SplitPacketsEncoder,
}

# Full scale, in counts, of the families whose frames have less room than a pocket meter may need.
MOST_COUNTS = {"counted": 60_000, "segments": 10**DIGITS, "masked": 10**DIGITS}


def create_encoder(name: str, variant: int = 0) -> Encoder:
    """Return a fresh encoder: ``presented``, or meter number ``variant`` of one of the `ENCODER_FAMILIES`.

    Raises:
        KeyError: there is no such encoding.
    """
    return PresentedEncoder() if name == PRESENTED else ENCODER_FAMILIES[name](variant)
