"""A report without names: no text that names a person, a place or a meter is in any form; every measurement is."""

import json
import sqlite3
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from PIL import Image
from pypdf import PdfReader

from meterlink.cli.main import cli
from meterlink.core.calibration import parse_calibration, without_certificate
from meterlink.core.calibration import parse_date as day
from meterlink.core.site_facts import SiteFact
from meterlink.record.model import Voice
from meterlink.settings import DATABASE_FILE
from support.kept_records import keep_record

MARKER = "Zephyrine"  # a name that nothing of the program is called
FORMS = ("html", "md", "json", "pdf")
# Every column in which a person's text, or the name of a thing of theirs, can stand.
PERSONAL = (
    ("sites", "name"), ("units", "name"), ("visits", "technician"), ("visits", "job"), ("visits", "plan"),
    ("meters", "name"), ("meters", "address"), ("meters", "serial"), ("boots", "station"),
    ("unit_facts", "text"), ("site_facts", "text"),
)  # fmt: skip


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A data folder with a visit of which every personal text has the marker in it."""
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    keep_record(tmp_path / DATABASE_FILE)
    Image.new("L", (40, 20), 128).save(tmp_path / f"{MARKER}.png")
    (tmp_path / "settings.toml").write_text(
        f'[firm]\nname = "{MARKER} Cooling"\naddress = "{MARKER} Street"\nlogo = "{MARKER}.png"\n', encoding="utf-8"
    )
    with sqlite3.connect(tmp_path / DATABASE_FILE) as connection:
        (visit,) = connection.execute("SELECT max(id) FROM visits").fetchone()
        columns = "visit_id, component_id, terminal_a, terminal_b, quantity, state, kind, rating"
        (point,) = connection.execute(
            f"INSERT INTO test_points (key, {columns}) SELECT 'spare', {columns} FROM test_points"  # noqa: S608
            " WHERE visit_id = ? LIMIT 1 RETURNING id",
            (visit,),
        ).fetchone()
        for number, (at, text) in enumerate(
            [
                (None, f"{MARKER} has the key"),
                (point, f"{MARKER} said no"),
                (None, f"Meter proven on a known source: {MARKER} read 241 V."),
            ]
        ):
            connection.execute(
                "INSERT INTO notes (uid, visit_id, point_id, utc_ns, text) VALUES (?, ?, ?, ?, ?)",
                (f"n{number}", visit, at, 1_784_041_200_000_000_000 + number, text),
            )
        for number, fact in enumerate(
            ["kind", "supply", "refrigerant", "model", "serial", "location", "photo", "note"]
        ):
            connection.execute(
                "INSERT INTO unit_facts (uid, unit_id, fact, text, utc_ns)"
                " VALUES (?, (SELECT unit_id FROM visits WHERE id = ?), ?, ?, 1)",
                (f"u{number}", visit, fact, "x"),
            )
        for number, fact in enumerate([SiteFact.CUSTOMER, SiteFact.ADDRESS]):
            connection.execute(
                "INSERT INTO site_facts (uid, site_id, fact, text, utc_ns) VALUES (?, 1, ?, ?, 1)",
                (f"s{number}", fact, "x"),
            )
        for table, column in PERSONAL:
            connection.execute(f"UPDATE {table} SET {column} = ? || ' ' || rowid", (MARKER,))  # noqa: S608
        connection.execute("UPDATE voids SET reason = ? WHERE reason <> ''", (MARKER,))
        connection.execute("UPDATE unit_facts SET text = ? WHERE fact = 'photo'", (str(tmp_path / f"{MARKER}.png"),))
        connection.execute("UPDATE accepted_readings SET low_battery = 1")  # a cause that names its meter
        connection.execute("UPDATE verdicts SET calibration = ?", (f"calibrated 2026-03-01, certificate {MARKER}",))
    connection.close()
    return tmp_path


def report(form: str, voice: Voice, *more: str) -> str:
    done = CliRunner().invoke(cli, ["report", "--format", form, "--voice", str(voice), *more])
    assert (done.exit_code, done.stderr) == (0, "")
    if form != "pdf":
        return done.stdout
    pdf = PdfReader(BytesIO(done.stdout_bytes))
    trailer: Any = pdf.trailer
    pages = [page.extract_text() for page in pdf.pages]
    return "\n".join([*pages, str(pdf.metadata), str(trailer["/Root"]["/Metadata"].get_data())])


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("voice", Voice)
def test_no_name_is_in_any_anonymous_form(data: Path, form: str, voice: Voice) -> None:
    assert MARKER in report(form, voice)
    text = report(form, voice, "--anonymous")
    assert MARKER.casefold() not in text.casefold()
    assert "site left out / unit left out" in text
    assert "Names, addresses, notes and photos were left out of this report. Times are UTC." in " ".join(text.split())


def test_the_markers_are_everywhere_in_the_report_with_names(data: Path) -> None:
    # Otherwise the test above would prove nothing of them.
    named = json.loads(report("json", Voice.TECHNICAL))
    keys = ("firm", "place", "facts", "causes", "notes", "proofs", "unit_facts", "photos", "measured")
    for key in keys:
        assert MARKER in json.dumps(named[key]), key
    texts = json.dumps(named["readings"])
    assert f"voided, it counts nowhere: {MARKER}" in texts
    assert f"certificate {MARKER}" in texts
    assert f"skipped: {MARKER}" in json.dumps(named["untested"])


def test_the_measurements_stay(data: Path) -> None:
    named, anonymous = (json.loads(report("json", Voice.TECHNICAL, *more)) for more in ((), ("--anonymous",)))
    same = (
        "point", "part", "circuit", "terminals", "text", "limits", "low", "high", "value", "unit", "verdict", "mark",
        "basis", "doubt", "expanded_uncertainty", "probability", "reason", "next_measurement", "accuracy", "rule",
        "time_utc", "counts", "of_old_part", "state", "scale",
    )  # fmt: skip
    for before, after in zip(named["readings"], anonymous["readings"], strict=True):
        assert {key: before[key] for key in same} == {key: after[key] for key in same}
        assert after["meter"] == "meter 1"
        assert after["calibration"] == "calibrated 2026-03-01"
    for key in ("found", "done", "summary", "derived", "replaced", "left", "cautions", "limitations"):
        assert named[key] == anonymous[key]
    assert [cause["title"] for cause in named["causes"]] == [cause["title"] for cause in anonymous["causes"]]
    assert "Meter 1 showed a low battery" in json.dumps(anonymous["causes"])
    assert "skipped: left out" in json.dumps(anonymous["untested"])
    assert any(text.endswith("Meter proven on a known source: left out.") for text in anonymous["proofs"])


def test_a_certificate_leaves_the_text_of_a_calibration() -> None:
    for written in (
        "2026-03-01, due 2027-03-01, certificate K-1047",
        "due 2027-03-01, certificate K-1047",
        "2026-03-01",
    ):
        for at in ("2026-07-01", "2027-07-01"):
            text = parse_calibration(written).describe(day(at))
            assert without_certificate(text) == parse_calibration(written.partition(", cert")[0]).describe(day(at))
