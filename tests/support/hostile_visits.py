"""Visits in whose every text somebody tries to break out of a report, each with a harmless twin."""

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from random import Random

from meterlink.core.equipment import Meter, Plan, Site, TestPoint
from meterlink.core.firm import Firm
from meterlink.core.nameplate import UnitFact
from meterlink.core.outcomes import Outcome
from meterlink.core.replacements import Replacement
from meterlink.judge.judging import judge, limits_for
from meterlink.judge.measured_value import MeasuredValue
from meterlink.record.model import Report
from meterlink.record.report import make_report
from meterlink.settings import DATABASE_FILE, load_settings
from meterlink.station.visit_record import read_visit_record
from meterlink.store.reader import Reader
from meterlink.store.rows import (
    AcceptedRow,
    Batch,
    NewConnection,
    NewReplacement,
    ReadingRow,
    UnitLeft,
    VisitDetails,
    VoidRow,
)
from meterlink.store.writer import Writer
from support.recorded_visits import OUTER_TIMEOUT, ManualClock
from support.visit_records import BEGIN, MINUTE, POINTS, make_reading

PAYLOADS = (
    "<script>alert(1)</script>", "</script><script>alert(1)", "<img src=x onerror=alert(1)>", "<svg/onload=alert(1)>",
    '"><iframe src="javascript:alert(1)">', "' onmouseover='alert(1)", "<a href=javascript:alert(1)>x</a>", "<!-- -->",
    "</style><style>*{display:none}", "url(http://198.51.100.7/x.png)", "@import 'http://198.51.100.7/x.css'; ",
    "<base href=//198.51.100.7><meta http-equiv=refresh content=0>", "</bdi></td></tr></table>",
    "]]><![CDATA[", "<?php",
    "&lt;script&gt; &#60;b&#62; &amp;amp; &notin;", "&#x3c;img&#x3e;", "{{7*7}} ${7*7} <%= 7*7 %>", "<form><input>",
    '#panic("x")', '#read("/etc/passwd")', '#import "@preview/evil:1.0.0": *', '#image("/etc/hostname")', '#eval("1")',
    "= heading", "$ x^2 $", "`#raw`", "*bold* _emph_ @ref <label>", "\\ #h(1000cm)", "]#pagebreak()[", "/* // */", "#",
    "'; DROP TABLE visits; --", '" OR 1=1; --', "Robert'); DELETE FROM sites;--", "%s %n %(x)s {0} {report}",
    "| a | b |\n|---|---|\n", "\n# heading\n", "![x](http://198.51.100.7/x.png)",
    "[x](javascript:alert(1))", "```\n```",
    "- item", "1. item", "+ item", "* * *", "---", "===", "> quote", "    code", "http://198.51.100.7/", "~~x~~", "\\|",
    "www.example.org", "<http://198.51.100.7/>", "[^1]: x", "[x]: http://198.51.100.7/",
    "- [ ] x", ":--", "\\", "\\\\|",
    "\u202eesrever\u202c", "\u2066\u2067\u2068\u2069", "\u200f\u200e", "שלום עולם", "مرحبا", "\ufeff", "\u2028\u2029",
    "a\x00b", "\x1b[31m\x1b]0;x\x07", "\x08\x7f\x85\x9b", "".join(map(chr, range(1, 32))), "\ufffe\uffff", "\U000f0000",
    "\U0001f525\U0001f468\u200d\U0001f469\u200d\U0001f467", "e" + "\u0301" * 300, "Z\u0351\u036b\u0343" * 40, "ﷺ" * 50,
    "日本語", "\U00012000", "ﬁ ﬂ", "=cmd|'/c calc'!A1", "x" * 10_000, "<b>" * 3_000, "a b " * 2_500, "W" * 200,
)  # fmt: skip


class Texts:
    """A source of texts for a visit: hostile ones, or their harmless twins. No two are the same, also once cleaned."""

    def __init__(self, seed: int, *, hostile: bool) -> None:
        self._rng = Random(seed)
        self._hostile = hostile
        self._count = 0

    def __call__(self) -> str:
        """Return the next text."""
        self._count += 1
        payloads = [self._rng.choice(PAYLOADS) for _ in range(self._rng.choice((1, 1, 1, 3)))]
        is_first = self._rng.random() < 0.5 and sum(map(len, payloads)) < 500  # a longer one would cut the number off
        if not self._hostile:
            return f"text {self._count}"
        payload = "".join(payloads)
        return f"{payload} {self._count}" if is_first else f"{self._count} {payload}"


def hostile_report(folder: Path, seed: int, *, hostile: bool = True) -> Report:
    """Store a visit in a new database in ``folder``, as a station does, and return the report on it."""
    texts = Texts(seed, hostile=hostile)
    rng = Random(seed)  # the same steps for both twins
    firm = Firm(texts(), texts())
    write_visit(folder / DATABASE_FILE, texts, rng)
    reader = Reader(folder / DATABASE_FILE)
    (stored,) = reader.visits()
    record = read_visit_record(reader, stored, folder, replace(load_settings(folder), firm=firm))
    return make_report(record)


def write_visit(database: Path, texts: Callable[[], str], rng: Random) -> None:
    """Write a visit with texts from ``texts`` in every place that a person or another device fills."""
    clock = ManualClock()
    clock.utc_ns = BEGIN
    writer = Writer(database, station=texts(), clock=clock, boot_id="boot-a", on_alarm=lambda _: None)
    writer.start()
    try:
        points = list(_points(texts, rng))
        site = Site(texts(), texts())
        details = VisitDetails(technician=texts(), job=texts())
        ids = writer.open_visit(site, Plan(texts(), tuple(points)), clock.now(), details).result(OUTER_TIMEOUT)
        connections = [
            writer.open_connection(NewConnection(writer.register_meter(meter).result(OUTER_TIMEOUT), clock.now()))
            for meter in (Meter(texts(), texts()), Meter(texts(), texts()))
        ]
        for fact in UnitFact:
            writer.add_fact(site, fact, texts()).result(OUTER_TIMEOUT)
        for number in range(rng.randint(1, 3)):
            writer.add_note(ids.visit_id, texts()).result(OUTER_TIMEOUT)
            proof = f"Meter proven on a known source: {texts()}"
            writer.add_note(ids.visit_id, proof if number == 0 else texts()).result(OUTER_TIMEOUT)
        writer.add_note(ids.visit_id, texts(), ids.point_ids[points[-1].key]).result(OUTER_TIMEOUT)
        for step in range(rng.randint(3, 9)):
            clock.utc_ns += MINUTE
            point = rng.choice(points[:-1])
            reading = make_reading(point, _display(point, rng), clock.utc_ns)
            row = ReadingRow(reading, rng.choice(connections), ids.visit_id, ids.point_ids[point.key], clock_set=True)
            judgement = judge(point.kind, limits_for(point), MeasuredValue.from_reading(reading))
            judgement = replace(judgement, calibration=texts())
            uid = f"reading {step}"
            writer.submit(Batch(accepted=(AcceptedRow(row, judgement, 1.5, uid),))).result(OUTER_TIMEOUT)
            if rng.random() < 0.3:
                writer.submit(Batch(voids=(VoidRow(uid, texts()),))).result(OUTER_TIMEOUT)
            if step == 1:
                swapped = Replacement(points[0].component, old_rating=texts(), new_rating=texts(), after_number=0)
                new = NewReplacement(swapped, {}, objection=texts())
                writer.replace_part(ids.visit_id, new).result(OUTER_TIMEOUT)
        clock.utc_ns += MINUTE
        left = UnitLeft(power_on=True)
        writer.close_visit(ids.visit_id, clock.now(), rng.choice(list(Outcome)), left).result(OUTER_TIMEOUT)
    finally:
        writer.close()


def _points(texts: Callable[[], str], rng: Random) -> Iterable[TestPoint]:
    part = texts()
    for key, point in POINTS.items():
        yield replace(
            point,
            circuit=texts(),
            component=part if key in {"herm", "fan"} else texts(),
            section=texts() if key in {"herm", "fan"} or rng.random() < 0.3 else "",
            terminals=(texts(), texts()),
        )


def _display(point: TestPoint, rng: Random) -> str:
    """Return the text of a display: in the middle of the limits, at their edge, or outside."""
    limits = limits_for(point)
    assert limits is not None
    assert limits.low is not None
    assert limits.high is not None
    value = rng.choice([(limits.low + limits.high) / 2, limits.high, limits.high * 2, limits.low / 2])
    return f"{value:.2f} {limits.unit}"
