"""What teaching came to: the profile, how sure each function is, and which further reading would decide."""

from dataclasses import dataclass, field
from typing import Any

from meterlink.capture.files import Label
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
    labels: int
    right: int
    refused: int
    wrong: int
    units: tuple[str, ...]
    wanted: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """How sure, in words."""
        if self.wrong:
            return "not sure: a reading held back came out wrong"
        if self.right >= _SURE and not self.refused:
            return "sure"
        if 2 * self.right >= self.labels:
            return "sure of what was shown"
        return "sure only of states that were shown; more readings would widen it"

    def as_object(self) -> dict[str, Any]:
        """Return it as a JSON object."""
        return {
            "function": self.function,
            "units": list(self.units),
            "labels": self.labels,
            "held_back_right": self.right,
            "held_back_refused": self.refused,
            "held_back_wrong": self.wrong,
            "sure": self.words,
            "wanted": list(self.wanted),
        }


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A label that the rest of the capture contradicts; ``instead`` is what the rest says was shown, if it says."""

    label: Label
    instead: str = ""

    def __str__(self) -> str:
        where = f"line {self.label.line}" if self.label.line else f"at {self.label.t:g} s"
        said = f": the other labels make it {self.instead}" if self.instead else ""
        return f"the label {self.label.text!r} ({where}) contradicts the others{said}"


@dataclass(frozen=True, slots=True)
class TeachReport:
    """What came of a capture.

    ``profile`` is None where nothing explains every label; ``reason`` then says why, and ``contradictions`` which
    labels stand alone. ``encoding`` is how the number is written, in words; ``check`` what the check bytes are,
    ``framing`` how frames are cut. ``unused`` are labels in whose window no frame came. ``varying`` are bits
    (``"3.7"``) that change while the labels say the same. ``wanted`` are readings, the most useful first.
    """

    profile: Profile | None
    labels: int
    frames: int
    reason: str = ""
    encoding: str = ""
    framing: str = ""
    check: str = ""
    functions: tuple[FunctionReport, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    unused: tuple[Label, ...] = ()
    varying: tuple[str, ...] = ()
    wanted: tuple[str, ...] = field(default=())

    @property
    def accepted(self) -> bool:
        """Whether there is a profile."""
        return self.profile is not None

    def as_object(self) -> dict[str, Any]:
        """Return it as a JSON object; the profile itself is left out."""
        return {
            "accepted": self.accepted,
            "name": self.profile.name if self.profile else None,
            "driver": self.profile.driver.value if self.profile else None,
            "labels": self.labels,
            "frames": self.frames,
            "reason": self.reason or None,
            "encoding": self.encoding or None,
            "framing": self.framing or None,
            "check": self.check or None,
            "functions": [one.as_object() for one in self.functions],
            "contradictions": [
                {"t": one.label.t, "line": one.label.line, "shows": one.label.text, "instead": one.instead or None}
                for one in self.contradictions
            ],
            "unused": [{"t": one.t, "line": one.line, "shows": one.text} for one in self.unused],
            "varying": list(self.varying),
            "wanted": list(self.wanted),
        }
