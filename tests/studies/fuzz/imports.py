"""Files that come from elsewhere: exports of every format, folder archives, sealed reports."""

import csv
import io
import json
import shutil
import sqlite3
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

import cbor2

from meterlink.record.exchange.formats import ExportFormat
from meterlink.record.exchange.importing import format_of, read_into
from meterlink.record.verified_report import verify_report
from meterlink.seal.canonical import text_hash
from meterlink.seal.station_key import new_key
from meterlink.seal.verification import SealState
from meterlink.settings import DATABASE_FILE
from meterlink.store.connections import connect_for_reading, connect_for_writing, raise_store_errors
from meterlink.store.folder_archive import pack_folder, unpack_folder
from meterlink.store.imported import ImportedRows, import_rows
from meterlink.store.migration import migrate
from studies.fuzz.target import Target
from support.commands import run_command
from support.exchange_records import DISPLAYS, write_record
from support.fixture_databases import kept_report
from support.fuzz.mutants import hostile_value, mutate_bytes, mutate_json, mutate_text, written_json

_FIRST = (
    r"is no export of readings|is no JSON: |is no array of JSON|damaged or cut off|is no CSV|no UTF-8|is no Parquet"
    r"|is no array of CBOR|is not JSON|is damaged"
)
# Keys of a report that no seal covers: names of meters, the place of a part, the diagnosis.
_UNSEALED = {"meter", "fitted", "outcome", "conclusion"}
_STATUSES = {0, 1, 2, 3, 4}  # of a command: all but a crash


@contextmanager
def import_targets(folder: Path) -> Iterator[Sequence[Target]]:
    """Yield the readers of files that come from elsewhere."""
    source, files = folder / "source", folder / "files"
    source.mkdir()
    files.mkdir()
    write_record(source / DATABASE_FILE, displays=DISPLAYS[:2])
    exports = [
        _export(source, files / f"{kind}.{form}", *options)
        for form in ExportFormat
        for kind, options in (("accepted", ()), ("raw", ("--raw",)))
    ]
    csv_files, jsonl, senml, cbor, parquet = (exports[number : number + 2] for number in range(0, len(exports), 2))
    lines = [[json.loads(line) for line in file.splitlines()] for file in jsonl]
    senmls = [json.loads(file) for file in senml]
    cbors = [cbor2.loads(file) for file in cbor]
    archive = _archive(source, files)
    report = kept_report()
    with ExitStack() as stack:
        importer = stack.enter_context(_Importer.opened(folder, source / DATABASE_FILE))
        read, whole = importer.read, partial(_import_whole, folder)
        yield (
            Target("JSON Lines", 26, partial(_jsonl, lines), read, _FIRST, 0.5, 0.05),
            Target("CSV", 44, partial(_csv, csv_files), read, _FIRST, 0.5, 0.05),
            Target("SenML", 12, partial(_senml, senmls), read, _FIRST, 0.5, 0.05),
            Target("SenML in CBOR", 14, partial(_cbor, cbor, cbors), read, _FIRST, 0.4, 0.03),
            Target("Parquet", 1, partial(_bytes, parquet), read, _FIRST, 0.01, 0.001),
            Target("whole imports", 0.2, partial(_jsonl, lines), whole, _FIRST, 0.5, 0.05),
            Target("folder archives", 0.3, partial(_zip, archive), partial(_unpack, folder), _FIRST, 0.2, 0.02),
            Target("reports", 1.5, partial(_json, [report.encode()]), partial(_verify, report), _FIRST, 0.5, 0.2),
            Target("reports of other keys", 1, partial(_signed, json.loads(report)), _verify_other, _FIRST, 0.9, 0.05),
        )


def _export(source: Path, file: Path, *options: str) -> bytes:
    assert run_command("export", "--data", str(source), "-o", str(file), *options).status == 0
    return file.read_bytes()


def _archive(source: Path, folder: Path) -> bytes:
    pack_folder(source / DATABASE_FILE, folder / "folder.zip")
    return (folder / "folder.zip").read_bytes()


class _Importer:
    """Imports as `import_rows` does, without the merge, into one database that is rolled back."""

    def __init__(self, folder: Path, connection: sqlite3.Connection, present: sqlite3.Connection) -> None:
        self._file = folder / "file"
        self._connection = connection
        self._present = present

    @classmethod
    @contextmanager
    def opened(cls, folder: Path, present_path: Path) -> Iterator["_Importer"]:
        new = folder / "new.db"
        with connect_for_reading(present_path) as present, closing(connect_for_writing(new)) as connection:
            present.row_factory = None
            migrate(connection, new)
            connection.row_factory = sqlite3.Row
            connection.execute("PRAGMA synchronous = OFF")
            yield cls(folder, connection, present)

    def read(self, data: bytes) -> str:
        self._file.write_bytes(data)
        form = format_of(self._file)
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            with raise_store_errors(self._file):
                rows = ImportedRows(self._connection, self._present if len(data) % 4 else None)
                read_into(self._file, form, rows, lambda _: None)
                rows.finish()
        finally:
            self._connection.execute("ROLLBACK")
        return f"{form}"


def _import_whole(folder: Path, data: bytes) -> str:
    """Import into an empty folder, and read the rows by the commands of a user."""
    into, file = folder / "whole", folder / "file.jsonl"
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir()
    file.write_bytes(data)
    with import_rows(into / DATABASE_FILE, [], preview=False, progress=lambda *_: None) as rows:
        read_into(file, format_of(file), rows, lambda _: None)
    for command in (
        ("history",), ("visit", "list"), ("report", "--last", "--format", "json"), ("verify", "--last"), ("trend",),
        ("export", "-o", str(folder / "again.jsonl"), "--force"), ("diagnose", "--last"),
    ):  # fmt: skip
        result = run_command(*command, "--data", str(into))
        assert result.status in _STATUSES, result
        assert "Traceback" not in result.err, result
    return "imported"


def _unpack(folder: Path, data: bytes) -> str:
    archive, into = folder / "archive.zip", folder / "unpacked"
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir()
    archive.write_bytes(data)
    before = {path.name for path in folder.iterdir()}
    try:
        unpack_folder(archive, into / DATABASE_FILE)
    finally:
        assert {path.name for path in folder.iterdir()} == before  # nothing beside the folder
    return "unpacked"


def _verify(sealed: str, data: bytes) -> str:
    """Verify a report; the sealed parts of one that is intact must be those of the report ``sealed``."""
    text = data.decode(errors="replace")
    state = verify_report(text, "report.json").verification.state
    if state is SealState.INTACT:
        assert _sealed_parts(json.loads(text)) == _sealed_parts(json.loads(sealed))
    return str(state)


def _verify_other(data: bytes) -> str:
    return str(verify_report(data.decode(), "report.json").verification.state)


def _sealed_parts(report: dict[str, Any]) -> str:
    parts = {key: report.get(key) for key in ("place", "left", "notes", "readings", "replaced")}
    return json.dumps(_without_unsealed(parts), sort_keys=True)


def _without_unsealed(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_unsealed(part) for key, part in value.items() if key not in _UNSEALED}
    return [_without_unsealed(part) for part in value] if isinstance(value, list) else value


# Inputs


def _bytes(files: Sequence[bytes], rng: Random) -> bytes:
    return mutate_bytes(rng, rng.choice(files), most=2)


def _jsonl(files: Sequence[list[Any]], rng: Random) -> bytes:
    lines = [json.dumps(line) for line in _few_readings(rng, rng.choice(files))]
    if rng.randrange(4) == 0:
        return mutate_text(rng, "\n".join(lines) + "\n", most=2).encode(errors="replace")
    for _ in range(rng.randint(1, 2)):
        place = rng.randrange(len(lines))
        with suppress(ValueError, RecursionError):  # of a line that was changed before
            lines[place] = written_json(rng, mutate_json(rng, json.loads(lines[place]), most=2))
    return ("\n".join(lines) + "\n").encode()


def _few_readings(rng: Random, lines: Sequence[Any]) -> list[Any]:
    """Return the lines of one or two readings, with those of their visits: the rest of a file takes time only."""
    readings = [line for line in lines if line["record"] in {"accepted reading", "raw reading"}]
    chosen = _few(rng, readings)
    uids = {line[key] for line in chosen for key in ("visit_uid", "raw_visit_uid") if line.get(key)}
    visits = [line for line in lines if line["record"] == "visit" and line["visit_uid"] in uids]
    return [lines[0], *visits, *chosen, {**lines[-1], "readings": len(chosen)}]


def _few(rng: Random, rows: Sequence[Any]) -> list[Any]:
    place = rng.randrange(len(rows))
    return list(rows[place : place + rng.randint(1, 2)])


def _few_records(rng: Random, records: Sequence[Any], base_name: Any) -> list[Any]:
    """Return the records of one or two readings of SenML; each reading begins with a base name."""
    begins = [place for place, record in enumerate(records) if base_name in record]
    first = rng.randrange(len(begins))
    ends = [*begins, len(records)]
    return [dict(record) for record in records[begins[first] : ends[min(first + rng.randint(1, 2), len(begins))]]]


def _senml(files: Sequence[Any], rng: Random) -> bytes:
    records = _few_records(rng, rng.choice(files), "bn")
    if rng.randrange(4) == 0:
        return mutate_text(rng, json.dumps(records), most=2).encode(errors="replace")
    return written_json(rng, mutate_json(rng, records, most=2)).encode()


def _json(files: Sequence[bytes], rng: Random) -> bytes:
    text = rng.choice(files).decode()
    if rng.randrange(4) == 0:
        return mutate_text(rng, text, most=2).encode(errors="replace")
    return written_json(rng, mutate_json(rng, json.loads(text), most=2)).encode()


def _csv(files: Sequence[bytes], rng: Random) -> bytes:
    text = rng.choice(files).decode()
    if rng.randrange(6) == 0:
        return mutate_text(rng, text, most=2).encode(errors="replace")
    header, *more = csv.reader(io.StringIO(text, newline=""))
    rows = [header, *_few(rng, more)]
    for _ in range(rng.randint(1, 3)):
        row = rng.choice(rows[rng.randrange(2) :])
        cell = rng.randrange(len(row))
        row[cell] = mutate_text(rng, row[cell], most=1)
    written = io.StringIO()
    csv.writer(written, lineterminator="\r\n").writerows(rows)
    return written.getvalue().encode(errors="replace")


def _cbor(files: Sequence[bytes], values: Sequence[Any], rng: Random) -> bytes:
    number = rng.randrange(len(files))
    if rng.randrange(8) == 0:
        return mutate_bytes(rng, files[number], most=2)
    records = _few_records(rng, values[number], -2)
    for _ in range(rng.randint(1, 2)):
        record = rng.choice(records)
        key = rng.choice(list(record))
        kind = rng.randrange(6)
        if kind == 0:
            del record[key]
            record[rng.choice(list(range(-8, 12)))] = rng.choice([0, "x"])
        elif kind == 1:
            record[key] = cbor2.CBORTag(
                rng.choice(_TAGS), rng.choice([record[key], hostile_value(rng), [rng.randrange(99), 2]])
            )
        elif kind == 2 and isinstance(record[key], str):
            record[key] = mutate_text(rng, record[key], most=1)
        else:
            record[key] = hostile_value(rng)
    try:
        data = cbor2.dumps(records)
        return data if rng.randrange(3) else mutate_bytes(rng, data, most=2)
    except (ValueError, RecursionError, cbor2.CBOREncodeError):
        return mutate_bytes(rng, files[number], most=2)


# Registered by IANA: times, big numbers, decimal fractions, shared values, fractions, patterns, sets, addresses …
_TAGS = (0, 1, 2, 3, 4, 5, 25, 28, 29, 30, 35, 36, 37, 100, 256, 258, 260, 261, 1004, 43000, 55799)


def _zip(archive: bytes, rng: Random) -> bytes:
    if rng.randrange(2):
        return mutate_bytes(rng, archive, most=2)
    written = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(archive)) as old, zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, mutate_bytes(rng, data) if rng.randrange(2) else data)
        if rng.randrange(2):
            info = zipfile.ZipInfo(rng.choice(_NAMES))
            info.external_attr = rng.choice((0, 0o120777 << 16, 0o600 << 16, 0o644 << 16))
            new.writestr(info, mutate_text(rng, 'station = "van-3"\n').encode(errors="replace"))
    return written.getvalue()


_NAMES = (
    "settings.toml", "../settings.toml", "/etc/settings.toml", "a/b/c.toml", "a\\b.toml", "C:x", "x" * 300,
    "station.lock", "meterlink.db-wal", ".", "a/../../b", "\u202egnp.toml", "photos/1.jpg", "METERLINK.DB",
    "station.sock", "a\nb", "aux.txt",
)  # fmt: skip


def _signed(report: dict[str, Any], rng: Random) -> bytes:
    """Return a report whose sealed text is another's: anybody can sign anything with a key of their own."""
    changed = json.loads(json.dumps(report))
    text = json.loads(changed["sealed"]["editions"][-1]["text"])
    text["visit"] = mutate_json(rng, text["visit"], most=2)
    key = new_key()
    text["station_key"] = key.public_key
    sealed = written_json(rng, text)
    editions = [{"text": sealed, "public_key": key.public_key, "signature": key.sign(sealed)}]
    if rng.randrange(3) == 0:  # a second edition, which is compared with the first
        text |= {"edition": 2, "previous": [text_hash(sealed)], "visit": mutate_json(rng, text["visit"], most=1)}
        second = written_json(rng, text)
        editions.append({"text": second, "public_key": key.public_key, "signature": key.sign(second)})
    changed["sealed"]["editions"] = editions
    return json.dumps(changed).encode()
