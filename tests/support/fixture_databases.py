"""A database of each version of the tables, as a station of that version left it.

From version 1 on the tables change by migrations only. Before a new migration is written, run
``python tests/support/fixture_databases.py``: it keeps a database of the present version beside those of the versions
before. A test opens each, migrates it, and compares its tables with those of a new database, and its record with the
one that was kept. It also keeps the report on its visit: a report is checked against its seal by making it again, so
other words in a report need another `meterlink.record.json.FORMAT`.
"""

import gzip
import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory

if __name__ == "__main__":  # a script run by its path finds the modules beside it, but not their package
    sys.path.insert(0, str(Path(__file__).parents[1]))

from meterlink.core.equipment import Site
from meterlink.core.site_facts import SiteFact
from meterlink.core.stock import CAPACITOR, Movement, MovementKind, StockItem
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.record.json import FORMAT
from meterlink.store.connections import SCHEMA_VERSION
from meterlink.store.rows import Batch, ClockStep, CorrectionRow, GapCause, NewGap
from support.commands import run_command
from support.recorded_visits import OUTER_TIMEOUT
from support.sealed_visits import SITE, SealedVisit, display_reading, whole_visit

FOLDER = Path(__file__).with_name("databases")
VERSIONS = range(1, SCHEMA_VERSION + 1)


REPORT = FOLDER.parent / "reports" / f"{FORMAT}.json.gz"


def kept_report() -> str:
    """Return the kept report of the present format."""
    return gzip.decompress(REPORT.read_bytes()).decode()


def unpack(version: int, path: Path) -> None:
    """Write the kept database of a version to ``path``."""
    path.write_bytes(gzip.decompress((FOLDER / f"version-{version}.db.gz").read_bytes()))


def make(path: Path) -> None:
    """Write a database of the present version, with rows in every table that a station fills without a broker."""
    visit = whole_visit(path)
    writer = visit.writer
    writer.add_site_fact(SITE.name, SiteFact.TIME_ZONE, "Europe/Oslo").result(OUTER_TIMEOUT)
    item = StockItem(CAPACITOR, "45 µF 440 V")
    loaded = Movement(MovementKind.LOADED, item, 2, visit.now().utc_ns, "left bin")
    writer.add_movements([loaded]).result(OUTER_TIMEOUT)
    writer.set_low_mark(item, 1).result(OUTER_TIMEOUT)
    began, ended = visit.now(), visit.now()
    writer.add_gap(NewGap(visit.connection, GapCause.LINK_LOST, began, ended)).result(OUTER_TIMEOUT)
    writer.add_clock_step(ClockStep(began, ended, 10**9)).result(OUTER_TIMEOUT)
    _correct_a_reading(visit)
    visit.close()
    with closing(sqlite3.connect(path)) as connection:  # one file, without a log beside it
        connection.execute("PRAGMA journal_mode = DELETE")


def _correct_a_reading(visit: SealedVisit) -> None:
    """Write an open visit with a reading whose packet was decoded again: a factor of ten was lost."""
    key, west = "run-capacitor-herm", Site(SITE.name, "condenser west")
    plan = load_plan(DEFAULT_PLAN).with_usual_answers({})
    visit.ids = visit.writer.open_visit(west, plan, visit.now()).result(OUTER_TIMEOUT)
    uid = visit.accept(key, "4.53 uF")
    decoded, judgement = display_reading("45.3 uF", visit.now()), visit.judge(key, "45.3 uF")
    row = CorrectionRow(uid, decoded, judgement, "framed:yard", "yard", "ab" * 32, "Alex Quill")
    visit.writer.submit(Batch(corrections=(row,))).result(OUTER_TIMEOUT)


def keep() -> Path:
    """Keep a database of the present version; return its path."""
    with TemporaryDirectory() as folder:
        path = Path(folder, "meterlink.db")
        make(path)
        kept = FOLDER / f"version-{SCHEMA_VERSION}.db.gz"
        kept.parent.mkdir(exist_ok=True)
        kept.write_bytes(gzip.compress(path.read_bytes(), 9, mtime=0))
        if not REPORT.exists():  # those who have a report of this format can still check it
            report = run_command("report", "--last", "--format", "json", "--data", folder).out
            REPORT.parent.mkdir(exist_ok=True)
            REPORT.write_bytes(gzip.compress(report.encode(), 9, mtime=0))
        return kept


if __name__ == "__main__":
    print(keep())
