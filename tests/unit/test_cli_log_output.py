"""The log of the daemon: its three forms, no personal data in it, and no flood."""

import io
import json
import logging
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.cli.log_output import (
    MOST_ALIKE,
    PERIOD,
    LimitedHandler,
    LogForm,
    RedactingFormatter,
    default_form,
    redact,
    start_log,
)
from support.examples import examples

NAMES = [("Mill Lane bakery", "site"), ("Condenser 1", "unit"), ("AC", "unit")]


@pytest.mark.parametrize(
    ("text", "logged"),
    [
        ("clamp (00:00:5E:00:53:0A): lost", "clamp (…53:0A): lost"),
        ("00-00-5e-00-53-0a", "…53-0a"),
        ("/org/bluez/hci0/dev_00_00_5E_00_53_0A/service0010", "/org/bluez/hci0/dev_…53_0A/service0010"),
        ("A1B2C3D4-0000-4000-8000-0000000012EF: lost", "…12EF: lost"),
        ("0000181a-0000-1000-8000-00805f9b34fb", "0000181a-0000-1000-8000-00805f9b34fb"),  # a standard service
        ("last meterlink/van-3/accepted/Condenser 1/fan: denied", "last meterlink/van-3/accepted/…: denied"),
        ("meterlink/van-3/readings/clamp-530a: not authorized", "meterlink/van-3/readings/…: not authorized"),
        ("The last reading at Condenser 1, Mill Lane bakery, is old.", "The last reading at (unit), (site), is old."),
        ("MILL LANE BAKERY", "(site)"),
        ("Condenser 12 of Mill Lane bakeryhouse", "Condenser 12 of Mill Lane bakeryhouse"),  # other names
        ("230 V AC", "230 V AC"),  # too short to be taken out
    ],
)
def test_what_is_personal_is_shortened(text: str, logged: str) -> None:
    assert redact(text, NAMES) == logged


@examples(200)
@given(st.text("abc ,:/", max_size=60), st.text("abcdefgh ", min_size=3, max_size=20).map(str.strip))
def test_no_name_is_left_as_a_word(text: str, name: str) -> None:
    logged = redact(f"{text} {name} {text}", [(name, "site")])
    assert len(name) < 3 or f" {name} " not in f" {logged} "


def record(text: str, *args: object, level: int = logging.WARNING) -> logging.LogRecord:
    made = logging.LogRecord("meterlink.station", level, "", 0, text, args, None)
    made.created = 1_783_944_000.5
    return made


def test_the_three_forms() -> None:
    wanted = {
        LogForm.TEXT: "2026-07-13T12:00:00.500Z WARNING meterlink.station: the disk is full",
        LogForm.JOURNAL: "<4>meterlink.station: the disk is full",
    }
    for form, line in wanted.items():
        assert RedactingFormatter(form).format(record("the disk is %s", "full")) == line
    fields = json.loads(RedactingFormatter(LogForm.JSON).format(record('µ "quoted"\nand so on')))
    assert fields == {
        "at": "2026-07-13T12:00:00.500Z", "level": "warning", "source": "meterlink.station",
        "text": 'µ "quoted"\nand so on',
    }  # fmt: skip


@pytest.mark.parametrize(
    ("level", "priority"),
    [(logging.DEBUG, 7), (logging.INFO, 6), (logging.WARNING, 4), (logging.ERROR, 3), (logging.CRITICAL, 2)],
)
def test_the_journal_gets_the_priorities_of_syslog(level: int, priority: int) -> None:
    assert RedactingFormatter(LogForm.JOURNAL).format(record("x", level=level)).startswith(f"<{priority}>")


def test_an_error_is_redacted_too_and_stays_one_line_of_json() -> None:
    made = record("failed")
    try:
        int("Mill Lane bakery 00:00:5E:00:53:0A")
    except ValueError as error:
        made.exc_info = (type(error), error, error.__traceback__)
    for form in LogForm:
        text = RedactingFormatter(form, lambda: NAMES).format(made)
        assert "(site) …53:0A" in text
    assert "\n" not in RedactingFormatter(LogForm.JSON).format(made)
    lines = RedactingFormatter(LogForm.JOURNAL).format(made).splitlines()
    assert len(lines) > 2
    assert all(line.startswith("<4>") for line in lines), "each line has its priority"


class Written:
    """A handler with a clock that the test sets, and its lines."""

    def __init__(self) -> None:
        self.stream = io.StringIO()
        self.now = 0.0
        self.handler = LimitedHandler(self.stream, lambda: self.now)
        self.handler.setFormatter(RedactingFormatter(LogForm.TEXT))

    def log(self, text: str) -> None:
        self.handler.handle(record(text))

    @property
    def texts(self) -> list[str]:
        return [line.split(": ", 1)[1] for line in self.stream.getvalue().splitlines()]


@pytest.mark.fault("growing-log")
def test_lines_that_differ_in_numbers_only_are_limited() -> None:
    written = Written()
    for number in range(80):
        written.log(f"message {number} was denied")
    written.log("another line")
    assert written.texts == [*(f"message {number} was denied" for number in range(MOST_ALIKE)), "another line"]
    written.now = PERIOD
    written.log("message 80 was denied")
    left_out = f"{80 - MOST_ALIKE} more lines like this one were left out: message 0 was denied"
    assert written.texts[-2:] == [left_out, "message 80 was denied"]


@pytest.mark.fault("growing-log")
def test_the_number_of_lines_left_out_is_not_lost_at_the_end() -> None:
    written = Written()
    for number in range(MOST_ALIKE + 5):
        written.log(f"packet {number}")
    written.handler.close()
    assert written.texts[-1] == "5 more lines like this one were left out: packet 0"


@pytest.mark.fault("growing-log")
def test_ever_new_lines_do_not_fill_the_memory() -> None:
    written = Written()
    for number in range(3_000):
        written.log("".join(chr(ord("a") + int(digit)) for digit in str(number)))
    assert len(written.handler._kinds) <= 500
    assert len(written.texts) == 3_000


def test_below_systemd_the_journal_is_recognised(tmp_path: Path) -> None:
    with (tmp_path / "log").open("w") as stream:
        status = os.fstat(stream.fileno())
        assert default_form(stream, {"JOURNAL_STREAM": f"{status.st_dev}:{status.st_ino}"}) is LogForm.JOURNAL
        # A redirected log of a service: the variable names another stream.
        assert default_form(stream, {"JOURNAL_STREAM": "9:12345"}) is LogForm.TEXT
        assert default_form(stream, {}) is LogForm.TEXT
    assert default_form(io.StringIO(), {"JOURNAL_STREAM": "9:12345"}) is LogForm.TEXT


def test_verbose_leaves_nothing_out() -> None:
    stream = io.StringIO()
    root = logging.getLogger()
    before, level = root.handlers[:], root.level
    root.handlers.clear()
    try:
        handler = start_log(stream, LogForm.TEXT, tuple, verbose=True)
        for number in range(3 * MOST_ALIKE):
            logging.getLogger("meterlink.test").debug("packet %d", number)
    finally:
        root.handlers[:] = before
        root.setLevel(level)
    handler.close()
    assert len(stream.getvalue().splitlines()) == 3 * MOST_ALIKE
