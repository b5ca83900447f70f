"""A whole visit at a dashboard, for hands that press keys: in a pilot or in a terminal; the keys are counted."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Protocol

LABEL = "45+5 MFD 440V"
PLACE = "Mill Lane bakery / Condenser 1"
# The plan's questions in their order: 230 or 240 V; a contactor and a capacitor; a capacitor; two poles.
ANSWERS = ("2", "1", "1", "2")


@dataclass(frozen=True, slots=True)
class Measurement:
    """A reading of the visit: ``text`` is typed, or shown by the meter; ``key`` is its test point."""

    key: str
    text: str


# Ten test points; the weak capacitor is replaced, and measured again. Values of a sound unit, invented.
FOUND = (
    Measurement("supply-volts", "241.2 V AC"),
    Measurement("contactor-coil-volts", "24.6 V AC"),
    Measurement("run-capacitor-herm", "38.1"),
)
AFTER_REPAIR = (
    Measurement("run-capacitor-herm", "45.3"),
    Measurement("run-capacitor-fan", "5.03"),
    Measurement("contactor-coil", "11.2"),
    Measurement("compressor-run-winding", "1.4"),
    Measurement("compressor-start-winding", "3.6"),
    Measurement("compressor-both-windings", "5.0"),
    Measurement("compressor-ground", "22 Mohm"),
    Measurement("supply-volts-loaded", "238.9 V AC"),
)


class Hands(Protocol):
    """The hands at a dashboard."""

    async def press(self, *keys: str) -> None:
        """Press keys, by Textual's names for them."""
        ...

    async def write(self, text: str) -> None:
        """Type the characters of a value, a name or a rating."""
        ...

    def screen(self) -> str:
        """Return the text of the screen."""
        ...

    async def until(self, text: str) -> None:
        """Return when the screen shows ``text``."""
        ...


@dataclass(slots=True)
class CountedHands:
    """Hands whose key presses are counted; the characters of values, names and ratings apart."""

    hands: Hands
    keys: list[str] = field(default_factory=list)
    characters: int = 0

    async def press(self, *keys: str) -> None:
        self.keys += keys
        await self.hands.press(*keys)

    async def write(self, text: str) -> None:
        self.characters += len(text)
        await self.hands.write(text)

    def screen(self) -> str:
        return self.hands.screen()

    async def until(self, text: str) -> None:
        await self.hands.until(text)

    def __str__(self) -> str:
        return f"{len(self.keys)} key presses ({' '.join(self.keys)}) and {self.characters} characters"


Measure = Callable[[CountedHands, Measurement], Awaitable[None]]


async def type_reading(hands: CountedHands, measurement: Measurement) -> None:
    """Type a reading: Enter, its characters, Enter."""
    await hands.press("enter")
    await hands.until("What does the meter show")
    await hands.write(measurement.text)
    await hands.press("enter")


async def arrive_at_known_unit(hands: CountedHands) -> None:
    """Begin a visit at the unit that was visited last."""
    await hands.press("v")
    await hands.until("Mill Lane bakery / Condenser 1: last visit")
    await hands.press("enter")
    await hands.until("0 of ")


async def arrive_at_new_unit(hands: CountedHands) -> None:
    """Begin the first visit at a unit, and answer the questions about the machine."""
    await hands.press("v")
    await hands.until("Where are you?")
    await hands.write(PLACE)
    await hands.until(": new")
    await hands.press("enter")
    await hands.until("What kind of unit is Condenser 1?")
    await hands.press("enter")
    for words, answer in zip(
        ("Which service", "What drives", "What kind of motor", "How many poles"), ANSWERS, strict=True
    ):
        await hands.until(words)
        await hands.press(answer)
    await hands.until("0 of 29 accepted")


async def work(hands: CountedHands, measure: Measure, *, type_label: bool = False) -> None:
    """Measure ten points, replace the capacitor by one with the same label, measure it again, and close the visit.

    With ``type_label`` the label of the capacitor is typed before it is measured.
    """
    for measurement in FOUND:
        if type_label and measurement.key == "run-capacitor-herm":
            await hands.press("t")
            await hands.until("What is marked on the")
            await hands.write(LABEL)
            await hands.press("enter")
            await hands.until("45 µF ±6 %")
        await measure(hands, measurement)
    await hands.until("OUTSIDE")
    await hands.press("x")
    await hands.until("is replaced: what is marked on the new part?")
    await hands.press("enter")
    await hands.until("2 of ")  # the reading of the old part counts no more
    for measurement in AFTER_REPAIR:
        await measure(hands, measurement)
    await leave(hands)


async def leave(hands: CountedHands) -> None:
    """Close the visit: repaired, power restored, covers on."""
    await hands.press("v")
    await hands.until("close this visit")
    await hands.press("enter")
    await hands.until("The outcome")
    await hands.press("enter")
    await hands.until("How is the unit left")
    await hands.press("enter")
    await hands.until("No visit is open")
