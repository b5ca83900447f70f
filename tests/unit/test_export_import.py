"""Exported readings come back as they were, to the digit, in every format; nothing comes twice, nothing by halves."""

import csv
import json
import re
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import cbor2
import duckdb
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import Meter, Site
from meterlink.core.units import Quantity
from meterlink.record.exchange.cbor_form import LABELS
from meterlink.record.exchange.csv_form import cells, from_cell
from meterlink.settings import DATABASE_FILE
from meterlink.store.exchange_fields import ACCEPTED_FIELDS, LATER_FIELDS, RAW_FIELDS, READING_FIELDS, FieldKind
from meterlink.store.exported import ExportFilter, RawReadings, accepted_export
from meterlink.store.lock import FileLock
from meterlink.store.reader import Reader
from support import export_fields
from support.commands import run_command
from support.examples import examples
from support.exchange_records import DISPLAYS, JOB, METER, NOTE, PERSON, REASON, SITE, write_record
from support.kept_records import capacitor, keep_record
from support.large_records import write_raw
from support.peak_memory import peak_memory
from support.record_contents import check_database, record_contents, without_active
from support.recorded_visits import CLAMP_METER, RecordedVisit, store_visits

FORMATS = ("csv", "jsonl", "senml", "cbor", "parquet")
# The tables of which JSON Lines carries every row of a visit with readings.
LOSSLESS = (
    "boots", "sites", "units", "circuits", "components", "visits", "test_points", "notes", "replacements",
    "connections", "accepted_readings", "verdicts", "voids", "corrections", "seals", "seal_salts",
    "station_keys",
)  # fmt: skip


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("source")
    write_record(folder / DATABASE_FILE)
    return folder


def export(folder: Path, file: Path, *options: str) -> str:
    status, out, err = run_command("export", "--data", str(folder), "-o", str(file), *options)
    assert (status, out) == (0, "")
    return err


def import_file(folder: Path, file: Path, *options: str) -> str:
    status, out, err = run_command("import", str(file), "--data", str(folder), *options)
    assert (status, err) == (0, "")
    return out


@pytest.mark.parametrize("form", FORMATS)
def test_accepted_readings_come_back_byte_for_byte(source: Path, tmp_path: Path, form: str) -> None:
    first, again = tmp_path / f"first.{form}", tmp_path / f"again.{form}"
    assert export(source, first) == f"10 accepted readings of 2 visits: {first}\n"
    assert "10 readings in" in import_file(tmp_path / "new", first)
    check_database(tmp_path / "new" / DATABASE_FILE)
    export(tmp_path / "new", again)
    assert again.read_bytes() == first.read_bytes()
    before = record_contents(tmp_path / "new" / DATABASE_FILE)
    assert "Nothing new" in import_file(tmp_path / "new", first)
    assert record_contents(tmp_path / "new" / DATABASE_FILE) == before


@pytest.mark.fault("interrupted-file")
def test_a_database_that_a_killed_import_had_only_begun_takes_the_readings(source: Path, tmp_path: Path) -> None:
    # The file is there, in WAL mode, and its first transaction was never committed.
    export(source, tmp_path / "first.csv")
    new = tmp_path / "new"
    new.mkdir(mode=0o700)
    with closing(sqlite3.connect(new / DATABASE_FILE)) as begun:
        begun.execute("PRAGMA journal_mode = WAL")
    assert "10 readings in" in import_file(new, tmp_path / "first.csv")
    check_database(new / DATABASE_FILE)


def test_a_table_from_before_readings_could_be_decoded_again_comes_in(source: Path, tmp_path: Path) -> None:
    # Its columns are those of version 1 of the tables: nothing in it was decoded again.
    export(source, tmp_path / "now.csv")
    with (tmp_path / "now.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    with (tmp_path / "before.csv").open("w", encoding="utf-8", newline="") as file:
        names = [name for name in rows[0] if name not in LATER_FIELDS]
        writer = csv.DictWriter(file, names, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    assert "10 readings in" in import_file(tmp_path / "new", tmp_path / "before.csv")
    before = Reader(source / DATABASE_FILE).history()
    after = Reader(tmp_path / "new" / DATABASE_FILE).history()
    assert [row.reading.text for row in after] == [row.reading.text for row in before]
    assert any(row.correction for row in before)
    assert not any(row.correction for row in after)


def test_a_correction_without_the_display_that_was_accepted_is_refused(source: Path, tmp_path: Path) -> None:
    export(source, tmp_path / "now.jsonl")
    text = (tmp_path / "now.jsonl").read_text(encoding="utf-8").replace('"first_status":"ok"', '"first_status":null')
    (tmp_path / "edited.jsonl").write_text(text, encoding="utf-8")
    status, _, err = run_command("import", str(tmp_path / "edited.jsonl"), "--data", str(tmp_path / "new"))
    assert status == 2
    assert "It was decoded again, and has no first_status." in err


@pytest.mark.parametrize("form", FORMATS)
def test_the_readings_of_two_meters_of_one_start_stay_theirs(tmp_path: Path, form: str) -> None:
    folder, file, place = tmp_path / "source", tmp_path / f"readings.{form}", Site("Mill Lane bakery", "condenser")
    folder.mkdir()
    fork = Meter("00:00:5E:00:53:0B", "fork meter")
    visits = [
        RecordedVisit("2026-05-04", place, [(capacitor(), "44.2 uF")]),
        RecordedVisit("2026-05-05", place, [(capacitor(), "44.9 uF")], meter=fork),
    ]
    store_visits(folder / DATABASE_FILE, visits)
    export(folder, file)
    import_file(tmp_path / "new", file)
    read = {row.reading.text: row.meter.address for row in Reader(tmp_path / "new" / DATABASE_FILE).history()}
    assert read == {"44.2 µF": CLAMP_METER.address, "44.9 µF": fork.address}


@pytest.mark.parametrize("form", FORMATS)
def test_raw_readings_come_back_byte_for_byte(source: Path, tmp_path: Path, form: str) -> None:
    first, again, visits = tmp_path / f"first.{form}", tmp_path / f"again.{form}", tmp_path / "visits.jsonl"
    assert export(source, first, "--raw") == f"48 raw readings: {first}\n"
    if form != "jsonl":  # the only one that describes the visits of raw readings
        export(source, visits)
        import_file(tmp_path / "new", visits)
    import_file(tmp_path / "new", first)
    export(tmp_path / "new", again, "--raw")
    assert sorted(lines(again, form)) == sorted(lines(first, form))  # of a visit, the accepted ones came before
    if form == "jsonl":
        assert again.read_bytes() == first.read_bytes()
    assert "Nothing new" in import_file(tmp_path / "new", first)
    database = tmp_path / "new" / DATABASE_FILE
    check_database(database)
    assert record_contents(database)["raw_readings"] == record_contents(source / DATABASE_FILE)["raw_readings"]


def test_the_data_dictionary_is_that_of_the_writers() -> None:
    assert export_fields.PAGE.read_text(encoding="utf-8") == export_fields.page(), (
        "run: python tests/support/export_fields.py"
    )
    described = json.loads(run_command("export", "--describe").out)
    for name, fields in (("accepted reading", ACCEPTED_FIELDS), ("raw reading", RAW_FIELDS)):
        assert [field["name"] for field in described["records"][name]["fields"]] == [field.name for field in fields]


def query(sql: str, file: Path) -> list[Any]:
    """Return the rows of a query on a file, by another program's reader."""
    return duckdb.sql(sql.replace("$file", f"'{file}'")).fetchall()


def lines(path: Path, form: str) -> list[Any]:
    match form:
        case "parquet":
            return query("SELECT * FROM $file", path)
        case "cbor":
            records = cbor2.loads(path.read_bytes())
            groups: list[Any] = []
            for record in records:
                if LABELS["bn"] in record:
                    groups.append([])
                groups[-1].append(sorted(record.items()))
            return [repr(group) for group in groups]
        case _:
            return [line.strip(b",\r\n") for line in path.read_bytes().splitlines()]


@pytest.mark.parametrize("form", FORMATS)
@pytest.mark.parametrize("raw", [(), ("--raw",)])
def test_an_import_into_the_source_changes_nothing(
    source: Path, tmp_path: Path, form: str, raw: tuple[str, ...]
) -> None:
    shutil.copytree(source, tmp_path / "copy")
    database = tmp_path / "copy" / DATABASE_FILE
    before = record_contents(database)
    export(tmp_path / "copy", tmp_path / f"file.{form}", *raw)
    assert "Nothing new" in import_file(tmp_path / "copy", tmp_path / f"file.{form}")
    assert record_contents(database) == before


def test_json_lines_lose_nothing_of_a_visit(source: Path, tmp_path: Path) -> None:
    export(source, tmp_path / "accepted.jsonl")
    export(source, tmp_path / "raw.jsonl", "--raw")
    import_file(tmp_path / "new", tmp_path / "accepted.jsonl")
    import_file(tmp_path / "new", tmp_path / "raw.jsonl")
    here = without_active(record_contents(tmp_path / "new" / DATABASE_FILE))
    there = without_active(record_contents(source / DATABASE_FILE))
    for table in (*LOSSLESS, "raw_readings"):
        assert here[table] == there[table], table
        assert here[table], f"the record has no {table}"


def test_a_sealed_visit_can_be_verified_where_it_came_in(source: Path, tmp_path: Path) -> None:
    export(source, tmp_path / "visits.jsonl")
    import_file(tmp_path / "new", tmp_path / "visits.jsonl")
    sealed = Reader(source / DATABASE_FILE).visits()[0].uid
    here, there = (run_command("verify", sealed, "--data", str(folder)) for folder in (tmp_path / "new", source))
    assert (here.status, here.out) == (0, there.out)
    forged = changed(tmp_path / "visits.jsonl", '"digits":"45.10"', '"digits":"44.10"')
    import_file(tmp_path / "other", forged)
    assert run_command("verify", sealed, "--data", str(tmp_path / "other")).status == 3


def test_the_order_of_the_two_imports_does_not_matter(source: Path, tmp_path: Path) -> None:
    for name, raw in (("accepted", ()), ("raw", ("--raw",))):
        export(source, tmp_path / f"{name}.jsonl", *raw)
    for folder, order in (("one", ("accepted", "raw")), ("two", ("raw", "accepted"))):
        for name in order:
            import_file(tmp_path / folder, tmp_path / f"{name}.jsonl")
    one, two = (record_contents(tmp_path / folder / DATABASE_FILE) for folder in ("one", "two"))
    assert one == two


def test_a_record_of_years_comes_back(tmp_path: Path) -> None:
    (tmp_path / "kept").mkdir()
    keep_record(tmp_path / "kept" / DATABASE_FILE)
    export(tmp_path / "kept", tmp_path / "kept.jsonl")
    import_file(tmp_path / "new", tmp_path / "kept.jsonl")
    rows = [
        [row._replace(id=0) for row in Reader(tmp_path / folder / DATABASE_FILE).history()]
        for folder in ("kept", "new")
    ]
    assert rows[0] == rows[1]


def test_a_later_verdict_is_current_wherever_it_comes_in(source: Path, tmp_path: Path) -> None:
    """The current verdict is the newest: an import of the whole visit after one of its table must not bring back an old
    one."""
    export(source, tmp_path / "table.csv")
    export(source, tmp_path / "visits.jsonl")
    import_file(tmp_path / "new", tmp_path / "table.csv")
    import_file(tmp_path / "new", tmp_path / "visits.jsonl")
    here, there = (Reader(folder / DATABASE_FILE).history() for folder in (tmp_path / "new", source))
    assert [(row.uid, row.judgement, row.void_reason, row.revision) for row in here] == [
        (row.uid, row.judgement, row.void_reason, row.revision) for row in there
    ]


def test_readings_before_a_replacement_stay_the_old_parts(source: Path, tmp_path: Path) -> None:
    export(source, tmp_path / "visits.jsonl")
    import_file(tmp_path / "new", tmp_path / "visits.jsonl")
    befores = []
    for folder in (source, tmp_path / "new"):
        reader = Reader(folder / DATABASE_FILE)
        after = reader.replacements()[0].replacement.after_number
        assert after is not None
        befores.append([row.uid for row in reader.history() if row.id <= after])
    assert befores[0] == befores[1]
    assert len(befores[0]) == 3


@examples(4)  # each writes a record, and imports it four times
@given(st.lists(
    st.tuples(
        st.sampled_from([(Quantity.CAPACITANCE, "µF"), (Quantity.TEMPERATURE, "°F"), (Quantity.VOLTAGE, "mV")]),
        st.one_of(
            st.none(),
            st.decimals(allow_nan=False, allow_infinity=False, places=4).map(lambda number: f"{number:f}"),
            st.from_regex(r"-?[0-9]{1,30}(\.[0-9]{1,10})?", fullmatch=True),
        ),
    ),
    min_size=3, max_size=8,
))  # fmt: skip
def test_any_digits_come_back(tmp_path_factory: pytest.TempPathFactory, drawn) -> None:
    folder = tmp_path_factory.mktemp("drawn")
    displays = tuple((quantity, digits, unit) for (quantity, unit), digits in drawn)
    write_record(folder / DATABASE_FILE, displays=(*displays, *DISPLAYS[:3]))
    for form in ("csv", "jsonl"):
        for raw in ((), ("--raw",)):
            export(folder, folder / f"first.{form}", *raw)
            import_file(folder / form, folder / f"first.{form}")
            export(folder / form, folder / f"again.{form}", *raw)
            assert set(lines(folder / f"again.{form}", form)) == set(lines(folder / f"first.{form}", form))
    exported = {row["digits"] for row in table_of(folder / "first.csv")}
    assert exported >= {f"{Decimal(digits):f}" for _, digits, _ in displays if digits is not None}


# Read from outside


def table_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def expected_rows(source: Path) -> list[dict[str, Any]]:
    with accepted_export(source / DATABASE_FILE, ExportFilter()) as accepted:
        return [
            {field.name: value for field, value in zip(ACCEPTED_FIELDS, row, strict=True)} for row in accepted.rows()
        ]


def test_duckdb_reads_the_table_to_the_digit(source: Path, tmp_path: Path) -> None:
    export(source, tmp_path / "table.csv")
    sql = "SELECT digits, value, limits_low, utc_ns, voided, site FROM read_csv($file, all_varchar = true)"
    rows = query(sql, tmp_path / "table.csv")
    expected = expected_rows(source)
    for row, values in zip(rows, expected, strict=True):
        assert row[0] == values["digits"]
        assert (None if row[1] is None else float(row[1])) == values["value"]
        assert row[2] == values["limits_low"]
        assert int(row[3]) == values["utc_ns"]
        assert row[4] == (None if values["voided"] is None else str(values["voided"]))
        assert row[5] == f"'{values['site']}"


@pytest.mark.parametrize("raw", [(), ("--raw",)])
def test_duckdb_reads_parquet_to_the_digit_with_its_types(source: Path, tmp_path: Path, raw: tuple[str, ...]) -> None:
    path = tmp_path / "readings.parquet"
    export(source, path, *raw)
    fields = RAW_FIELDS if raw else ACCEPTED_FIELDS
    types = {name: kind for name, kind, *_ in query("DESCRIBE SELECT * FROM $file", path)}
    assert types["digits"] == "VARCHAR"
    assert types["value"] == "DOUBLE"
    assert types["low_battery"] == "BOOLEAN"
    assert types["packet"] == "BLOB"
    assert types["utc_ns"] == "TIMESTAMPTZ_NS"
    if raw:
        found = RawReadings(source / DATABASE_FILE, ExportFilter())
        expected = [
            dict(zip(map(str, (f.name for f in fields)), (*row, *stretch.values), strict=True))
            for row, stretch in found.rows()
        ]
    else:
        expected = expected_rows(source)
    plain = [
        field.name
        for field in fields
        if field.kind in {FieldKind.TEXT, FieldKind.DECIMAL, FieldKind.REAL, FieldKind.INTEGER, FieldKind.BYTES}
    ]
    names = ", ".join(map(json.dumps, plain))
    rows = query(f"SELECT {names} FROM $file", path)  # noqa: S608  # our own names
    assert rows == [tuple(values[name] for name in plain) for values in expected]
    times = pq.read_table(path, columns=["utc_ns"]).column(0).cast("int64").to_pylist()
    assert times == [values["utc_ns"] for values in expected]


def test_json_lines_are_objects_that_any_program_reads(source: Path, tmp_path: Path) -> None:
    path = tmp_path / "visits.jsonl"
    export(source, path)
    records = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    assert [record["record"] for record in records[:3]] == ["export", "visit", "accepted reading"]
    readings = [record for record in records if record["record"] == "accepted reading"]
    expected = expected_rows(source)
    for reading, values in zip(readings, expected, strict=True):
        assert reading["digits"] == values["digits"]
        assert reading["verdicts"][-1]["verdict_uid"] == values["verdict_uid"]
        assert bytes.fromhex(reading["packet"]) == values["packet"]
    assert [len(reading["verdicts"]) for reading in readings[:2]] == [3, 1]
    assert [void["voided"] for void in readings[0]["voids"]] == [True, False]


# Spreadsheets


def test_no_cell_of_text_is_a_formula_and_numbers_are_numbers(source: Path, tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    export(source, path)
    assert path.read_bytes().count(b"\r\n") >= 11
    (row, *others) = table_of(path)
    assert row["site"] == f"'{SITE.name}"
    assert row["unit"] == f"'{SITE.unit}"
    assert row["job"] == f"'{JOB}"
    numbers = {
        field.name
        for field in ACCEPTED_FIELDS
        if field.kind in {FieldKind.DECIMAL, FieldKind.REAL, FieldKind.TIME, FieldKind.INTEGER}
    }
    for each in (row, *others):
        for name, cell in each.items():
            if name in numbers:
                assert not cell or float(cell) is not None
            else:
                assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert "-240.1" in {each["digits"] for each in others}


@given(st.text())
def test_any_text_comes_back_from_a_cell(text: str) -> None:
    for field in (
        next(field for field in READING_FIELDS if field.name == "site"),
        next(field for field in READING_FIELDS if field.name == "outcome"),
    ):
        (cell,) = cells([field], (text,))
        assert from_cell(field, cell) == text
        assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    (cell,) = cells([next(field for field in READING_FIELDS if field.name == "outcome")], (None,))
    assert from_cell(next(field for field in READING_FIELDS if field.name == "outcome"), cell) is None


# Files that cannot be imported


def changed(path: Path, old: str, new: str) -> Path:
    text = path.read_bytes().decode()
    assert old in text
    other = path.with_name(f"changed-{path.name}")
    other.write_bytes(text.replace(old, new, 1).encode())
    return other


@pytest.mark.parametrize(
    ("form", "old", "new", "message"),
    [
        ("csv", ",45.10,", ",4x.10,", "changed-file.csv:2: digits is '4x.10'. Write a number such as -4.70."),
        ("csv", ",within,", ",almost,", "changed-file.csv:2: verdict is 'almost'. Write one of within,"),
        ("csv", "uid,at", "uid,when", "changed-file.csv:1: "),
        ("csv", "µF", "V", "changed-file.csv:2: V is no unit of capacitance."),
        ("jsonl", '"digits":"45.10"', '"digits":45.10', "changed-file.jsonl:3: digits is '45.1'."),
        ("jsonl", '"status":"ok"', '"status":"overload"', "jsonl:3: A reading with the status overload has the digits"),
        ("jsonl", '"record":"visit"', '"record":"visitor"', "changed-file.jsonl:2: record is 'visitor'."),
        ("jsonl", '"settled_in"', '"settled"', "changed-file.jsonl:3: The key settled_in is missing."),
        ("jsonl", '"verdicts":[{', '"verdicts":[7,{', "changed-file.jsonl:3: verdicts is no array of objects."),
        ("jsonl", "meterlink-export-1", "meterlink-export-9", "jsonl:1: Its format is 'meterlink-export-9'."),
        ("senml", '"n":"digits","vs":"45.10"', '"n":"digits","vs":"x"', "changed-file.senml:reading 1: digits is 'x'."),
        ("senml", '"vs":"within"', '"vs":7', "SenML record"),
        ("jsonl", '"text":"Ask', '"text":"\\ud800Ask', "changed-file.jsonl:2: text is 'Ask for the caretaker"),
        ("jsonl", '"channel":"channel-1"', '"channel":["x"]', "changed-file.jsonl:3: channel is "),
        ("jsonl", '"verdict":"within"', '"verdict":"a\\nb"', "changed-file.jsonl:3: verdict is 'a\\nb'."),
        ("jsonl", '"answers":"', '"answers":"7', "changed-file.jsonl:2: answers is no JSON: Extra data"),
        ("jsonl", '"answers":"{}"', '"answers":"7"', "jsonl:2: answers has another shape than in an export."),
        ("jsonl", '"derived":"[]"', '"derived":"[7]"', "changed-file.jsonl:2: derived has another shape"),
        ("jsonl", '"derived":"[]"', f'"derived":"{"[" * 400}{"]" * 400}"', "changed-file.jsonl:2: derived has another"),
        ("jsonl", '"derived":"[]"', f'"derived":"{"[" * 9_000}"', "changed-file.jsonl:2: derived is no JSON"),
        ("jsonl", '"sections":"[', '"sections":"[7,', "changed-file.jsonl:2: sections has another shape"),
        ("jsonl", '"ratings":"{', '"ratings":"{\\"x\\":7,', "changed-file.jsonl:2: ratings has another shape"),
        ("jsonl", '"channel":"channel-1"', f'"channel":{"[" * 400}{"]" * 400}', "jsonl:3: It is no object of JSON"),
        ("jsonl", '"point":"temperature","text"', '"point":"a\\nb","text"', "jsonl:2: The visit has no test point a b"),
    ],
)  # fmt: skip
def test_a_wrong_row_is_named_and_nothing_is_imported(
    source: Path, tmp_path: Path, form: str, old: str, new: str, message: str
) -> None:
    if form == "csv" and old == "uid,at":
        message = "changed-file.csv:"  # `at` follows from utc_ns: without it the rest is still read
        new = "id,at"
    export(source, tmp_path / f"file.{form}")
    file = changed(tmp_path / f"file.{form}", old, new)
    status, out, err = run_command("import", str(file), "--data", str(tmp_path / "new"))
    assert (status, out) == (2, "")
    assert message in err
    assert err.count("\n") == 1
    folder = tmp_path / "new"
    assert not (folder / DATABASE_FILE).exists()
    assert {path.name for path in folder.iterdir()} <= {f"{DATABASE_FILE}.lock"}


@pytest.mark.parametrize("cut", [0.3, 0.9, 0.999])
@pytest.mark.parametrize("form", FORMATS)
def test_a_file_that_was_cut_off_is_refused_as_a_whole(source: Path, tmp_path: Path, form: str, cut: float) -> None:
    file = tmp_path / f"file.{form}"
    export(source, file)
    data = file.read_bytes()
    file.write_bytes(data[: int(len(data) * cut)])
    status, out, err = run_command("import", str(file), "--data", str(tmp_path / "new"))
    assert (status, out) == (2, "")
    assert err.startswith(f"meterlink: file.{form}")
    assert not (tmp_path / "new" / DATABASE_FILE).exists()


@pytest.mark.parametrize(
    ("name", "contents", "message"),
    [
        ("empty.csv", b"", "empty.csv is no export of readings."),
        ("list.csv", b"a,b\r\n1,2\r\n", "list.csv is no export of readings."),
        ("photo.jpg", b"\xff\xd8\xff\xe0" + bytes(100), "photo.jpg is no export of readings."),
        ("copy.db", b"SQLite format 3\0" + bytes(100), "take it in with meterlink merge."),
        ("report.json", b'{"format":"meterlink-report-1"}', "report.json:1: record is None."),
        ("array.json", b"[1, 2]", "SenML record 1: it is no object."),
        ("bytes.cbor", b"\x82\x01\x02", "A record is no map."),
        ("part.parquet", b"PAR1" + bytes(50), "part.parquet is no Parquet"),
        ("deep.json", b"[" * 100_000, "deep.json:reading 1: The file is damaged"),
        ("deep.cbor", b"\x9f" + b"\x81" * 100_000, "deep.cbor:reading 1: The file is damaged"),
        ("value.cbor", cbor2.dumps([{0: "a", 2: 10**6_000}]), "SenML record 1: 'v' is no number."),
        ("version.cbor", cbor2.dumps([{-1: 10**6_000, 0: "a"}]), "SenML record 1: 'bver' is no number."),
        ("bytes.cbor", cbor2.dumps([{0: "a", 8: 10**6_000}]), "SenML record 1: 'vd' is no binary data."),
        ("key.cbor", cbor2.dumps([{0: "a", 2: 1, 10**6_000: 1}]), "It has no utc_ns."),
    ],
)
def test_another_file_is_refused_in_one_line(tmp_path: Path, name: str, contents: bytes, message: str) -> None:
    (tmp_path / name).write_bytes(contents)
    status, out, err = run_command("import", str(tmp_path / name), "--data", str(tmp_path / "new"))
    assert (status, out) == (2, "")
    assert message in err
    assert err.count("\n") == 1


def test_a_list_in_a_raw_reading_is_refused(source: Path, tmp_path: Path) -> None:
    export(source, tmp_path / "file.jsonl", "--raw")
    file = changed(tmp_path / "file.jsonl", '"channel":"channel-1"', '"channel":["x"]')
    status, _, err = run_command("import", str(file), "--data", str(tmp_path / "new"))
    assert status == 2
    assert "changed-file.jsonl:3: channel is " in err


def test_a_damaged_page_of_parquet_is_refused(source: Path, tmp_path: Path) -> None:
    file = tmp_path / "file.parquet"
    export(source, file)
    data = bytearray(file.read_bytes())
    data[4:40] = bytes(36)  # the head of the first page
    file.write_bytes(data)
    status, out, err = run_command("import", str(file), "--data", str(tmp_path / "new"))
    assert (status, out) == (2, "")
    assert "The file is damaged" in err
    assert err.count("\n") == 1


def test_times_that_another_program_wrote_in_microseconds_stay_the_same_times(source: Path, tmp_path: Path) -> None:
    """Many programs know times to the microsecond only; taken for ns, they would be days after 1970."""
    first, coarse = tmp_path / "first.parquet", tmp_path / "coarse.parquet"
    export(source, first)
    times = "REPLACE (utc_ns::TIMESTAMPTZ AS utc_ns, judged_utc_ns::TIMESTAMPTZ AS judged_utc_ns)"
    query(f"COPY (SELECT * {times} FROM $file) TO '{coarse}' (FORMAT parquet)", first)  # noqa: S608  # our own names
    import_file(tmp_path / "new", coarse)
    here, there = (Reader(folder / DATABASE_FILE).history() for folder in (tmp_path / "new", source))
    for row, expected in zip(here, there, strict=True):
        assert abs(row.reading.timestamp.utc_ns - expected.reading.timestamp.utc_ns) < 1000


def test_an_import_waits_for_no_daemon(source: Path, tmp_path: Path) -> None:
    export(source, tmp_path / "file.jsonl")
    (tmp_path / "new").mkdir()
    lock = FileLock(tmp_path / "new" / DATABASE_FILE)
    lock.acquire()
    try:
        status, out, err = run_command("import", str(tmp_path / "file.jsonl"), "--data", str(tmp_path / "new"))
    finally:
        lock.release()
    assert (status, out) == (1, "")
    assert "A station runs on" in err
    assert "needs it stopped" in err


def test_raw_readings_of_an_unknown_visit_are_refused_with_the_remedy(source: Path, tmp_path: Path) -> None:
    export(source, tmp_path / "raw.csv", "--raw")
    status, _, err = run_command("import", str(tmp_path / "raw.csv"), "--data", str(tmp_path / "new"))
    assert status == 2
    assert re.search(r"raw\.csv:2: The visit .* is not known here\. Import its accepted readings first", err)


def test_a_preview_changes_nothing(source: Path, tmp_path: Path) -> None:
    export(source, tmp_path / "file.jsonl")
    out = import_file(tmp_path / "empty", tmp_path / "file.jsonl", "--preview", "--json")
    assert json.loads(out)["new"]["accepted_readings"] == 10
    assert not (tmp_path / "empty" / DATABASE_FILE).exists()
    assert "Would come: 2 visits" in import_file(tmp_path / "other", tmp_path / "file.jsonl", "--preview")


# Anonymous


@pytest.mark.parametrize("raw", [(), ("--raw",)])
@pytest.mark.parametrize("form", FORMATS)
def test_an_anonymous_export_has_no_names_and_cannot_be_imported(
    source: Path, tmp_path: Path, form: str, raw: tuple[str, ...]
) -> None:
    file = tmp_path / f"file.{form}"
    export(source, file, "--anonymous", *raw)
    data = file.read_bytes()
    if form == "parquet":
        data = repr(query("SELECT * FROM $file", file)).encode()
    history = Reader(source / DATABASE_FILE).history()
    secrets = (
        SITE.name, SITE.unit, PERSON, "Robin", JOB, NOTE, REASON, METER.name, METER.address, METER.serial, "Lab 9",
        "van of Robin", "boot-a", history[0].uid, history[0].visit_uid,
    )  # fmt: skip
    for secret in secrets:
        for text in (secret, json.dumps(secret)[1:-1]):
            assert text.encode() not in data, secret
    assert b"45.10" in data
    status, _, err = run_command("import", str(file), "--data", str(tmp_path / "new"))
    assert status == 2
    assert "anonymous export" in err


def test_the_same_name_has_the_same_number(source: Path, tmp_path: Path) -> None:
    export(source, tmp_path / "file.csv", "--anonymous")
    rows = table_of(tmp_path / "file.csv")
    assert {row["site"] for row in rows} == {"site 1"}
    assert {row["unit"] for row in rows} == {"unit 1"}
    assert {(row["meter"], row["meter_address"]) for row in rows} == {("meter 1", "meter 1")}
    assert [row["visit_uid"] for row in rows] == ["visit 1"] * 8 + ["visit 2"] * 2
    assert [row["uid"] for row in rows] == [f"reading {number}" for number in range(1, 11)]
    assert [row["digits"] for row in rows] == [row["digits"] or "" for row in expected_rows(source)]


# Choices


def test_a_filter_chooses_readings_and_json_lines_whole_visits(source: Path, tmp_path: Path) -> None:
    first, *_, last = Reader(source / DATABASE_FILE).history()
    at = last.reading.timestamp.utc_ns
    since = datetime.fromtimestamp(at // 10**9, UTC).isoformat()
    export(source, tmp_path / "since.csv", "--since", since)
    chosen = table_of(tmp_path / "since.csv")
    assert last.uid in {row["uid"] for row in chosen}
    assert first.uid not in {row["uid"] for row in chosen}
    # Where the clock was not set, the time says nothing.
    assert {row["uid"] for row in chosen} >= {
        row.uid for row in Reader(source / DATABASE_FILE).history() if row.clock_set is False
    }
    export(source, tmp_path / "visit.csv", "--visit", last.visit_uid)
    assert {row["visit_uid"] for row in table_of(tmp_path / "visit.csv")} == {last.visit_uid}
    export(source, tmp_path / "last.csv", "--last")
    assert (tmp_path / "last.csv").read_bytes() == (tmp_path / "visit.csv").read_bytes()
    export(source, tmp_path / "raw.csv", "--raw", "--last")
    assert {row["visit_uid"] for row in table_of(tmp_path / "raw.csv")} == {last.visit_uid}


def test_standard_output_and_the_words_on_the_side(source: Path) -> None:
    status, out, err = run_command("export", "--data", str(source), "--format", "jsonl")
    assert (status, err) == (0, "10 accepted readings of 2 visits\n")
    assert out.startswith('{"record":"export","format":"meterlink-export-1"')
    status, _, err = run_command("export", "--data", str(source), "--format", "parquet")
    assert status == 2
    assert "give one with -o FILE" in err
    status, _, err = run_command("export", "--data", str(source), "--unit", "nowhere")
    assert status == 2
    assert "No visit is to a unit 'nowhere'." in err


def test_the_database_itself_is_a_checked_copy(source: Path, tmp_path: Path) -> None:
    err = export(source, tmp_path / "copy.db", "--format", "sqlite")
    assert err == f"10 accepted and 48 raw readings of 2 visits: {tmp_path / 'copy.db'}\n"
    assert record_contents(tmp_path / "copy.db") == record_contents(source / DATABASE_FILE)
    status, _, err = run_command("export", "--data", str(source), "--format", "sqlite", "--raw", "-o", "x.db")
    assert status == 2
    assert "leave out the other options" in err


def test_a_missing_library_is_one_line(source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meterlink.record.exchange.formats.find_spec", lambda _: None)
    status, _, err = run_command("export", "--data", str(source), "-o", str(tmp_path / "file.parquet"))
    assert status == 2
    assert err == (
        "meterlink: Parquet needs the library pyarrow, which is not installed."
        " Install it: pip install 'meterlink[parquet]'\n"
    )
    assert list(tmp_path.iterdir()) == []


# Standing in a pipe, on a full disk, under a kill


def test_a_reader_that_has_seen_enough_ends_the_export_quietly(source: Path) -> None:
    command = f"{sys.executable} -m meterlink export --data {source} --format csv | head -n 1"
    done = subprocess.run(["bash", "-c", command], check=True, capture_output=True, text=True, timeout=60)
    assert done.stdout.startswith("uid,at,site")
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(("form", "raw"), [("senml", ["--raw"]), ("parquet", [])])
def test_a_full_disk_is_one_line_and_leaves_no_file(source: Path, tmp_path: Path, form: str, raw: list[str]) -> None:
    # No file may be longer than the shared memory of SQLite is, in bytes.
    code = (
        "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (32768, 32768));"
        f"from meterlink.cli.main import main; main(['export', '--data', {str(source)!r}, '-o', 'file.{form}', *{raw}])"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.startswith(f"meterlink: file.{form} cannot be written: ")
    assert done.stderr.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


# The resident memory, in kB, that a command needs more for many more raw readings. The fewer are as many as fill the
# page caches of SQLite and, in Parquet, more than a group of rows; a list of 60,000 more rows would take 40 MB.
_MOST_GROWTH = 12_000


@pytest.mark.parametrize(("form", "fewer", "more"), [("csv", 20_000, 80_000), ("parquet", 45_000, 120_000)])
def test_memory_does_not_grow_with_the_number_of_readings(tmp_path: Path, form: str, fewer: int, more: int) -> None:
    peaks = []
    for count in (fewer, more):
        folder, file = tmp_path / f"{count}", tmp_path / f"{count}.{form}"
        folder.mkdir()
        write_raw(folder / DATABASE_FILE, count)
        written = peak_memory("export", "--raw", "--data", str(folder), "-o", str(file))
        read = peak_memory("import", str(file), "--data", str(tmp_path / f"new-{count}"))
        peaks.append((written, read))
    (first_written, first_read), (last_written, last_read) = peaks
    assert last_written - first_written < _MOST_GROWTH
    assert last_read - first_read < _MOST_GROWTH
