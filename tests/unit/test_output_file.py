"""A file that a command writes is whole under its name, or is not there."""

import os
import subprocess
import sys
from pathlib import Path
from typing import BinaryIO

import click
import pytest

from meterlink.cli.output_file import form_of_ending, open_output, open_whole_file, refuse_on_terminal, whole_path
from meterlink.core.errors import InputError

# Writes a million bytes, says so, and waits to be killed.
WRITE_AND_WAIT = """
import sys, time
from pathlib import Path
from meterlink.cli.output_file import open_whole_file
with open_whole_file(Path(sys.argv[1])) as file:
    file.write(bytes(1_000_000))
    file.flush()
    print("written", flush=True)
    sys.stdin.read()
"""


def write_half(target: Path, error: BaseException) -> None:
    with open_whole_file(target) as file:
        file.write(b"half")
        raise error


def write_to_nobody(file: BinaryIO, reader: int) -> None:
    os.close(reader)
    file.write(b"nobody reads")
    file.flush()


def test_a_file_gets_its_name_when_it_is_whole(tmp_path: Path) -> None:
    target = tmp_path / "readings.csv"
    with open_whole_file(target) as file:
        file.write(b"one\r\n")
        assert not target.exists()
        file.write(b"two\r\n")
    assert target.read_bytes() == b"one\r\ntwo\r\n"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError, InputError])
def test_an_error_leaves_the_file_before_and_no_other(tmp_path: Path, error: type[BaseException]) -> None:
    target = tmp_path / "readings.csv"
    target.write_bytes(b"before")
    with pytest.raises(error):
        write_half(target, error("while writing"))
    assert target.read_bytes() == b"before"
    assert list(tmp_path.iterdir()) == [target]


def test_a_full_disk_is_said_with_the_name_of_the_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"readings\.csv cannot be written: No space left"):
        write_half(tmp_path / "readings.csv", OSError(28, "No space left on device"))
    assert list(tmp_path.iterdir()) == []


def test_a_fault_of_the_program_is_not_called_a_fault_of_the_file(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="our own"):
        write_half(tmp_path / "readings.csv", ValueError("our own"))


@pytest.mark.parametrize("name", ["missing/readings.csv", "a\0b.csv"])
def test_a_name_that_cannot_be_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="cannot be written"), open_whole_file(tmp_path / name):
        pass


def test_a_library_may_write_the_new_file_by_its_path(tmp_path: Path) -> None:
    target = tmp_path / "kept.db"
    with whole_path(target) as temporary:
        assert temporary.parent == tmp_path
        temporary.write_bytes(b"whole")
    assert target.read_bytes() == b"whole"


def test_a_closed_pipe_is_no_fault_of_the_file(tmp_path: Path) -> None:
    fifo = tmp_path / "pipe"
    os.mkfifo(fifo)
    reader = os.open(fifo, os.O_RDONLY | os.O_NONBLOCK)
    with pytest.raises(BrokenPipeError), open_output(str(fifo)) as file:
        write_to_nobody(file, reader)


def test_a_killed_program_leaves_no_half_file_under_the_name(tmp_path: Path) -> None:
    target = tmp_path / "readings.csv"
    with subprocess.Popen(
        [sys.executable, "-c", WRITE_AND_WAIT, target], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout.readline() == "written\n"
        process.kill()
    assert not target.exists()
    assert [path.name[:11] for path in tmp_path.iterdir()] == [".meterlink-"]


def test_a_binary_format_is_refused_on_a_terminal_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    refuse_on_terminal("-", "pdf")  # the tests have no terminal
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    refuse_on_terminal("report.pdf", "pdf")
    with pytest.raises(click.UsageError, match="A terminal cannot show pdf: give a file with -o FILE, or a pipe"):
        refuse_on_terminal("-", "pdf")


def test_the_ending_names_the_format_and_an_unknown_one_is_never_the_default() -> None:
    endings = {".csv": "csv", ".htm": "html"}
    assert form_of_ending("LIST.CSV", endings) == "csv"
    assert form_of_ending("-", endings, "html") == "html"
    for output, default in (("list.doc", "html"), ("list.doc", None), ("-", None)):
        with pytest.raises(click.UsageError):
            form_of_ending(output, endings, default)
