"""``meterlink stock``: low marks, the empty boxes in one line, the restock list, and parts that were bought."""

import json
from pathlib import Path

import pytest

from meterlink.cli.visit import closing_lines
from meterlink.core.errors import StoreError
from meterlink.core.stock import CAPACITOR, Movement, MovementKind, StockItem
from meterlink.settings import DATABASE_FILE
from meterlink.store.reader import Reader
from meterlink.store.writer import Writer
from support.commands import run_command, run_for_json, run_on_terminal
from support.fitted_parts import DUAL, HERM, NEW_DUAL, Read, store_movements, store_visit
from support.recorded_visits import OUTER_TIMEOUT, ManualClock

LABEL = "45+5 MFD 440V"


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    return tmp_path


def done(*args: str) -> str:
    status, out, err = run_command("stock", *args)
    assert (status, err) == (0, ""), err
    return out


def counts() -> dict[str, int]:
    return {f"{line['part']} {line['rating']}": line["count"] for line in run_for_json("stock", "list")}


def test_without_a_database_nothing_is_empty_and_nothing_to_buy(data: Path) -> None:
    assert done("list", "--empty") == "No empty box.\n"
    assert run_for_json("stock", "list") == []
    assert done("restock") == "Used since the first entry; nothing was received yet.\nNothing to buy.\n"
    assert run_for_json("stock", "restock") == {"since": None, "is_since_restock": False, "lines": []}
    assert done("restock", "--format", "csv").splitlines() == ["part,rating,buy,used,on_truck,low,place,meanwhile"]
    assert not (data / DATABASE_FILE).exists()


def test_the_empty_boxes_stand_in_one_line_with_their_places(data: Path) -> None:
    done("add", LABEL, "--place", "left bin")
    done("add", "2-pole 30 A", "--part", "contactor")
    done("add", "5 MFD 440V")
    assert done("list", "--empty") == "No empty box.\n"
    done("use", LABEL)
    done("use", "2-pole 30 A", "--part", "contactor", "--count", "2")
    line = "Empty: 45+5 µF 440 V (left bin), contactor 2-pole 30 A.\n"
    assert done("list", "--empty") == line
    assert run_on_terminal(80, "stock", "list", "--empty") == line
    empty = run_for_json("stock", "list", "--empty")
    assert [(box["rating"], box["count"], box["low"]) for box in empty] == [
        ("45+5 µF 440 V", 0, None), ("2-pole 30 A", -1, None),
    ]  # fmt: skip


def test_a_low_mark_is_shown_and_taken_away(data: Path) -> None:
    done("add", LABEL, "--count", "2")
    assert done("low", LABEL, "2") == "45+5 µF 440 V is to be bought with fewer than 2. On the truck: 2.\n"
    assert "low" not in done("list").partition("\n")[2]  # at its mark it is not below
    done("use", LABEL)
    assert "low: fewer than 2" in done("list")
    assert run_for_json("stock", "list")[0]["low"] == 2
    mark = run_for_json("stock", "low", "2-pole 30 A", "1", "--part", "contactor")
    assert mark == {"part": "contactor", "rating": "2-pole 30 A", "count": 0, "low": 1}
    assert done("list", "--empty") == "Empty: contactor 2-pole 30 A.\n"
    assert done("low", LABEL, "0") == "45+5 µF 440 V has no low mark. On the truck: 1.\n"
    assert run_for_json("stock", "list")[0]["low"] is None


def test_a_visit_uses_a_part_and_the_list_names_it_until_it_is_bought(data: Path) -> None:
    """From the replacement in a visit to the counter and back: the list as CSV, edited, booked at once."""
    may = 1_777_593_600_000_000_000  # ns since 1970: 2026-05-01
    loaded = Movement(MovementKind.LOADED, StockItem(CAPACITOR, DUAL), 2, may, "left bin")
    store_movements(data / DATABASE_FILE, [loaded])
    store_visit(data / DATABASE_FILE, "2026-07-01", (NEW_DUAL, Read(HERM, "45.1 uF")))
    (line,) = run_for_json("stock", "restock")["lines"]
    assert (line["rating"], line["buy"], line["used"], line["count"]) == (DUAL, 1, 1, 1)
    assert done("restock", "--since", "2026-07-02").splitlines()[-1].split() == [
        "1", "45+5", "µF", "±6", "%", "440", "V", "1", "0", "left", "bin",
    ]  # fmt: skip
    assert done("restock", "-o", "list.csv") == "The restock list, 1 line: list.csv\n"
    edited = (data / "list.csv").read_text(encoding="utf-8").replace("440 V,1,", "440 V,3,")
    (data / "list.csv").write_text(edited + "contactor,'+24 V,2,,,,right bin,\r\n", encoding="utf-8", newline="")
    assert done("receive", "--list", "list.csv").splitlines() == [
        f"   3 x {DUAL}  left bin (1 now)",
        "   2 x contactor +24 V  right bin (new)",
        "2 lines to book.",
        "Nothing is booked. Book it with --yes.",
    ]
    assert counts() == {f"capacitor {DUAL}": 1}
    assert done("receive", "--list", "list.csv", "--yes").splitlines() == [
        f"Received: 3 of {DUAL}. On the truck: 4.",
        "Received: 2 of contactor +24 V. On the truck: 2.",
    ]
    assert run_for_json("stock", "restock")["is_since_restock"] is True
    assert run_for_json("stock", "restock")["lines"] == []
    assert [line["kind"] for line in run_for_json("stock", "ledger")] == ["loaded", "used", "received", "received"]


def test_a_list_with_one_wrong_line_books_none(data: Path) -> None:
    (data / "list.csv").write_text(f"rating,buy\n{LABEL},2\nno rating at all,1\n", encoding="utf-8")
    status, out, err = run_command("stock", "receive", "--list", "list.csv", "--yes")
    assert (status, out) == (2, "")
    assert "no rating at all" in err
    assert run_for_json("stock", "ledger") == []


def test_movements_are_written_all_or_none(data: Path) -> None:
    item = StockItem(CAPACITOR, DUAL)
    writer = Writer(data / DATABASE_FILE, station="van-3", clock=ManualClock(), boot_id="a", on_alarm=lambda _: None)
    writer.start()
    try:
        same = [Movement(MovementKind.RECEIVED, item, 1, at, uid="the same") for at in range(2)]
        with pytest.raises(StoreError):
            writer.add_movements(same).result(OUTER_TIMEOUT)
        assert writer.stock().result(OUTER_TIMEOUT) == []
        writer.add_movements(same[:1]).result(OUTER_TIMEOUT)
    finally:
        writer.close()
    assert [count.count for count in Reader(data / DATABASE_FILE).stock()] == [1]


def test_one_rating_is_received_without_a_list(data: Path) -> None:
    assert done("receive", LABEL, "--count", "2", "--place", "left bin") == (
        "Received: 2 of 45+5 µF 440 V. On the truck: 2.\n"
    )
    booked = json.loads(done("receive", "2-pole 30 A", "--part", "contactor", "--json"))
    assert booked == {
        "parts": [{"part": "contactor", "rating": "2-pole 30 A", "received": 1, "count": 1}],
        "done": True,
    }
    assert "left bin" in done("list")


def test_none_is_left_and_the_rules_name_a_candidate_with_its_wiring(data: Path) -> None:
    done("add", "45 MFD 440V", "--place", "right bin")
    done("add", "5 MFD 440V")
    done("use", LABEL)
    assert "None left of 45+5 µF 440 V: meanwhile 45 µF 440 V (right bin) and 5 µF 440 V, two singles for a dual." in (
        done("restock")
    )
    (line,) = run_for_json("stock", "restock")["lines"]
    (candidate,) = line["candidates"]
    assert candidate["is_temporary"] is False
    assert "tie one terminal of each together as C" in candidate["remarks"][0]


@pytest.mark.parametrize(
    ("args", "error"),
    [
        (["receive"], "Give either RATING or --list FILE."),
        (["receive", LABEL, "--list", "list.csv"], "Give either RATING or --list FILE."),
        (["receive", "--list", "list.csv", "--count", "2"], "--count, --part and --place are those of a RATING"),
        (["receive", "--list", "none.csv"], "none.csv cannot be read: No such file or directory."),
        (["receive", "--list", "latin.csv"], "latin.csv is not UTF-8. Save it as CSV, UTF-8."),
        (["receive", "--list", "list.csv"], "list.csv buys nothing."),
        (["low", LABEL, "-1"], "No such option"),
        (["low", "bananas", "1"], "bananas"),
        (["restock", "--since", "soon"], "--since 'soon' is not a date or time."),
        (["restock", "-o", "list.txt"], "list.txt does not end in .csv, .html, .htm, .pdf: name FILE so"),
        (["restock", "-o", "list.csv", "--json"], "Give either -o and --format, or --json or --lines."),
        (["restock", "-o", "no/list.csv"], "no/list.csv cannot be written: No such file or directory."),
    ],
)
def test_a_mistake_is_answered_in_one_line(data: Path, args: list[str], error: str) -> None:
    (data / "list.csv").write_text("rating,buy\n", encoding="utf-8")
    (data / "latin.csv").write_bytes("rating,buy\n45 µF,1\n".encode("latin-1"))
    status, out, err = run_command("stock", *args)
    assert (status, out) == (2, "")
    assert error in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize(
    ("used", "line"),
    [
        ([], None),
        ([{"rating": "45+5 µF 440 V", "left": 1, "low": None}], "Used: 45+5 µF 440 V, 1 left."),
        ([{"rating": "45+5 µF 440 V", "left": 1, "low": 2}], "Used: 45+5 µF 440 V, 1 left, fewer than 2."),
        (
            [{"rating": "45+5 µF", "left": -1, "low": 1}, {"rating": "contactor 30 A", "left": 3, "low": 1}],
            "Used: 45+5 µF, none left, fewer than 1; contactor 30 A, 3 left.",
        ),
    ],
)
def test_the_close_of_a_visit_says_what_it_used(used: list[dict[str, object]], line: str | None) -> None:
    result = {
        "outcome": "repaired", "untested": [], "outside_not_replaced": [], "skipped": [], "meter_not_proven": [],
        "power_on": True, "covers_on": True, "used": used, "seal": "",
    }  # fmt: skip
    found = [text for text in closing_lines(result) if text.startswith("Used")]
    assert found == ([] if line is None else [f"{line} To buy: meterlink stock restock"])
