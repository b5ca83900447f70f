"""The right answer to a fault, and whether the cause that is said first gives it.

An answer is written from the fault that is put in: the part that has the fault, and the matter with it. It knows no
rules. A cause gives the answer when its sentence names the part and has one of the phrases that a technician uses for
such a fault. Both are words of the trade, in lower case.
"""

from dataclasses import dataclass
from enum import StrEnum

from meterlink.diagnosis.causes import Cause, CauseKind


class Matter(StrEnum):
    """The matter with a part, a supply, or the way in which something was measured."""

    WEAK = "weak"
    OPEN = "open"
    SHORTED = "shorted"
    SHORTED_TURNS = "shorted turns"
    LEAKING = "leaking"
    BAD_CONNECTION = "bad connection"
    WORN_CONTACTS = "worn contacts"
    OPEN_CONTACTS = "contacts that do not close"
    NOTHING_FLOWS = "no current in its circuit"
    GROUNDED = "grounded"
    LOW_INSULATION = "low insulation"
    PROTECTOR_OPEN = "protector open"
    ROTOR_LOCKED = "rotor locked"
    TOO_MANY_AMPS = "too many amps"
    PARTLY_OPEN = "partly open"
    WRONG_PART = "wrong part"
    NO_SUPPLY = "no supply"
    LOST_LEG = "lost leg"
    LOW_SUPPLY = "low supply"
    HIGH_SUPPLY = "high supply"
    SAGGING_SUPPLY = "supply falls under load"
    UNBALANCED_SUPPLY = "unbalanced supply"
    NO_CONTROL_SUPPLY = "no control supply"
    LOW_CONTROL_SUPPLY = "low control supply"
    HIGH_CONTROL_SUPPLY = "wrong tap, or too much control voltage"
    CONTROL_OPEN = "control circuit open"
    TRANSFORMER_OPEN = "transformer or its fuse open"
    LIVE = "live where isolated"
    LIVE_CABINET = "live cabinet"
    LINE_ON_CONTROL = "line voltage on a control coil"
    CHARGED = "charged"
    ACROSS_SECTIONS = "leads across both sections"
    OTHER_SECTION = "probe on the other section"
    SWAPPED = "swapped"
    WRONG_FUNCTION = "wrong function of the meter"
    NOT_ZEROED = "leads not zeroed"
    MIXED_UP = "terminals mixed up"
    OFF_A_PIN = "probe off a pin"
    LOW_BATTERY = "battery low"
    METERS_DISAGREE = "meters disagree"
    CLAMP = "clamp around more than one lead"


# Phrases of a technician. One of them must be in the sentence; "…" stands for any words between.
PHRASES: dict[Matter, tuple[str, ...]] = {
    Matter.WEAK: ("weak", "has failed: below", "too low"),
    Matter.OPEN: ("is open", "are open", "open inside", "burnt through"),
    Matter.SHORTED: ("is shorted", "are shorted"),
    Matter.SHORTED_TURNS: ("shorted turns", "turns are shorted"),
    Matter.LEAKING: ("leak",),
    Matter.BAD_CONNECTION: ("bad connection", "bad joint", "bad contact", "connection is bad", "lead that is off"),
    Matter.WORN_CONTACTS: ("worn", "burnt", "pitted"),
    Matter.OPEN_CONTACTS: ("did not close", "do not close", "are open", "is open"),
    Matter.NOTHING_FLOWS: ("is open", "lead that is off", "no current", "does not run", "carries nothing"),
    Matter.GROUNDED: ("grounded", "to ground", "to the frame"),
    Matter.LOW_INSULATION: ("insulation",),
    Matter.PROTECTOR_OPEN: ("overload…is open", "protector…is open", "protector…open"),
    Matter.ROTOR_LOCKED: ("locked", "does not start", "does not turn", "stalled"),
    Matter.TOO_MANY_AMPS: ("draws more", "draws too", "too much current", "too many amps", "overloaded", "high amps"),
    Matter.PARTLY_OPEN: ("partly", "part of", "some of", "reads high", "too high", "burnt", "element"),
    Matter.WRONG_PART: ("wrong part", "wrong coil", "another voltage", "higher voltage"),
    Matter.NO_SUPPLY: ("no supply voltage", "no voltage at the unit", "no line voltage", "supply is missing"),
    Matter.LOST_LEG: (
        *("leg of the supply is open", "a line is open", "single phase"),
        *("lost", "missing", "a leg", "one leg", "a phase", "one phase"),
    ),
    Matter.LOW_SUPPLY: ("low supply", "supply…is low", "supply…too low", "low line voltage"),
    Matter.HIGH_SUPPLY: ("high supply", "supply…is high", "supply…too high", "high line voltage"),
    Matter.SAGGING_SUPPLY: ("drops under load", "falls under load", "sags"),
    Matter.UNBALANCED_SUPPLY: ("unbalance", "unbalanced", "differ"),
    Matter.NO_CONTROL_SUPPLY: ("no control voltage", "transformer…open", "transformer…no voltage"),
    Matter.LOW_CONTROL_SUPPLY: ("low control voltage", "control voltage…low", "transformer…low"),
    Matter.HIGH_CONTROL_SUPPLY: ("tap", "control voltage…too high", "control voltage…high", "high control voltage"),
    Matter.CONTROL_OPEN: ("control circuit is open", "not energized", "no voltage reaches"),
    Matter.TRANSFORMER_OPEN: ("transformer…open", "no control voltage at its source"),
    Matter.LIVE: ("voltage at", "live", "backfeed", "still connected"),
    Matter.LIVE_CABINET: ("live", "voltage…cabinet", "cabinet…voltage"),
    Matter.LINE_ON_CONTROL: ("line voltage",),
    Matter.CHARGED: ("charged", "charge"),
    Matter.ACROSS_SECTIONS: ("leads were across",),
    Matter.OTHER_SECTION: ("probe…was on",),
    Matter.SWAPPED: ("swapped",),
    Matter.WRONG_FUNCTION: ("not set to", "wrong function"),
    Matter.NOT_ZEROED: ("not zeroed",),
    Matter.MIXED_UP: ("mixed up",),
    Matter.OFF_A_PIN: ("probe was off", "probes touched badly", "probe…off its pin"),
    Matter.LOW_BATTERY: ("battery was low", "battery is low"),
    Matter.METERS_DISAGREE: ("meters disagree",),
    Matter.CLAMP: ("clamp",),
}
# Before these nobody may go on: the answer must be a cause of the kind stop.
STOPS = {Matter.LIVE, Matter.LIVE_CABINET, Matter.LINE_ON_CONTROL, Matter.CHARGED}


@dataclass(frozen=True, slots=True)
class Answer:
    """The right answer: ``part`` is a technician's name for its part, or several separated by ``|``."""

    matter: Matter
    part: str = ""

    def is_given_by(self, cause: Cause) -> bool:
        """Return whether a cause names the part and the matter with it; a stop must be called as one."""
        sentence = cause.title.lower()
        names = [name.strip().lower() for name in self.part.split("|")]
        if not any(_holds(sentence, name) for name in names):
            return False
        if (self.matter in STOPS) != (cause.kind is CauseKind.STOP):
            return False
        return any(_holds(sentence, phrase) for phrase in PHRASES[self.matter])

    def __str__(self) -> str:
        name = self.part.partition("|")[0].strip().replace("…", " ")
        return f"{name}: {self.matter}" if name else str(self.matter)


def _holds(sentence: str, phrase: str) -> bool:
    """Return whether the words of ``phrase``, separated by ``…``, stand in ``sentence`` in their order."""
    position = 0
    for words in phrase.split("…"):
        found = sentence.find(words, position)
        if found < 0:
            return False
        position = found + len(words)
    return True
