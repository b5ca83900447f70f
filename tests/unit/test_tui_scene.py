from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest
from rich.cells import cell_len
from textual.color import Color
from textual.theme import Theme

from meterlink.core.equipment import Site
from meterlink.core.notices import NoticeLevel
from meterlink.core.verdicts import Verdict
from meterlink.link.messages import NoticeView, Topic
from meterlink.plans import load_plan, shipped_plans
from meterlink.station.visit import ActiveVisit
from meterlink_tui.latest_messages import LatestMessages
from meterlink_tui.scene import Alert, Scene, Tone, age_at_receipt, compose_scene, format_age
from meterlink_tui.themes import DARK, LIGHT
from meterlink_tui.widgets.test_points import short_titles, visible_rows

LIMITS = {"low": "42.3", "high": "47.7", "unit": "µF", "basis": "45 µF ±6 %"}


def display_parts(text: str) -> dict[str, str]:
    """Return the fields of a view that belong to the meter's display ``text``."""
    number, _, unit = text.partition(" ")
    status = "overload" if number == "OL" else "ok"
    return {"text": text, "number_text": number, "unit_text": unit, "status": status, "display_mode": "normal"}


def accepted(verdict: str = "within", **more: Any) -> dict[str, Any]:
    return {
        "id": 1, "uid": "r1", **display_parts("43.1 µF"), "digits": "43.1", "verdict": verdict, "margin": "clear",
        "deviation_percent": "-4.22", "reason": "Because.", "accuracy": "", "meter": "Alder", "at": "",
        "settled_in": 1.0,
    } | more  # fmt: skip


def point(key: str, **more: Any) -> dict[str, Any]:
    return {
        "key": key, "title": key, "circuit": "compressor", "component": key, "section": "", "terminals": ["C", "S"],
        "quantity": "capacitance", "state": "energized", "limits": LIMITS, "rating": None, "why": "Why.",
        "caution": f"caution {key}", "accepted": None, "repeats": 0, "kind": "capacitor", "label": "",
        "old_part": None, "last": None, "voided": [],
    } | more  # fmt: skip


def visit(*points: dict[str, Any], **more: Any) -> Any:
    return {
        "topic": "visit", "site": "s", "unit": "u", "plan": "p", "opened": "", "points": list(points), "focus": "a",
        "last_accepted": None, "next_point": None, "advice": "advice", "caution": "caution a",
    } | more  # fmt: skip


def live(**more: Any) -> Any:
    return {
        "topic": "live", "meter": "Alder", **display_parts("43.0 µF"), "digits": "43.0", "unit": "µF",
        "quantity": "capacitance", "phase": "settling", "progress": 0.5, "point": "a", "function_matches": True,
        "verdict": "within", "at": "",
    } | more  # fmt: skip


def scene(*messages: Any, age: float | None = 0.0, disconnect_reason: str | None = None) -> Scene:
    latest = LatestMessages()
    for message in messages:
        latest.put(message)
    return compose_scene(latest, age, disconnect_reason)


@pytest.mark.parametrize("verdict", Verdict)
def test_only_an_accepted_verdict_is_final(verdict: Verdict) -> None:
    settling = scene(visit(point("a")), live(verdict=verdict))
    assert (settling.verdict.word, settling.verdict.final, settling.verdict.mark) == (verdict.upper(), False, "…")
    final = scene(visit(point("a", accepted=accepted(verdict))), live(phase="accepted", verdict=verdict))
    assert (final.verdict.word, final.verdict.final) == (verdict.upper(), True)
    assert final.verdict.mark in "✓✗?"


@pytest.mark.parametrize(("display_mode", "word"), [("hold", "DISPLAY HOLD"), ("relative", "RELATIVE")])
def test_a_frozen_or_relative_display_is_a_warning(display_mode: str, word: str) -> None:
    screen = scene(visit(point("a")), live(phase="idle", verdict=None, display_mode=display_mode))
    assert screen.phase.word.startswith(word)
    assert screen.phase.tone is Tone.WARN
    assert screen.value.dim
    assert not screen.verdict.word


def test_only_within_is_good_and_only_faults_of_the_part_are_bad() -> None:
    tones = {verdict: scene(visit(point("a", accepted=accepted(verdict)))).verdict.tone for verdict in Verdict}
    assert [verdict for verdict, tone in tones.items() if tone is Tone.GOOD] == [Verdict.WITHIN]
    assert {verdict for verdict, tone in tones.items() if tone is Tone.BAD} == {
        Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED,
    }  # fmt: skip


def test_a_settling_reading_replaces_the_accepted_one() -> None:
    screen = scene(visit(point("a", accepted=accepted("outside"))), live(verdict="within"))
    assert screen.verdict.word == "WITHIN"
    assert not screen.verdict.final
    assert screen.value.digits == "43.0"


def test_a_reading_is_provisional_until_the_visit_has_accepted_it() -> None:
    assert not scene(visit(point("a")), live(phase="accepted")).verdict.final


def test_the_accepted_value_stays_when_the_probes_are_off() -> None:
    screen = scene(
        visit(point("a", accepted=accepted())), live(phase="idle", **display_parts("0.02 µF"), digits="0.02")
    )
    assert screen.value.digits == "43.1"
    assert screen.phase.word == "ACCEPTED EARLIER"
    assert screen.gauge is not None
    assert str(screen.gauge.reading) == "43.1"


def test_while_on_the_probes_the_point_they_are_on_is_shown_then_the_active_one() -> None:
    points = point("a"), point("b", accepted=accepted())
    assert scene(visit(*points), live(point="b", phase="accepted")).title == "b"
    assert scene(visit(*points), live(point="b", phase="idle")).title == "a"
    assert scene(visit(*points, focus=None, last_accepted="b"), live(point=None, phase="idle")).title == "b"


def test_the_last_accepted_reading_is_displayed_at_the_next_point() -> None:
    screen = scene(
        visit(point("a"), point("b", accepted=accepted(margin="close call")), last_accepted="b"), live(phase="idle")
    )
    assert screen.verdict.reason == "Last accepted: b 43.1 µF, within (close call)."


@pytest.mark.parametrize(("age", "disconnect_reason"), [(2.1, None), (0.0, "It stopped."), (None, None)])
def test_nothing_old_is_shown_as_live(age: float | None, disconnect_reason: str | None) -> None:
    screen = scene(visit(point("a")), live(), age=age, disconnect_reason=disconnect_reason)
    assert screen.value.dim
    assert screen.verdict.word == ""
    assert screen.gauge is not None
    assert screen.gauge.reading is None
    assert "SETTLING" not in screen.phase.word


def test_one_limit_makes_a_scale_and_no_limit_makes_none() -> None:
    assert scene(visit(point("a", limits=None)), live()).gauge is None
    both_open = LIMITS | {"low": None, "high": None}
    assert scene(visit(point("a", limits=both_open)), live()).gauge is None
    gauge = scene(visit(point("a", limits=LIMITS | {"low": None, "basis": "at most 4 A", "high": "4"})), live()).gauge
    assert gauge is not None
    assert (gauge.low, gauge.nominal) == (None, None)


def test_the_nominal_is_drawn_at_the_value_from_the_station() -> None:
    for nominal, drawn in (("45", Decimal(45)), (None, None), ("nonsense", None)):
        screen = scene(visit(point("a", limits=LIMITS | {"nominal": nominal})), live())
        assert screen.gauge is not None
        assert screen.gauge.nominal == drawn


@pytest.mark.parametrize(("progress", "percent"), [(0.0, "0%"), (0.62, "62%"), (1.7, "100%"), (-3.0, "0%")])
def test_progress_stays_between_0_and_100_percent(progress: float, percent: str) -> None:
    assert scene(visit(point("a")), live(progress=progress)).phase.word == f"SETTLING {percent}"


@pytest.mark.parametrize(
    ("rssi", "bars", "word"),
    [(-40, 4, "strong"), (-60, 4, "strong"), (-61, 3, "good"), (-84, 2, "fair"), (-127, 1, "weak")],
)
def test_signal_is_a_word_and_bars(rssi: int, bars: int, word: str) -> None:
    row = {"name": "A", "address": "", "state": "connected", "detail": "", "driver": "", "rssi": rssi, "battery": 15,
           "low_battery": False, "readings": 0, "dropped_packets": 0}  # fmt: skip
    meter = scene({"topic": "meters", "meters": [row], "radio_error": ""}).meters[0]
    assert (meter.signal_bars, meter.signal) == (bars, word)
    assert meter.battery_low, "15 % is a warning"


def test_a_stopped_daemon_is_the_first_alert() -> None:
    latest = LatestMessages()
    latest.put(NoticeView(topic=Topic.NOTICE, level=NoticeLevel.WARNING, text="The broker refused."))
    alerts = compose_scene(latest, None, "It stopped.", Alert("NOT DONE", "No.", Tone.WARN)).alerts
    assert [alert.word for alert in alerts] == ["STOPPED", "WARNING", "NOT DONE"]
    assert "No readings are recorded" in alerts[0].text


def test_only_the_newest_message_of_a_topic_is_kept_and_its_change_returned_once() -> None:
    latest = LatestMessages()
    for text in ("1 V", "2 V", "3 V"):
        latest.put(live(**display_parts(text)))
    assert latest.live is not None
    assert latest.live["text"] == "3 V"
    assert latest.pop_changed_topics() == {"live"}
    assert latest.pop_changed_topics() == set()


def test_age_at_receipt_is_never_negative_and_never_fails() -> None:
    now = round(datetime(2026, 7, 14, 15, 4, 5, tzinfo=UTC).timestamp() * 1e9)
    assert age_at_receipt("2026-07-14T15:04:02.500Z", now) == pytest.approx(2.5)
    assert age_at_receipt("2026-07-14T15:05:00.000Z", now) == 0
    assert [age_at_receipt(text, now) for text in ("", "yesterday", "2026-13-40T99:99:99Z")] == [0, 0, 0]


def test_ages_are_in_the_largest_whole_unit() -> None:
    assert [format_age(age) for age in (2.9, 59.9, 60, 3599, 7300)] == ["2 s", "59 s", "1 min", "59 min", "2 h"]


def test_a_title_is_cut_in_its_middle_by_cells_and_never_in_front() -> None:
    assert short_titles(("run capacitor HERM", "coil"), 12) == ["run ca… HERM", "coil        "]
    wide = "漢字かな" * 4
    assert all(cell_len(short_titles((wide,), width)[0]) == width for width in range(4, 20))
    assert all(short_titles((wide,), width)[0][0] == "漢" for width in range(4, 20))


def test_the_cut_is_where_titles_stay_apart() -> None:
    titles = "condenser fan motor L1–L2 energized", "condenser fan motor L1–L3 energized"
    assert short_titles(titles, 22) == ["condenser …2 energized", "condenser …3 energized"]
    assert short_titles(("fan motor L1–L2 energized", "fan motor L1–L3 energized"), 20)[0] == "fan moto…2 energized"


@pytest.mark.parametrize(
    ("count", "active", "height", "rows"),
    [
        (6, 0, 3, (0, 3)),
        (6, 3, 3, (2, 5)),
        (6, 5, 3, (3, 6)),
        (2, 1, 5, (0, 2)),
        (6, None, 3, (0, 3)),
        (6, 4, 1, (4, 5)),
    ],
)
def test_the_active_point_is_always_in_the_window(
    count: int, active: int | None, height: int, rows: tuple[int, int]
) -> None:
    assert visible_rows(count, active, height) == range(*rows)


def test_points_with_one_title_are_told_apart_in_the_list() -> None:
    points = (
        point("a", title="run capacitor HERM"),
        point("b", title="run capacitor HERM", quantity="voltage"),
        point("c", title="line", quantity="voltage", terminals=["L1", "L2"]),
        point("d", title="line", quantity="voltage", terminals=["L1", "N"]),
        point("e", title="compressor motor", quantity="current"),
    )
    assert [row.title for row in scene(visit(*points)).points] == [
        "run capacitor HERM µF", "run capacitor HERM V", "line V L1–L2", "line V L1–N", "compressor motor",
    ]  # fmt: skip


@pytest.mark.parametrize("width", [16, 26])
@pytest.mark.parametrize("name", shipped_plans())
def test_every_point_of_a_shipped_plan_has_a_row_of_its_own(name: str, width: int) -> None:
    # A technician who goes to a point by the list must not have to guess which of two lines is meant.
    present = ActiveVisit(Site("site", "unit"), load_plan(name), 0, "6 %")
    rows = scene(visit(*map(dict, present.point_views()))).points
    assert len(set(short_titles(tuple(row.title for row in rows), width))) == len(rows)


def _contrast(a: str, b: str) -> float:
    """Contrast ratio of two sRGB colours by the definitions of WCAG 2.2 (from memory)."""

    def luminance(colour: str) -> float:
        parts = (part / 255 for part in Color.parse(colour).rgb)
        r, g, b = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_black_on_white_is_21_to_1() -> None:
    assert _contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("theme", [DARK, LIGHT], ids=lambda theme: theme.name)
def test_text_has_seven_to_one_against_every_background(theme: Theme) -> None:
    colours = theme.variables | {"background": theme.background or "", "panel": theme.panel or ""}
    pairs = [(name, "background") for name in ("strong", "faint", "good", "bad", "warn", "hint")]
    pairs += [("strong", "panel"), ("faint", "panel")]
    pairs += [("on-strong", name) for name in ("strong", "good", "bad", "warn", "hint")]
    low = [pair for pair in pairs if _contrast(colours[pair[0]], colours[pair[1]]) < 7]
    assert low == []
    assert _contrast(colours["line"], colours["background"]) >= 3


def test_a_close_call_says_how_probable_it_is() -> None:
    close = accepted(margin="close call", probability=0.497)
    screen = scene(visit(point("a", accepted=close)), live(phase="accepted"))
    assert screen.verdict.reason == "Because. The part is 50% likely to be within."
    clear = scene(visit(point("a", accepted=accepted(probability=0.999))), live(phase="accepted"))
    assert clear.verdict.reason == "Because."


def test_teaching_is_advised_while_no_meter_can_be_read() -> None:
    unusable = {
        "topic": "meters", "radio_error": "",
        "meters": [{
            "name": "Kestrel", "address": "A", "state": "unusable", "detail": "", "driver": "", "rssi": None,
            "battery": None, "low_battery": False, "readings": 0, "dropped_packets": 0,
        }],
    }  # fmt: skip
    assert scene(visit(point("a")), unusable, age=None).advice.startswith("No driver fits Kestrel. Press m to teach it")
    assert scene(visit(point("a")), unusable, live()).advice == "advice"
    disconnected = scene(visit(point("a")), unusable, age=None, disconnect_reason="It stopped.")
    assert disconnected.advice.startswith("Write readings down by hand")


def test_an_overdue_calibration_stands_with_the_verdict() -> None:
    late = accepted(calibration="calibration overdue since 2026-03-01, certificate K-1047")
    line = scene(visit(point("a", accepted=late)), live(phase="accepted")).verdict
    assert line.reason == "Because. Calibration overdue since 2026-03-01."
    in_time = accepted(calibration="calibrated 2025-03-01, due 2026-03-01")
    assert scene(visit(point("a", accepted=in_time)), live(phase="accepted")).verdict.reason == "Because."


# The earlier value


def last(text: str = "45.1 µF", at: str = "2025-09-14T09:00:00Z", *, of_old_part: bool = False) -> dict[str, Any]:
    return {"text": text, "verdict": "within", "margin": "clear", "at": at, "of_old_part": of_old_part}


@pytest.mark.parametrize(
    ("at", "ago"),
    [
        ("2025-09-14T09:00:00Z", "last 45.1 µF, 14 months ago"),
        ("2023-11-01T09:00:00Z", "last 45.1 µF, 3 years ago"),
        ("2026-11-25T09:00:00Z", "last 45.1 µF, 2 days ago"),
        ("2026-11-26T09:00:00Z", "last 45.1 µF, 1 day ago"),
        ("2026-11-27T08:00:00Z", "last 45.1 µF, today"),
        ("2027-01-01T08:00:00Z", "last 45.1 µF"),  # the clock was set back since
        ("yesterday", "last 45.1 µF"),
    ],
)
def test_the_last_value_stands_beside_the_rating(at: str, ago: str) -> None:
    view = visit(point("a", rating="45 µF ±6 %", last=last(at=at)), opened="2026-11-27T09:30:00Z")
    assert scene(view).specification == f"compressor · 45 µF ±6 % · {ago}"


def test_a_value_of_an_older_part_says_so_and_the_part_before_goes_first() -> None:
    old = visit(point("a", last=last(of_old_part=True)), opened="2026-11-27T09:30:00Z")
    assert scene(old).specification.endswith("last 45.1 µF, 14 months ago, of an older part")
    replaced = visit(point("a", last=last(), old_part=accepted()))
    assert scene(replaced).specification.endswith("· old part 43.1 µF")
