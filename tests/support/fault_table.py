"""Run the tests that inject a fault, and write the table of all faults into the documents.

``python -m support.fault_table``, in ``tests/``; ``--print`` writes the table to standard output instead. The tests in
the guest with a real BlueZ belong to it; where the guest cannot be had they are skipped, and the table says so.
"""

import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree as ET

import click

from meterlink.core.errors import InputError
from studies.markdown import write_table
from support.fault_list import FAULTS, Fault
from support.fault_marks import TESTS

PAGE = TESTS.parent / "meterlink" / "docs" / "faults.md"
TABLE = "faults"

# There is one guest, so its tests run in one process.
_RUNS = (("benchmarks", "faults", "published", "studies", "system", "unit"), ("-n0", "system/bluez"))


@dataclass
class Record:
    """All cases of the tests of one fault: their outcomes, their times in s, and the tests by file."""

    outcomes: list[str] = field(default_factory=list)
    noticed: list[float] = field(default_factory=list)
    recovered: list[float] = field(default_factory=list)
    tests: defaultdict[str, set[str]] = field(default_factory=lambda: defaultdict(set))


def run_tests(size: str) -> Iterator[ET.Element]:
    """Run the marked tests; yield the report of each case.

    Raises:
        InputError: pytest could not run them at all.
    """
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder, "report.xml")
        for arguments in _RUNS:
            report.unlink(missing_ok=True)
            command = (sys.executable, "-m", "pytest", "-q", "-m", "fault", "--study-size", size, "--junit-xml", report)
            run = subprocess.run(
                (*command, "-o", "junit_family=xunit1", "-p", "no:cacheprovider", *arguments),
                cwd=TESTS,
                stdout=sys.stderr,
                check=False,
            )
            if run.returncode not in {0, 1}:  # 1: a test failed, and the table says which
                raise InputError("pytest could not run the marked tests.", "Read its output above.")
            yield from ET.parse(report).iter("testcase")  # noqa: S314 - a file of our own


def gathered(cases: Iterable[ET.Element]) -> dict[str, Record]:
    """Return the record of each fault that a case injects."""
    records: defaultdict[str, Record] = defaultdict(Record)
    for case in cases:
        properties = [(item.get("name", ""), item.get("value", "")) for item in case.iter("property")]
        outcome = next((kind for kind in ("failure", "error", "skipped") if case.find(kind) is not None), "passed")
        for record in (records[key] for name, key in properties if name == "fault"):
            record.outcomes.append("failed" if outcome in {"failure", "error"} else outcome)
            record.noticed += [float(seconds) for name, seconds in properties if name == "noticed"]
            record.recovered += [float(seconds) for name, seconds in properties if name == "recovered"]
            record.tests[case.get("file", "")].add(case.get("name", "").partition("[")[0])
    return dict(records)


def table(records: dict[str, Record]) -> Iterator[str]:
    """Yield the lines of the page: a table of the faults of each part, then their tests."""
    for part, faults in FAULTS.items():
        yield from (f"## {part}", "")
        yield "| fault | symptom | cause | what Meterlink does | tests | noticed after, s | works again after, s |"
        yield "| --- | --- | --- | --- | --- | --- | --- |"
        for fault in faults:
            record = records.get(fault.key, Record())
            times = f"{_range(record.noticed)} | {_range(record.recovered)}"
            yield (
                f"| {fault.key} | {fault.symptom} | {fault.cause} | {fault.handling} | {_outcome(fault, record)} "
                f"| {times} |"
            )
        yield ""
    yield from ("## The tests", "")
    for fault in (fault for part in FAULTS.values() for fault in part):
        files = sorted(records.get(fault.key, Record()).tests.items())
        tests = "; ".join(f"`{file}`: {', '.join(f'`{name}`' for name in sorted(names))}" for file, names in files)
        yield f"- **{fault.key}**: {tests or 'none'}"


def _outcome(fault: Fault, record: Record) -> str:
    if fault.not_tested:
        return f"not tested: {fault.not_tested}"
    counts = [(outcome, record.outcomes.count(outcome)) for outcome in ("failed", "passed", "skipped")]
    return ", ".join(f"{count} {outcome}" for outcome, count in counts if count) or "not run"


def _range(times: list[float]) -> str:
    if not times:
        return "–"
    shortest, longest = min(times), max(times)
    return f"{shortest:g}" if shortest == longest else f"{shortest:g} to {longest:g}"


@click.command()
@click.option("--print", "printed", is_flag=True, help="Print the table; write no document.")
@click.option("--study-size", "size", default="everyday", help="The size of the tests that are studies.")
def main(*, printed: bool, size: str) -> None:
    """Run the tests that inject a fault and write the table of all faults; exit status 1 if one failed."""
    records = gathered(run_tests(size))
    lines = list(table(records))
    if printed:
        click.echo("\n".join(lines))
    else:
        write_table(PAGE, TABLE, [f"Run on {datetime.now(UTC).date()}.", "", *lines])
    if any("failed" in record.outcomes for record in records.values()):
        sys.exit(1)


if __name__ == "__main__":
    try:
        main.main(standalone_mode=False)
    except (click.ClickException, InputError) as error:
        sys.exit(f"fault table: {error}")
