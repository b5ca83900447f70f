"""How well settled readings are told, beside two published tests: ``python -m studies.settling.study``.

Every measurement is simulated, seeded and measured against what the simulated meter would show at rest:

- *false hold*: a held value is more than one digit from the display at rest (of a thing that changes: at rest as
  things are at that moment), or a ramp was held at all;
- *missed*: nothing held within 30 s of the display coming to rest. Of things that change none is owed, nor of a part
  the probes have left before;
- *display at rest*: since its last reading more than a digit off (two where the study lets it flicker);
- *wait*: from the display at rest to the hold, 0 where held before; *after touch*: from the probes' first touch.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import click

from meterlink.core.errors import InputError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import step_of
from meterlink.settling.detector import SettlingDetector
from meterlink_simulators.display import Shown
from studies.settling.cases import RAMP, RAMP_SECONDS, Case, Touch, case
from studies.settling.peers import Peer, RStatistic, VonNeumannRatio

PATIENCE = 30.0  # s after the display has come to rest
BEGIN, END = "<!-- settling study: begin -->", "<!-- settling study: end -->"

Feed = Callable[[Reading], Reading | None]


def _ours() -> Feed:
    detector = SettlingDetector()
    return lambda reading: detector.feed(reading).settled


OURS = "Meterlink"
METHODS: dict[str, Callable[[], Feed]] = {
    OURS: _ours,
    "R statistic": lambda: Peer(RStatistic).feed,
    "von Neumann ratio": lambda: Peer(VonNeumannRatio).feed,
}


@dataclass(slots=True)
class Outcome:
    """What one method made of one touch.

    ``off`` is counts between the first held display and the one at rest, None where nothing was held, or where one of
    them is overload. ``held``, ``false`` and ``missed`` are as in the module's words; so are ``wait`` (None for a
    thing that changes) and ``after_touch``, s, None where nothing was held.
    """

    method: str
    number: int
    case: Case
    held: bool = False
    off: int | None = None
    false: bool = False
    missed: bool = False
    wait: float | None = None
    after_touch: float | None = None


@dataclass(slots=True)
class _Watched:
    """One touch, when its display came to rest, and what has been held of it."""

    case: Case
    touch: Touch
    outcomes: dict[str, Outcome]
    truth: Shown
    rest_at: float
    seen_at: float = field(default=0.0)

    def see(self, now: float, reading: Reading) -> None:
        """Note whether the display is at rest."""
        off = counts_off(reading, self.truth)
        if off is None or off > (2 if self.case.flicker else 1):
            self.rest_at = now + 1 / self.case.spec.rate

    def hold(self, method: str, reading: Reading, now: float) -> None:
        """Note a hold; of a second one, whether it is false."""
        outcome = self.outcomes[method]
        truth = self.case.truth(self.touch, now) if self.case.moving else self.truth
        off = counts_off(reading, truth)
        outcome.false |= off is None or off > 1 or self.case.speed_at(now) >= RAMP
        if not outcome.held:
            outcome.held, outcome.off, outcome.after_touch = True, off, now - self.touch.at
            outcome.wait = None if self.case.moving else max(0.0, now - self.rest_at)

    def over(self, now: float) -> bool:
        """Whether there is nothing more to see at ``now``; what is owed by then and not held has been missed."""
        if all(outcome.held for outcome in self.outcomes.values()):
            return True
        if self.case.moving:
            return now > self.touch.at + RAMP_SECONDS
        late = now > self.rest_at + PATIENCE
        for outcome in self.outcomes.values():
            outcome.missed = late and not outcome.held
        return late


def counts_off(reading: Reading, truth: Shown) -> int | None:
    """Return by how many of its own counts a reading differs from a display; None where one has no value."""
    if reading.digits is None or truth.digits is None:
        return 0 if reading.status is Status.OVERLOAD and truth.overload else None
    step = max(step_of(reading.digits), step_of(truth.digits))
    return round(abs(reading.digits - truth.digits) / step)


def measure(one: Case, number: int = 0, methods: Iterable[str] = METHODS) -> list[Outcome]:
    """Return what each method made of each touch of a case."""
    feeds = {method: METHODS[method]() for method in methods}
    found: list[Outcome] = []
    watched: _Watched | None = None
    for now, touch, reading in one.readings():
        if touch is not None and (watched is None or watched.touch is not touch):
            outcomes = {method: Outcome(method, number, one) for method in feeds}
            watched = _Watched(one, touch, outcomes, one.truth(touch, now), now)
            found += outcomes.values()
        if reading is not None:
            if touch is not None and watched is not None and not one.moving:
                watched.see(now, reading)
            for method, feed in feeds.items():
                held = feed(reading)
                if held is not None and watched is not None:
                    watched.hold(method, held, now)
        if watched is not None and watched.over(now) and watched.touch is one.touches[-1]:
            break
    return found


def study(runs: int, seed: int = 1, methods: Iterable[str] = METHODS) -> list[Outcome]:
    """Return the outcomes of ``runs`` measurements; the same seed gives the same ones."""
    methods = tuple(methods)
    return [outcome for number in range(runs) for outcome in measure(case(seed, number), number, methods)]


# The table


_GROUPS: tuple[Callable[[Case], str], ...] = (
    lambda one: one.kind,
    lambda one: f"{one.spec.counts} counts",
    lambda one: f"{one.spec.rate:g} refreshes a second",
    lambda one: "last digit flickers by one more" if one.flicker else "rounding and noise of 0.3 count",
    lambda one: "link lost or display blank for a while" if any(one.gap + one.blank) else "link and display whole",
    lambda _: "**all**",
)


def table(outcomes: Iterable[Outcome]) -> list[str]:
    """Return the lines of a Markdown table: by what is measured, by display, by trouble, and over all.

    Times are s, as median (95 % of all).
    """
    outcomes = list(outcomes)
    methods = list(dict.fromkeys(outcome.method for outcome in outcomes))
    heads = [f"{method}: {what}" for method in methods for what in ("false", "missed", "wait")]
    ours = [f"{OURS}: off by one", f"{OURS}: after touch"] if OURS in methods else []
    lines = [f"| | touches | {' | '.join(heads + ours)} |", "|---" + "|--:" * (len(heads + ours) + 1) + "|"]
    for group in _GROUPS:
        rows: dict[str, list[Outcome]] = defaultdict(list)
        for outcome in outcomes:
            rows[group(outcome.case)].append(outcome)
        # 10 after 5: numbers by their length first.
        names = sorted(rows, key=lambda name: (len(name) if name[0].isdigit() else 0, name))
        lines += [f"| {name} | {' | '.join(_cells(rows[name], methods))} |" for name in names]
    return lines


def _cells(chosen: list[Outcome], methods: list[str]) -> list[str]:
    cells = [str(len(chosen) // len(methods))]
    for method in methods:
        own = [outcome for outcome in chosen if outcome.method == method]
        cells += [
            str(sum(outcome.false for outcome in own)),
            str(sum(outcome.missed for outcome in own)),
            _times(outcome.wait for outcome in own),
        ]
    own = [outcome for outcome in chosen if outcome.method == OURS]
    if own:
        cells += [
            str(sum(outcome.off == 1 for outcome in own)),
            _times(outcome.after_touch for outcome in own),
        ]
    return cells


def _times(found: Iterable[float | None]) -> str:
    times = sorted(time for time in found if time is not None)
    return " ".join(form.format(times[int(share * (len(times) - 1))]) for share, form in _QUANTILES) if times else "–"


_QUANTILES = ((0.5, "{:.1f}"), (0.95, "({:.1f})"))


def put_between(text: str, lines: Iterable[str]) -> str:
    """Return ``text`` with what is between the two markers replaced; InputError where they are not there."""
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not (begin and end):
        raise InputError("The file has no place for the table.", f"Put {BEGIN} and {END} on lines of their own.")
    return "\n".join([before + BEGIN, "", *lines, "", END + after])


@click.command()
@click.option("--runs", default=1000, show_default=True, type=click.IntRange(min=1), help="Measurements.")
@click.option("--seed", default=1, show_default=True, help="Which ones.")
@click.option(
    "--markdown",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Put the table into this file, between its markers, instead of printing it.",
)
def main(runs: int, seed: int, markdown: Path | None) -> None:
    """Compare Meterlink's settling detector with published tests of a steady state, on simulated meters."""
    lines = table(study(runs, seed))
    if markdown is None:
        click.echo("\n".join(lines))
        return
    title = f"{runs} measurements, seed {seed}:"
    text = put_between(markdown.read_text(encoding="utf-8"), [title, "", *lines])
    markdown.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
