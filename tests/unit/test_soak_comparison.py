"""The comparison at the end of a soak: each thing that is lost or wrong turns it red."""

from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import pytest

from studies.soak.comparison import (
    DATABASE,
    UNEXPLAINED,
    Accepted,
    Evidence,
    Gap,
    Resources,
    holes,
    leaks,
    least,
    most,
    problems,
    rows,
)
from studies.soak.counting_meters import NAMES, Displayed, meter_and_count, volts
from studies.soak.plan import tag_of

HERM, COIL = tag_of("Condenser 1", "herm"), tag_of("Condenser 1", "coil")
TYPED, SHOWN = Accepted("10.01 µF", HERM), Accepted("500.015 V", COIL)
SECOND = 10**9


def evidence() -> Evidence:
    """Return that of a soak in which two readings were accepted, and two displays are missing while a link was lost."""
    accepted = {"a": TYPED, "b": SHOWN}
    shown = [Displayed(count, count * SECOND) for count in range(1, 9)]
    raw = Counter({("Alder", count): 1 for count in (1, 2, 3, 6, 7, 8)})
    return Evidence(
        asked={TYPED.text: HERM, SHOWN.text: COIL},
        acknowledged={"a": TYPED},
        committed=dict(accepted),
        received=dict(accepted),
        raw_committed=raw,
        raw_received=raw.copy(),
        visits_acknowledged={"v"},
        visits_committed={"v"},
        notes_acknowledged={"note 1"},
        notes_committed={"note 1", "note 2"},
        steps_made=1,
        steps_committed=1,
        messages_committed=4,
        messages_received=4,
        displays={"Alder": shown},
        kept={"Alder": {1, 2, 3, 6, 7, 8}},
        gaps={"Alder": [Gap("link lost", 3_500_000_000, 5_500_000_000)]},
    )


def found(given: Evidence) -> list[str]:
    return problems(rows(given))


def test_nothing_is_lost_or_wrong() -> None:
    assert found(evidence()) == []
    # A reading that was committed, and whose daemon was killed before it said so, is no loss.
    assert [row.acknowledged for row in rows(evidence())][:1] == [1]


FAULTS: dict[str, tuple[Callable[[Evidence], object], str]] = {
    "an acknowledged reading is not in the database": (
        lambda given: (given.committed.pop("a"), given.received.pop("a")),
        "accepted readings: 1 lost, 0 wrong",
    ),
    "the consumer lacks an accepted reading": (
        lambda given: given.received.pop("b"),
        "accepted readings: 1 lost, 0 wrong",
    ),
    "the consumer has one that the database lacks": (
        lambda given: given.committed.pop("b"),
        "accepted readings: 1 lost, 0 wrong",
    ),
    "the consumer has an outdated verdict": (
        lambda given: given.committed.update(a=TYPED._replace(revision=2)),
        "accepted readings: 0 lost, 1 wrong",
    ),
    "two tags are swapped for the consumer": (
        lambda given: given.received.update(a=TYPED._replace(tag=COIL), b=SHOWN._replace(tag=HERM)),
        "accepted readings: 0 lost, 4 wrong",
    ),
    "a tag is another unit's everywhere": (
        lambda given: [
            readings.update(b=SHOWN._replace(tag=tag_of("Condenser 2", "coil")))
            for readings in (given.committed, given.received)
        ],
        "accepted readings: 0 lost, 2 wrong",
    ),
    "the daemon acknowledged a reading that it committed as another": (
        lambda given: (
            given.asked.update({"10.02 µF": HERM}),
            given.acknowledged.update(a=TYPED._replace(text="10.02 µF")),
        ),
        "accepted readings: 0 lost, 1 wrong",
    ),
    "a reading is accepted that nobody asked for": (
        lambda given: given.asked.pop(SHOWN.text),
        "accepted readings: 0 lost, 2 wrong",
    ),
    "the consumer lacks a raw reading": (
        lambda given: given.raw_received.pop(("Alder", 7)),
        "raw readings: 1 lost, 0 wrong",
    ),
    "a raw reading is published that is not in the database": (
        lambda given: given.raw_committed.pop(("Alder", 7)),
        "raw readings: 1 lost, 0 wrong",
    ),
    "a raw reading is twice in the database": (
        lambda given: given.raw_committed.update({("Alder", 7): 1}),
        "raw readings: 0 lost, 1 wrong",
    ),
    "a raw reading is at another meter": (
        lambda given: given.raw_received.update({("", 7): given.raw_received.pop(("Alder", 7))}),
        "raw readings: 2 lost, 0 wrong",
    ),
    "a raw reading is at a test point of a capacitor": (
        lambda given: setattr(given, "raw_at_wrong_point", 1),
        "raw readings: 0 lost, 1 wrong",
    ),
    "no gap is recorded where displays are missing": (
        lambda given: setattr(given, "gaps", {}),
        "raw readings: 2 lost, 0 wrong",
    ),
    "a display is missing elsewhere than in the gap": (
        lambda given: given.kept["Alder"].remove(7),
        "raw readings: 1 lost, 0 wrong",
    ),
    "an acknowledged visit is not in the database": (
        lambda given: given.visits_committed.clear(),
        "visits: 1 lost, 0 wrong",
    ),
    "another visit is active after a start": (
        lambda given: setattr(given, "wrong_visits_resumed", 1),
        "visits: 0 lost, 1 wrong",
    ),
    "an acknowledged note is not in the database": (
        lambda given: given.notes_committed.remove("note 1"),
        "notes: 1 lost, 0 wrong",
    ),
    "a step of the clock is not recorded": (
        lambda given: setattr(given, "steps_committed", 0),
        "steps of the clock: 1 lost, 0 wrong",
    ),
    "a step of the clock is recorded that there was not": (
        lambda given: setattr(given, "steps_committed", 2),
        "steps of the clock: 0 lost, 1 wrong",
    ),
    "a message was taken out of the outbox and not received": (
        lambda given: setattr(given, "messages_received", 3),
        "messages: 1 lost, 0 wrong",
    ),
    "a message is left": (
        lambda given: setattr(given, "messages_left", 1),
        "messages: 1 lost, 0 wrong",
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_found(fault: str) -> None:
    inject, expected = FAULTS[fault]
    given = evidence()
    inject(given)
    assert found(given) == [expected]


# The holes


@pytest.mark.parametrize(
    ("gap", "cause"),
    [
        (Gap("link lost", 3_500_000_000, 5_500_000_000), "link lost"),
        (Gap("link lost", 4_500_000_000, 5_500_000_000), "link lost"),  # one was under way when the link broke
        (Gap("link lost", 3_500_000_000, None), "link lost"),  # it lasts
        (Gap("link lost", 1_500_000_000, 2_500_000_000), UNEXPLAINED),  # before the last reading
        (Gap("link lost", 6_500_000_000, 7_500_000_000), UNEXPLAINED),  # after the next one
    ],
)
def test_a_hole_is_explained_by_a_gap_between_the_readings_around_it(gap: Gap, cause: str) -> None:
    given = evidence()
    given.gaps = {"Alder": [gap]}
    assert [(hole.counts, hole.cause) for hole in holes(given)] == [(2, cause)]


def test_what_a_meter_showed_long_before_a_gap_is_not_explained_by_it() -> None:
    given = evidence()
    given.kept = {"Alder": {1, 8}}
    given.gaps = {"Alder": [Gap("link lost", 5_500_000_000, 7_500_000_000)]}
    assert [(hole.counts, hole.cause) for hole in holes(given)] == [(6, UNEXPLAINED)]


def test_the_last_displays_of_a_meter_are_not_forgotten() -> None:
    given = evidence()
    given.kept = {"Alder": {1, 2, 3, 6, 7}}
    assert [(hole.counts, hole.cause) for hole in holes(given)] == [(2, "link lost"), (1, UNEXPLAINED)]


def test_a_display_tells_its_meter_and_its_count() -> None:
    shown = {volts(name, count): (name, count) for name in NAMES for count in range(1, 100_000, 7)}
    assert len(shown) == 2 * len(range(1, 100_000, 7))  # no number is shown twice
    assert all(meter_and_count(int(digits.scaleb(3))) == origin for digits, origin in shown.items())


# The resources

FRESH = Resources(Counter(socket=5, pipe=2, **{DATABASE: 3}), Counter({"Publisher.run": 1, "_repeat_every": 3}), 60)


def test_a_daemon_that_holds_what_a_fresh_one_holds_leaks_nothing() -> None:
    ended = replace(FRESH, tasks=FRESH.tasks - Counter({"_repeat_every": 1}), memory=65)
    reading = replace(FRESH, descriptors=FRESH.descriptors + Counter({DATABASE: 2}))
    assert leaks(FRESH, ended, FRESH) == leaks(FRESH, reading, FRESH) == []


def test_work_that_comes_and_goes_is_no_leak() -> None:
    reading = replace(FRESH, tasks=FRESH.tasks + Counter({"read": 1}), memory=62)
    assert least([FRESH, reading]) == FRESH
    assert most([FRESH, reading]) == reading
    assert leaks(FRESH, least([reading, reading]), most([FRESH, reading])) == []
    assert leaks(FRESH, least([reading, reading]), most([FRESH, FRESH])) == [
        "1 × task read more than in a fresh daemon"
    ]


@pytest.mark.parametrize(
    ("late", "expected"),
    [
        (replace(FRESH, tasks=FRESH.tasks + Counter({"Publisher.run": 1})), "task Publisher.run"),
        (replace(FRESH, tasks=FRESH.tasks + Counter({"another": 2})), "2 × task another"),
        (replace(FRESH, descriptors=FRESH.descriptors + Counter(socket=1)), "descriptor socket"),
        (replace(FRESH, descriptors=FRESH.descriptors + Counter({DATABASE: 40})), "40 × descriptor database"),
        (replace(FRESH, memory=75), "MB"),
    ],
)
def test_each_leak_is_found(late: Resources, expected: str) -> None:
    (sentence,) = leaks(FRESH, late, FRESH)
    assert expected in sentence
