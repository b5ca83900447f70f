"""The state of a station as text for Prometheus, without names or addresses: the text format, version 0.0.4."""

from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from typing import NamedTuple

from meterlink.core.clock import utc_nanoseconds
from meterlink.core.equipment import ConnectionState
from meterlink.link.messages import StatusView


class Metric(NamedTuple):
    """A metric with its samples, each ``(labels, value)``; one without a sample is left out."""

    name: str
    kind: str  # gauge, or counter
    help: str
    samples: tuple[tuple[dict[str, str], float], ...]


def exposition(view: StatusView) -> str:
    """Return the text; meters are numbered from 1 in the order in which they became known."""
    return "".join(_lines(metric) for metric in _metrics(view) if metric.samples)


def _lines(metric: Metric) -> str:
    name = f"meterlink_{metric.name}"
    lines = [f"# HELP {name} {metric.help}", f"# TYPE {name} {metric.kind}"]
    for labels, value in metric.samples:
        named = ",".join(f'{label}="{text}"' for label, text in labels.items())
        lines.append(f"{name}{{{named}}} {value!r}" if named else f"{name} {value!r}")
    return "\n".join((*lines, ""))


def _metrics(view: StatusView) -> Iterator[Metric]:
    yield _gauge("up", "Whether a daemon runs and answers.", view["running"])
    yield _gauge("uptime_seconds", "Time since the daemon's start.", view["uptime"])
    levels = Counter(str(problem["level"]) for problem in view["problems"])
    yield _labelled("problems", "Present problems.", {level: levels[level] for level in ("alarm", "warning")}, "level")
    if view["radio_error"] is not None:
        yield _gauge("radio_up", "Whether Bluetooth works.", not view["radio_error"])
    if view["running"]:
        states = Counter(meter["state"] for meter in view["meters"] if meter["state"] is not None)
        words = {str(state): states[state] for state in ConnectionState}
        yield _labelled("meters", "Wanted meters.", words, "state")
    meters = {str(number): meter for number, meter in enumerate(view["meters"], 1)}
    newest = {number: _seconds(meter["at"]) for number, meter in meters.items() if meter["at"] is not None}
    yield _labelled("meter_newest_reading_timestamp_seconds", "Time of the newest reading.", newest, "meter")
    gaps = {number: meter["gaps"] for number, meter in meters.items()}
    yield _labelled("meter_gaps", "Gaps that began in the last 24 hours.", gaps, "meter")
    lost = {number: meter["lost"] for number, meter in meters.items()}
    yield _labelled("meter_lost_packets", "Packets known to be lost in gaps of the last 24 hours.", lost, "meter")
    yield _gauge("packets_waiting", "Packets that wait to be read.", view["packets_waiting"])
    yield _gauge("commits_waiting", "Requests that wait to be saved.", view["commits_waiting"])
    yield _gauge("longest_pause_seconds", "Longest pause of the daemon in about the last hour.", view["longest_pause"])
    if view["broker"]:
        yield _gauge("broker_up", "Whether the broker is connected.", view["broker"] == "online")
    yield _gauge("outbox_messages", "Messages that wait for the broker.", view["outbox"])
    yield _gauge("set_aside_messages", "Messages that the broker refused.", view["set_aside"])
    yield _counter("messages_dropped_total", "Messages dropped from a full outbox.", view["messages_dropped"])
    yield _counter("readings_dropped_total", "Readings that could not be saved.", view["readings_dropped"])
    yield _gauge("database_bytes", "Size of the database with its log.", view["database_bytes"])
    yield _gauge("disk_free_bytes", "Free bytes on the disk of the database.", view["disk_free_bytes"])
    yield _gauge("growth_bytes_per_day", "Raw readings of the last 24 hours.", view["bytes_per_day"])
    yield _gauge("clock_set", "Whether the clock was set from a network.", view["clock_set"])
    yield _gauge("clock_steps", "Jumps of the clock in the last 24 hours.", view["clock_steps"])


def _gauge(name: str, text: str, value: float | None) -> Metric:
    return Metric(name, "gauge", text, () if value is None else (({}, float(value)),))


def _counter(name: str, text: str, value: int) -> Metric:
    return Metric(name, "counter", text, (({}, float(value)),))


def _labelled(name: str, text: str, values: dict[str, float] | dict[str, int], label: str) -> Metric:
    return Metric(name, "gauge", text, tuple(({label: key}, float(value)) for key, value in values.items()))


def _seconds(rfc3339: str) -> float:
    return utc_nanoseconds(datetime.fromisoformat(rfc3339)) / 1e9
