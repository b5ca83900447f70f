"""What teaching came to: the profile, how sure each function is, and which further reading would decide."""

from dataclasses import dataclass, field
from typing import Any

from meterlink.capture.capture_file import DisplayEntry
from meterlink.profiles.model import Profile

_SURE = 8  # readings of one function that came out right while held back; with fewer, words stay careful


@dataclass(frozen=True, slots=True)
class FunctionReport:
    """How sure one function is.

    ``labels`` is how many readings it was taught from. Every one of them was also held back in turn while the profile
    was made of the others: ``right`` of them were then decoded as labelled, ``refused`` gave no value, ``wrong`` gave
    another one. ``units`` are those labelled, ``wanted`` readings of this function that would decide something.
    """

    function: str
    entries: int
    right: int
    not_decoded: int
    wrong: int
    units: tuple[str, ...]
    suggested_readings: tuple[str, ...] = ()

    @property
    def confidence(self) -> str:
        """How sure, in words."""
        if self.wrong:
            return "not sure: a reading held back came out wrong"
        if self.right >= _SURE and not self.not_decoded:
            return "sure"
        if 2 * self.right >= self.entries:
            return "sure of what was shown"
        return "sure only of states that were shown; more readings would widen it"

    def as_object(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "function": self.function,
            "units": list(self.units),
            "labels": self.entries,
            "held_back_right": self.right,
            "held_back_refused": self.not_decoded,
            "held_back_wrong": self.wrong,
            "sure": self.confidence,
            "wanted": list(self.suggested_readings),
        }


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A label that the rest of the capture contradicts; ``instead`` is what the rest says was shown, if it says."""

    entry: DisplayEntry
    expected_text: str = ""

    def __str__(self) -> str:
        where = f"line {self.entry.line_number}" if self.entry.line_number else f"at {self.entry.seconds:g} s"
        said = f": the other labels make it {self.expected_text}" if self.expected_text else ""
        return f"the label {self.entry.text!r} ({where}) contradicts the others{said}"


@dataclass(frozen=True, slots=True)
class TeachReport:
    """What came of a capture.

    ``profile`` is None where nothing explains every label; ``reason`` then says why, and ``contradictions`` which
    labels stand alone. ``encoding`` is how the number is written, in words; ``check`` what the check bytes are,
    ``framing`` how frames are cut. ``unused`` are labels in whose window no frame came. ``varying`` are bits
    (``"3.7"``) that change while the labels say the same. ``wanted`` are readings, the most useful first.
    """

    profile: Profile | None
    entries: int
    frames: int
    reason: str = ""
    encoding: str = ""
    framing: str = ""
    checksum: str = ""
    functions: tuple[FunctionReport, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    unused_entries: tuple[DisplayEntry, ...] = ()
    unexplained_bits: tuple[str, ...] = ()
    suggested_readings: tuple[str, ...] = field(default=())

    @property
    def has_profile(self) -> bool:
        """Whether there is a profile."""
        return self.profile is not None

    def as_object(self) -> dict[str, Any]:
        """Return it as a JSON object; the profile itself is left out."""
        return {
            "accepted": self.has_profile,
            "name": self.profile.name if self.profile else None,
            "driver": self.profile.driver.value if self.profile else None,
            "labels": self.entries,
            "frames": self.frames,
            "reason": self.reason or None,
            "encoding": self.encoding or None,
            "framing": self.framing or None,
            "check": self.checksum or None,
            "functions": [one.as_object() for one in self.functions],
            "contradictions": [
                {
                    "t": one.entry.seconds,
                    "line": one.entry.line_number,
                    "shows": one.entry.text,
                    "instead": one.expected_text or None,
                }
                for one in self.contradictions
            ],
            "unused": [{"t": one.seconds, "line": one.line_number, "shows": one.text} for one in self.unused_entries],
            "varying": list(self.unexplained_bits),
            "wanted": list(self.suggested_readings),
        }
