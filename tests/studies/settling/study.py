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
from meterlink.core.units import resolution_of
from meterlink.settling.detector import SettlingDetector
from meterlink_simulators.display import DisplayState
from studies.settling.cases import RAMP, RAMP_SECONDS, MeasurementCase, ProbeContact, draw_case
from studies.settling.published_detectors import PublishedDetector, RStatistic, VonNeumannRatio

SETTLE_TIMEOUT = 30.0  # s after the display has come to rest
BEGIN, END = "<!-- settling study: begin -->", "<!-- settling study: end -->"

Feed = Callable[[Reading], Reading | None]


def _meterlink_detector() -> Feed:
    detector = SettlingDetector()
    return lambda reading: detector.feed(reading).settled_reading


METERLINK = "Meterlink"
METHODS: dict[str, Callable[[], Feed]] = {
    METERLINK: _meterlink_detector,
    "R statistic": lambda: PublishedDetector(RStatistic).feed,
    "von Neumann ratio": lambda: PublishedDetector(VonNeumannRatio).feed,
}


@dataclass(slots=True)
class MethodResult:
    """What one method made of one touch.

    ``off`` is counts between the first held display and the one at rest, None where nothing was held, or where one of
    them is overload. ``held``, ``false`` and ``missed`` are as in the module's words; so are ``wait`` (None for a
    thing that changes) and ``after_touch``, s, None where nothing was held.
    """

    method: str
    number: int
    case: MeasurementCase
    settled: bool = False
    counts_off: int | None = None
    false_settling: bool = False
    missed: bool = False
    delay: float | None = None
    after_contact: float | None = None


@dataclass(slots=True)
class _ObservedContact:
    """One touch, when its display came to rest, and what has been held of it."""

    case: MeasurementCase
    contact: ProbeContact
    results: dict[str, MethodResult]
    display_at_rest: DisplayState
    at_rest_since: float
    seen_at: float = field(default=0.0)

    def observe(self, now: float, reading: Reading) -> None:
        """Note whether the display is at rest."""
        off = count_difference(reading, self.display_at_rest)
        if off is None or off > (2 if self.case.flicker_rate else 1):
            self.at_rest_since = now + 1 / self.case.spec.rate

    def record_settled(self, method: str, reading: Reading, now: float) -> None:
        """Note a hold; of a second one, whether it is false."""
        outcome = self.results[method]
        truth = self.case.display_at_rest(self.contact, now) if self.case.changing else self.display_at_rest
        off = count_difference(reading, truth)
        outcome.false_settling |= off is None or off > 1 or self.case.drift_rate_at(now) >= RAMP
        if not outcome.settled:
            outcome.settled, outcome.counts_off, outcome.after_contact = True, off, now - self.contact.begin
            outcome.delay = None if self.case.changing else max(0.0, now - self.at_rest_since)

    def is_over(self, now: float) -> bool:
        """Whether there is nothing more to see at ``now``; what is owed by then and not held has been missed."""
        if all(outcome.settled for outcome in self.results.values()):
            return True
        if self.case.changing:
            return now > self.contact.begin + RAMP_SECONDS
        late = now > self.at_rest_since + SETTLE_TIMEOUT
        for outcome in self.results.values():
            outcome.missed = late and not outcome.settled
        return late


def count_difference(reading: Reading, display: DisplayState) -> int | None:
    """Return by how many of its own counts a reading differs from a display; None where one has no value."""
    if reading.digits is None or display.digits is None:
        return 0 if reading.status is Status.OVERLOAD and display.overload else None
    step = max(resolution_of(reading.digits), resolution_of(display.digits))
    return round(abs(reading.digits - display.digits) / step)


def run_case(case: MeasurementCase, number: int = 0, methods: Iterable[str] = METHODS) -> list[MethodResult]:
    """Return what each method made of each touch of a case."""
    feeds = {method: METHODS[method]() for method in methods}
    found: list[MethodResult] = []
    watched: _ObservedContact | None = None
    for now, touch, reading in case.readings():
        if touch is not None and (watched is None or watched.contact is not touch):
            outcomes = {method: MethodResult(method, number, case) for method in feeds}
            watched = _ObservedContact(case, touch, outcomes, case.display_at_rest(touch, now), now)
            found += outcomes.values()
        if reading is not None:
            if touch is not None and watched is not None and not case.changing:
                watched.observe(now, reading)
            for method, feed in feeds.items():
                held = feed(reading)
                if held is not None and watched is not None:
                    watched.record_settled(method, held, now)
        if watched is not None and watched.is_over(now) and watched.contact is case.contacts[-1]:
            break
    return found


def run_study(runs: int, seed: int = 1, methods: Iterable[str] = METHODS) -> list[MethodResult]:
    """Return the outcomes of ``runs`` measurements; the same seed gives the same ones."""
    methods = tuple(methods)
    return [outcome for number in range(runs) for outcome in run_case(draw_case(seed, number), number, methods)]


# The table


_GROUPS: tuple[Callable[[MeasurementCase], str], ...] = (
    lambda one: one.kind,
    lambda one: f"{one.spec.counts} counts",
    lambda one: f"{one.spec.rate:g} refreshes a second",
    lambda one: "last digit flickers by one more" if one.flicker_rate else "rounding and noise of 0.3 count",
    lambda one: (
        "link lost or display blank for a while" if any(one.disconnected + one.blank) else "link and display whole"
    ),
    lambda _: "**all**",
)


def markdown_table(results: Iterable[MethodResult]) -> list[str]:
    """Return the lines of a Markdown table: by what is measured, by display, by trouble, and over all.

    Times are s, as median (95 % of all).
    """
    results = list(results)
    methods = list(dict.fromkeys(outcome.method for outcome in results))
    heads = [f"{method}: {what}" for method in methods for what in ("false", "missed", "wait")]
    ours = [f"{METERLINK}: off by one", f"{METERLINK}: after touch"] if METERLINK in methods else []
    lines = [f"| | touches | {' | '.join(heads + ours)} |", "|---" + "|--:" * (len(heads + ours) + 1) + "|"]
    for group in _GROUPS:
        rows: dict[str, list[MethodResult]] = defaultdict(list)
        for outcome in results:
            rows[group(outcome.case)].append(outcome)
        # 10 after 5: numbers by their length first.
        names = sorted(rows, key=lambda name: (len(name) if name[0].isdigit() else 0, name))
        lines += [f"| {name} | {' | '.join(_cells(rows[name], methods))} |" for name in names]
    return lines


def _cells(results: list[MethodResult], methods: list[str]) -> list[str]:
    cells = [str(len(results) // len(methods))]
    for method in methods:
        own = [outcome for outcome in results if outcome.method == method]
        cells += [
            str(sum(outcome.false_settling for outcome in own)),
            str(sum(outcome.missed for outcome in own)),
            _times(outcome.delay for outcome in own),
        ]
    own = [outcome for outcome in results if outcome.method == METERLINK]
    if own:
        cells += [
            str(sum(outcome.counts_off == 1 for outcome in own)),
            _times(outcome.after_contact for outcome in own),
        ]
    return cells


def _times(seconds: Iterable[float | None]) -> str:
    times = sorted(time for time in seconds if time is not None)
    return " ".join(form.format(times[int(share * (len(times) - 1))]) for share, form in _QUANTILES) if times else "–"


_QUANTILES = ((0.5, "{:.1f}"), (0.95, "({:.1f})"))


def replace_between_markers(text: str, lines: Iterable[str]) -> str:
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
    lines = markdown_table(run_study(runs, seed))
    if markdown is None:
        click.echo("\n".join(lines))
        return
    title = f"{runs} measurements, seed {seed}:"
    text = replace_between_markers(markdown.read_text(encoding="utf-8"), [title, "", *lines])
    markdown.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
