"""One reader under test, and the run of many inputs through it."""

import re
import signal
import threading
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import sqrt
from pathlib import Path
from random import Random
from types import FrameType
from typing import Any

from meterlink.core.errors import MeterlinkError

HANG = 5.0  # s of processor time for one input of at most some hundred kilobytes; a reader needs milliseconds
MOST_GROWTH = 12 * 1024  # kB of memory that stays in use; the caches need less
MOST_AT_ONCE = 100 * 1024  # kB beside that, while one input of at most some hundred kilobytes is read
# Fewer inputs say nothing about shares; and in fewer the first input of a kind makes the memory grow, once.
_FEWEST_FOR_SHARES = 100
FEWEST_FOR_MEMORY = 5_000
_MOST_CRASHES = 1_000  # of one reader, then the run ends: they are mostly one
_MOST_KINDS = 500  # of refusals; more are counted together, so that the study itself needs little memory
_LONGEST_KIND = 90  # characters
_LONGEST_INPUT = 1_500  # characters of an input that crashed
_FAR_OFF = 5  # standard deviations
_QUOTED = re.compile(r"'[^']*'|\"[^\"]*\"|[0-9]+|…")


@dataclass(frozen=True, slots=True)
class Target:
    """A reader, and the inputs that it gets.

    ``draw`` returns an input, the same for the same generator. ``read`` reads it, checks the result against independent
    knowledge, and returns the outcome in a word; it raises a MeterlinkError where the input is refused. Everything else
    that it raises is a crash.

    ``share`` is in percent of the inputs of the family. ``first`` matches the refusals of the first check: at least
    ``least_past`` of the inputs must come past it, and ``least_accepted`` must be accepted. ``chance`` is the share of
    inputs that are accepted by chance at most, where all of them are damaged.
    """

    name: str
    share: float
    draw: Callable[[Random], Any]
    read: Callable[[Any], str]
    first: str = "(?!)"
    least_past: float = 0.5
    least_accepted: float = 0.02
    chance: float | None = None


@dataclass(slots=True)
class Outcome:
    """The numbers of one reader. ``refused`` has the kinds of refusals, ``accepted`` the words of `Target.read`.

    ``crashes`` has the first input that crashed at each place.
    """

    name: str
    inputs: int = 0
    accepted: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    first: int = 0
    crashes: dict[str, str] = field(default_factory=dict)
    crashed: int = 0
    slowest: float = 0.0
    slowest_input: int = 0
    early_memory: int = 0  # kB: after a tenth of the inputs, at the end, and the peak
    memory: int = 0
    peak: int = 0
    seconds: float = 0.0

    @property
    def past_first(self) -> float:
        """The share of inputs that came past the first check."""
        return 1 - self.first / max(self.inputs, 1)

    def problems(self, target: Target) -> Iterator[str]:
        """Yield the reasons why the reader, or the generator of its inputs, is not good enough."""
        yield from self.crashes.values()
        accepted = self.accepted.total()
        if self.inputs < _FEWEST_FOR_SHARES:
            return
        if self.past_first < target.least_past:
            yield f"{self.name}: only {self.past_first:.0%} came past the first check: {self.refused.most_common(5)}"
        if accepted < target.least_accepted * self.inputs:
            yield f"{self.name}: only {accepted} of {self.inputs} were accepted: {self.refused.most_common(5)}"
        if target.chance is not None:
            expected = self.inputs * target.chance
            if accepted > expected + _FAR_OFF * sqrt(expected) + bool(expected):
                yield f"{self.name}: {accepted} of {self.inputs} were accepted, by chance {expected:.1f}"
        if self.inputs >= FEWEST_FOR_MEMORY and self.memory - self.early_memory > MOST_GROWTH:
            yield f"{self.name}: the memory grew from {self.early_memory} to {self.memory} kB"
        if self.inputs >= FEWEST_FOR_MEMORY and self.peak - self.memory > MOST_AT_ONCE:
            yield f"{self.name}: one input takes {self.peak - self.memory} kB"


class RefusedError(MeterlinkError):
    """An input that a reader refuses without an error: a frame that gives no value."""


class HangError(BaseException):
    """An input takes longer than `HANG`. No reader catches it."""


def run_target(target: Target, count: int, seed: int = 0, *, first_number: int = 0) -> Outcome:
    """Give a reader ``count`` inputs; input ``number`` is the same in each run with this seed."""
    outcome = Outcome(target.name)
    is_first = re.compile(target.first)
    began = time.thread_time()
    with _interrupted_after(HANG) as restart:
        for number in range(first_number, first_number + count):
            if outcome.inputs == count // 10:
                outcome.early_memory = _memory("VmRSS")
            outcome.inputs += 1
            entry = target.draw(Random(seed << 40 | number))
            restart()
            begin = time.thread_time()
            try:
                outcome.accepted[target.read(entry)] += 1
            except MeterlinkError as error:
                outcome.first += bool(is_first.search(error.message))
                kind = _kind(error)
                known = kind in outcome.refused or len(outcome.refused) < _MOST_KINDS
                outcome.refused[kind if known else "others"] += 1
            except (Exception, HangError) as error:  # noqa: BLE001  # they are what is searched for
                outcome.crashed += 1
                place = _place_of(error)
                outcome.crashes.setdefault(
                    place, f"{target.name}, input {number}: {place}: {str(error)[:200]}: {repr(entry)[:_LONGEST_INPUT]}"
                )
                if outcome.crashed >= _MOST_CRASHES:
                    break
            taken = time.thread_time() - begin
            if taken > outcome.slowest:
                outcome.slowest, outcome.slowest_input = taken, number
    outcome.memory, outcome.peak = _memory("VmRSS"), _memory("VmHWM")
    outcome.seconds = time.thread_time() - began
    return outcome


def _memory(kind: str) -> int:
    """Return this process's resident memory, or its peak, kB; 0 where the system does not tell it."""
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return 0
    return int(next(line.split()[1] for line in lines if line.startswith(kind)))


def _kind(error: MeterlinkError) -> str:
    """Return the refusal without the words of the input."""
    last = error.message.rpartition("\n")[2] or error.message
    return type(error).__name__ + ": " + _QUOTED.sub("…", last)[:_LONGEST_KIND]


def _place_of(error: BaseException) -> str:
    place = next(reversed(traceback.extract_tb(error.__traceback__)))
    return f"{type(error).__name__} in {Path(place.filename).name}:{place.lineno}"


@contextmanager
def _interrupted_after(seconds: float) -> Iterator[Callable[[], None]]:
    """Yield a function that starts the time of an input; without signals (a thread, Windows) nothing interrupts it."""
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "SIGVTALRM"):
        yield lambda: None
        return

    def interrupt(_number: int, _frame: FrameType | None) -> None:
        raise HangError(f"more than {seconds:.0f} s of processor time")

    before = signal.signal(signal.SIGVTALRM, interrupt)
    try:
        yield lambda: signal.setitimer(signal.ITIMER_VIRTUAL, seconds) and None
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)
