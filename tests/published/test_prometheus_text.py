"""The state as text for Prometheus: the reference parser of the format reads it, and nothing in it is personal.

The format: text exposition format, version 0.0.4 (prometheus.io/docs/instrumenting/exposition_formats; M). The names
follow its conventions: base units, ``_total`` for counters, ``_bytes``, ``_seconds`` (M). The parser is that of the
format's authors, so each figure is read by other code than ours (C).
"""

import re
from pathlib import Path
from typing import Any

from prometheus_client.parser import text_string_to_metric_families

from meterlink.cli.exposition import exposition
from meterlink.core.equipment import ConnectionState
from meterlink.core.notices import NoticeLevel
from meterlink.link.messages import MeterStatusView, ProblemView, StatusView
from meterlink.settings import DATABASE_FILE
from support.commands import run_command
from support.doc_examples import SEASONS
from support.recorded_visits import store_visits


def meter(name: str, at: str | None) -> MeterStatusView:
    return MeterStatusView(
        name=name, address="00:00:5E:00:53:0A", state=ConnectionState.CONNECTED, detail="", at=at, gaps=2,
        gap_seconds=40.0, lost=13, dropped_packets=0,
    )  # fmt: skip


VIEW = StatusView(
    running=True, version="0.1.0", process=812, station="van-3", data="/data", since="2026-11-02T07:31:00.000Z",
    uptime=2_160_000.5, meters=[meter('clamp "X"\n\\', "2026-11-27T14:05:12.404Z"), meter("hook", None)],
    radio_error="", packets_waiting=3, commits_waiting=1, longest_pause=0.25, broker="online", outbox=12, set_aside=0,
    messages_dropped=5, readings_dropped=7, database_bytes=34_200_000, disk_free_bytes=75_540_000_000,
    bytes_per_day=79_000_000, days_left=956.2, clock_set=None, clock_steps=0,
    problems=[ProblemView(source="disk", level=NoticeLevel.WARNING, text="At Mill Lane bakery the disk fills.")],
)  # fmt: skip


def parsed(text: str) -> dict[str, Any]:
    """Return ``{name of a sample: {labels: value}}`` as the reference parser reads it."""
    samples: dict[str, Any] = {}
    for family in text_string_to_metric_families(text):
        assert family.documentation
        for sample in family.samples:
            samples.setdefault(sample.name, {})[tuple(sorted(sample.labels.items()))] = sample.value
    return samples


def test_the_reference_parser_reads_every_figure() -> None:
    samples = parsed(exposition(VIEW))
    assert samples["meterlink_up"] == {(): 1.0}
    assert samples["meterlink_uptime_seconds"] == {(): 2_160_000.5}
    assert samples["meterlink_problems"] == {(("level", "alarm"),): 0.0, (("level", "warning"),): 1.0}
    assert samples["meterlink_meters"][("state", "connected"),] == 2.0
    assert len(samples["meterlink_meters"]) == len(ConnectionState)
    assert samples["meterlink_meter_newest_reading_timestamp_seconds"] == {(("meter", "1"),): 1_795_788_312.404}
    assert samples["meterlink_meter_gaps"] == {(("meter", "1"),): 2.0, (("meter", "2"),): 2.0}
    assert samples["meterlink_readings_dropped_total"] == {(): 7.0}
    assert samples["meterlink_disk_free_bytes"] == {(): 75_540_000_000.0}
    assert samples["meterlink_broker_up"] == {(): 1.0}
    assert "meterlink_clock_set" not in samples, "unknown is no figure"


def test_counters_and_gauges_are_told_apart() -> None:
    kinds = {family.name: family.type for family in text_string_to_metric_families(exposition(VIEW))}
    assert {name for name, kind in kinds.items() if kind == "counter"} == {
        "meterlink_messages_dropped", "meterlink_readings_dropped"
    }  # fmt: skip
    assert set(kinds.values()) == {"counter", "gauge"}


def test_every_line_has_the_grammar_of_the_format() -> None:
    sample = re.compile(r'[a-z_]+(\{[a-z]+="[a-z0-9 ]+"\})? [0-9.e+]+')
    for line in exposition(VIEW).splitlines():
        assert line.startswith(("# HELP meterlink_", "# TYPE meterlink_")) or sample.fullmatch(line), line
    assert exposition(VIEW).endswith("\n")


def test_no_name_and_no_address_is_in_it() -> None:
    text = exposition(VIEW)
    for personal in ("clamp", "hook", "5E", "van-3", "Mill Lane", "/data", "812"):
        assert personal not in text


def test_without_a_daemon_it_is_down(tmp_path: Path) -> None:
    store_visits(tmp_path / DATABASE_FILE, SEASONS)
    target = tmp_path / "meterlink.prom"
    status, out, err = run_command("status", "--prometheus", str(target), "--data", str(tmp_path))
    assert (status, out, err) == (0, "", "")
    samples = parsed(target.read_text(encoding="utf-8"))
    assert samples["meterlink_up"] == {(): 0.0}
    assert samples["meterlink_problems"][("level", "alarm"),] >= 1
    assert "meterlink_uptime_seconds" not in samples
    assert "meterlink_meters" not in samples
    status, out, err = run_command("status", "--prometheus", "-", "--data", str(tmp_path))
    assert (status, err) == (0, "")
    assert parsed(out)["meterlink_up"] == {(): 0.0}
    status, out, err = run_command("status", "--prometheus", str(tmp_path / "no" / "x"), "--data", str(tmp_path))
    assert (status, out) == (2, "")
    assert err.endswith("Give another file to --prometheus.\n")
    assert run_command("status", "--prometheus", "-", "--json", "--data", str(tmp_path)).status == 2
