"""The settling detector compared with two published tests: ``python -m studies.settling.study``.

Every measurement is simulated, seeded and compared with the display of the simulated meter at rest:

- *false*: an accepted value is more than one digit from the display at rest (of a changing value: the display at rest
  for the value at that moment; of a slow sequence: the counts that its criterion leaves), or a ramp, pick-up or a
  charging capacitor was accepted at all;
- *missed*: no reading was accepted within 30 s after the display came to rest (overloads 45 s, few amps 60 s, slow
  sequences 300 s). Changing values, and parts that the probes left before, do not count. A person is asked about an
  overload, and that counts as accepted; a person who is asked about few counts does not;
- *display at rest*: since the last reading that was more than a digit off (two where the study adds flicker);
- *delay*: from the display at rest to the acceptance, 0 where accepted before; *after contact*: from the first contact.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import click

from meterlink.core.readings import Reading, Status
from meterlink.core.units import resolution_of
from meterlink.settling.detector import SettlingDetector
from meterlink_simulators.display import DisplayState
from studies.settling.cases import RAMP, RAMP_SECONDS, MeasurementCase, ProbeContact, draw_case
from studies.settling.published_detectors import PublishedDetector, RStatistic, VonNeumannRatio
from studies.settling.sequences import SequenceCase, draw_sequence

Case = MeasurementCase | SequenceCase
Feed = Callable[[Reading], Reading | None]


def _meterlink_detector() -> Feed:
    detector = SettlingDetector()

    def feed(reading: Reading) -> Reading | None:
        state = detector.feed(reading)
        return None if state.unproven and reading.status is not Status.OVERLOAD else state.settled_reading

    return feed


METERLINK = "Meterlink"
METHODS: dict[str, Callable[[], Feed]] = {
    METERLINK: _meterlink_detector,
    "R statistic": lambda: PublishedDetector(RStatistic).feed,
    "von Neumann ratio": lambda: PublishedDetector(VonNeumannRatio).feed,
}


@dataclass(slots=True)
class MethodResult:
    """The result of one method for one contact.

    ``settled``: a reading was accepted. ``counts_off`` is the counts between the first accepted display and the display
    at rest, None where no reading was accepted or one of the two is an overload. The module's docstring defines
    ``false_settling``, ``missed``, ``delay`` (s; None for a changing value) and ``after_contact`` (s); without an
    accepted reading both times are None.
    """

    method: str
    number: int
    case: Case
    settled: bool = False
    counts_off: int | None = None
    false_settling: bool = False
    missed: bool = False
    delay: float | None = None
    after_contact: float | None = None


@dataclass(slots=True)
class _ObservedContact:
    """One contact, the time at which its display came to rest, and its results by method."""

    case: Case
    contact: ProbeContact
    results: dict[str, MethodResult]
    display_at_rest: DisplayState
    at_rest_since: float
    seen_at: float = field(default=0.0)

    def observe(self, now: float, reading: Reading) -> None:
        """Record whether the display is at rest."""
        off = count_difference(reading, self.display_at_rest)
        if off is None or off > max(self.case.counts_allowed, 2 if self.case.flicker_rate else 1):
            self.at_rest_since = now + 1 / self.case.rate

    def record_settled(self, method: str, reading: Reading, now: float) -> None:
        """Record an accepted reading; of a second one only whether it is false."""
        result = self.results[method]
        truth = self.case.display_at_rest(self.contact, now) if self.case.changing else self.display_at_rest
        off = count_difference(reading, truth)
        result.false_settling |= off is None or off > self.case.counts_allowed or self.case.drift_rate_at(now) >= RAMP
        if not result.settled:
            result.settled, result.counts_off, result.after_contact = True, off, now - self.contact.begin
            result.delay = None if self.case.changing else max(0.0, now - self.at_rest_since)

    def is_over(self, now: float) -> bool:
        """Return whether the contact is over at ``now``, and mark methods without an accepted reading as missed."""
        if all(result.settled for result in self.results.values()):
            return True
        if self.case.changing:
            return now > self.contact.begin + RAMP_SECONDS
        late = now > self.at_rest_since + self.case.settle_timeout
        for result in self.results.values():
            result.missed = late and not result.settled
        return late


def count_difference(reading: Reading, display: DisplayState) -> int | None:
    """Return the difference of a reading and a display in counts of the coarser; None where either has no value."""
    if reading.digits is None or display.digits is None:
        return 0 if reading.status is Status.OVERLOAD and display.overload else None
    step = max(resolution_of(reading.digits), resolution_of(display.digits))
    return round(abs(reading.digits - display.digits) / step)


def run_case(case: Case, number: int = 0, methods: Iterable[str] = METHODS) -> list[MethodResult]:
    """Return the result of each method for each contact of a case."""
    feeds = {method: METHODS[method]() for method in methods}
    all_results: list[MethodResult] = []
    observed: _ObservedContact | None = None
    for now, contact, reading in case.readings():
        if contact is not None and (observed is None or observed.contact is not contact):
            results = {method: MethodResult(method, number, case) for method in feeds}
            observed = _ObservedContact(case, contact, results, case.display_at_rest(contact, now), now)
            all_results += results.values()
        if reading is not None:
            if contact is not None and observed is not None and not case.changing:
                observed.observe(now, reading)
            for method, feed in feeds.items():
                accepted = feed(reading)
                if accepted is not None and observed is not None:
                    observed.record_settled(method, accepted, now)
        if observed is not None and observed.is_over(now) and observed.contact is case.contacts[-1]:
            break
    return all_results


def run_study(runs: int, seed: int = 1, methods: Iterable[str] = METHODS) -> list[MethodResult]:
    """Return the results of ``runs`` measurements; the same seed gives the same measurements."""
    methods = tuple(methods)
    return [result for number in range(runs) for result in run_case(draw_case(seed, number), number, methods)]


def sequences_beside(runs: int) -> int:
    """Return the number of sequences that are run beside so many measurements."""
    return max(8, runs // 4)


def run_sequences(runs: int, seed: int = 1, methods: Iterable[str] = METHODS) -> list[MethodResult]:
    """Return the results of ``runs`` sequences; the same seed gives the same sequences."""
    methods = tuple(methods)
    return [result for number in range(runs) for result in run_case(draw_sequence(seed, number), number, methods)]


# The table


def _group_of_measurements(group: Callable[[MeasurementCase], str]) -> Callable[[Case], str]:
    return lambda case: group(case) if isinstance(case, MeasurementCase) else ""


# The names of the rows; a sequence has one for its kind only.
_GROUPS: tuple[Callable[[Case], str], ...] = (
    _group_of_measurements(lambda case: case.kind),
    _group_of_measurements(lambda case: f"{case.spec.counts} counts"),
    _group_of_measurements(lambda case: f"{case.spec.rate:g} refreshes a second"),
    _group_of_measurements(
        lambda case: "last digit flickers by one more" if case.flicker_rate else "rounding and noise of 0.3 count"
    ),
    _group_of_measurements(
        lambda case: (
            "link lost or display blank for a while"
            if any(case.disconnected + case.blank)
            else "link and display whole"
        )
    ),
    _group_of_measurements(lambda _: "**all**"),
    lambda case: "" if isinstance(case, MeasurementCase) else case.kind,
    lambda case: "" if isinstance(case, MeasurementCase) else "**all sequences**",
)


def markdown_table(results: Iterable[MethodResult]) -> list[str]:
    """Return the lines of a Markdown table: by kind of measurement, by display, by disturbance, and over all.

    Times are in s, as median (95 % of all).
    """
    results = list(results)
    methods = list(dict.fromkeys(result.method for result in results))
    heads = [f"{method}: {figure}" for method in methods for figure in ("false", "missed", "delay")]
    ours = [f"{METERLINK}: one count off", f"{METERLINK}: after contact"] if METERLINK in methods else []
    lines = [f"| | contacts | {' | '.join(heads + ours)} |", "|---" + "|--:" * (len(heads + ours) + 1) + "|"]
    for group in _GROUPS:
        rows: dict[str, list[MethodResult]] = defaultdict(list)
        for result in results:
            if name := group(result.case):
                rows[name].append(result)
        # Numbers sort by length first, so that 10 follows 5.
        names = sorted(rows, key=lambda name: (len(name) if name[0].isdigit() else 0, name))
        lines += [f"| {name} | {' | '.join(_cells(rows[name], methods))} |" for name in names]
    return lines


def _cells(results: list[MethodResult], methods: list[str]) -> list[str]:
    cells = [str(len(results) // len(methods))]
    for method in methods:
        own = [result for result in results if result.method == method]
        cells += [
            str(sum(result.false_settling for result in own)),
            str(sum(result.missed for result in own)),
            _times(result.delay for result in own),
        ]
    own = [result for result in results if result.method == METERLINK]
    if own:
        cells += [
            str(sum(result.counts_off == 1 for result in own)),
            _times(result.after_contact for result in own),
        ]
    return cells


def _times(seconds: Iterable[float | None]) -> str:
    times = sorted(time for time in seconds if time is not None)
    return " ".join(form.format(times[int(share * (len(times) - 1))]) for share, form in _QUANTILES) if times else "–"


_QUANTILES = ((0.5, "{:.1f}"), (0.95, "({:.1f})"))


@click.command()
@click.option("--runs", default=1000, show_default=True, type=click.IntRange(min=1), help="Number of measurements.")
@click.option("--seed", default=1, show_default=True, help="Seed of the measurements.")
def main(runs: int, seed: int) -> None:
    """Compare Meterlink's settling detector with published tests of a steady state, on simulated meters."""
    results = run_study(runs, seed) + run_sequences(sequences_beside(runs), seed)
    click.echo("\n".join(markdown_table(results)))


if __name__ == "__main__":
    main()
