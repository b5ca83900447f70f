"""The result of teaching: the profile, how sure each function is, and the readings that would help most."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from meterlink.capture.capture_file import DisplayEntry
from meterlink.profiles.model import Profile
from meterlink.teach import limits


@dataclass(frozen=True, slots=True)
class FunctionReport:
    """How sure one function is.

    ``entries`` is the number of its entries. Each of them was held out once while a profile was made from the others:
    ``right`` of them were then decoded as entered, ``not_decoded`` gave no value, ``wrong`` gave another value.
    ``units`` are the units entered. ``suggested_readings`` are readings of this function that would settle a doubt.
    ``settled``: nothing found says that later packets will be refused. ``still_bytes`` never moved in a short
    recording: packets in which one of them moves later are refused. ``one_range``: all entries of a unit have one
    range, and nothing shows that the packets of another one differ.
    """

    function: str
    entries: int
    right: int
    not_decoded: int
    wrong: int
    units: tuple[str, ...]
    suggested_readings: tuple[str, ...] = ()
    settled: bool = True
    still_bytes: tuple[int, ...] = ()
    one_range: bool = False

    @property
    def confidence(self) -> str:
        """How sure the function is, in words."""
        if self.wrong:
            return "not sure: a reading held out came out wrong"
        if self.right >= limits.FEWEST_SURE and not self.not_decoded and self.settled:
            still = (
                f" while {name_bytes(self.still_bytes)} stay{'s' * (len(self.still_bytes) == 1)} as before"
                if self.still_bytes
                else ""
            )
            return f"sure in the one range shown{still}" if self.one_range else f"sure{still}"
        if 2 * self.right >= self.entries:
            return "sure of what was shown"
        return "sure only of states that were shown; more readings would widen it"

    @property
    def held_out(self) -> str:
        """The outcomes of the entries held out: ``11 right, 1 not decoded, 0 wrong``."""
        return f"{self.right} right, {self.not_decoded} not decoded, {self.wrong} wrong"

    def as_object(self) -> dict[str, Any]:
        """Return the fields and ``confidence`` as a JSON object; the three counts are named ``held_out_…``."""
        return {
            "function": self.function,
            "units": list(self.units),
            "entries": self.entries,
            "held_out_right": self.right,
            "held_out_not_decoded": self.not_decoded,
            "held_out_wrong": self.wrong,
            "confidence": self.confidence,
            "one_range": self.one_range,
            "suggested_readings": list(self.suggested_readings),
        }


@dataclass(frozen=True, slots=True)
class Contradiction:
    """An entry that the rest of the capture contradicts.

    ``expected_text`` is the reading that a profile of the other entries decodes instead; empty without one. ``rival``
    is the entry that says so where no other does: one of the two is a slip, and nothing tells which. ``same_display``
    is an entry that was typed as ``expected_text``. ``repeated`` is the entry just before it, if it has the same value:
    the person may have typed that one late.
    """

    entry: DisplayEntry
    expected_text: str = ""
    rival: DisplayEntry | None = None
    same_display: DisplayEntry | None = None
    repeated: DisplayEntry | None = None

    def __str__(self) -> str:
        return f"{_named(self.entry, place_in_capture)} {self.objection(place_in_capture)}"

    def objection(self, place_of: Callable[[DisplayEntry], str]) -> str:
        """Return the objection to the entry, a clause without its name; ``place_of`` gives the place of another one."""
        if self.rival is not None:
            said = f"; by that one, it is {self.expected_text}" if self.expected_text else ""
            return f"contradicts {_named(self.rival, place_of)}, and no other entry shows which one is right{said}"
        said = f": the other entries make it {self.expected_text}" if self.expected_text else ""
        if self.same_display is not None:
            said += f", as was typed ({place_of(self.same_display)})"
        if self.repeated is not None:
            said += f"; it repeats the entry before it ({place_of(self.repeated)})"
        return f"contradicts the others{said}"


def name_bytes(places: Sequence[int]) -> str:
    """Return ``byte 4``, or ``bytes 1, 4 and 5``."""
    *first, last = map(str, places)
    return f"bytes {', '.join(first)} and {last}" if first else f"byte {last}"


def place_in_capture(entry: DisplayEntry) -> str:
    """Return the line of an entry in its file, ``line 12``, or else its time, ``at 7.5 s``."""
    return f"line {entry.line_number}" if entry.line_number else f"at {entry.seconds:g} s"


def _named(entry: DisplayEntry, place_of: Callable[[DisplayEntry], str]) -> str:
    return f"the entry {entry.text!r} ({place_of(entry)})"


@dataclass(frozen=True, slots=True)
class TeachReport:
    """The result of teaching from a capture.

    ``profile`` is None if no profile explains every entry; then ``reason`` is set, and ``contradictions`` names the
    entries that disagree with all others. ``encoding`` describes the encoding of the number, ``framing`` the cutting of
    packets into frames, ``checksum`` the check bytes. ``unused_entries`` have no frame in their window;
    ``near_entries`` are one count off a display that moved: they contradict nothing and teach nothing.
    ``unexplained_bits`` (``"3.7"``: byte 3, bit 7) change while the entries stay the same. Each of
    ``unconfirmed_entries`` is the only one of its range, unit, sign, digit or overload, not read before a second one
    confirms it. ``slow_bytes`` follow time, not the display, and may take any value later; ``pinned_bytes`` seem to,
    but a bit of them that never moved may be something else, so it must not move. ``still_bytes`` never moved in a
    recording of less than an hour, in which a clock or the level of a battery may stand still. Of ``unlabelled_frames``
    (without an entry) the profile reads ``unlabelled_read``. ``stopped``: the search was stopped, and not every entry
    was held out. ``suggested_readings``: the most useful first.
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
    near_entries: tuple[DisplayEntry, ...] = ()
    unexplained_bits: tuple[str, ...] = ()
    unconfirmed_entries: tuple[DisplayEntry, ...] = ()
    slow_bytes: tuple[int, ...] = ()
    pinned_bytes: tuple[int, ...] = ()
    still_bytes: tuple[int, ...] = ()
    unlabelled_frames: int = 0
    unlabelled_read: int = 0
    suggested_readings: tuple[str, ...] = field(default=())
    stopped: bool = False

    @property
    def has_profile(self) -> bool:
        """Whether a profile was found."""
        return self.profile is not None

    def as_object(self) -> dict[str, Any]:
        """Return the report as a JSON object: its fields, and the name and driver of the profile in its place.

        Empty texts are None.
        """
        return {
            "has_profile": self.has_profile,
            "name": self.profile.name if self.profile else None,
            "driver": self.profile.driver.value if self.profile else None,
            "entries": self.entries,
            "frames": self.frames,
            "reason": self.reason or None,
            "encoding": self.encoding or None,
            "framing": self.framing or None,
            "checksum": self.checksum or None,
            "functions": [one.as_object() for one in self.functions],
            "contradictions": [
                {
                    "t": one.entry.seconds,
                    "line": one.entry.line_number,
                    "display": one.entry.text,
                    "expected_text": one.expected_text or None,
                    "rival": None if one.rival is None else _entry_object(one.rival),
                }
                for one in self.contradictions
            ],
            "unused_entries": list(map(_entry_object, self.unused_entries)),
            "near_entries": list(map(_entry_object, self.near_entries)),
            "unexplained_bits": list(self.unexplained_bits),
            "unconfirmed_entries": [
                {"t": one.seconds, "line": one.line_number, "display": one.text} for one in self.unconfirmed_entries
            ],
            "slow_bytes": list(self.slow_bytes),
            "pinned_bytes": list(self.pinned_bytes),
            "still_bytes": list(self.still_bytes),
            "unlabelled_frames": self.unlabelled_frames,
            "unlabelled_read": self.unlabelled_read,
            "stopped": self.stopped,
            "suggested_readings": list(self.suggested_readings),
        }


def _entry_object(entry: DisplayEntry) -> dict[str, Any]:
    return {"t": entry.seconds, "line": entry.line_number, "display": entry.text}
