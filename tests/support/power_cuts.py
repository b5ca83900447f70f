"""The disk after a power cut: the system calls of a process, replayed as far as it had them synced.

`strace` lists the calls. A write counts as kept once `fsync` or `fdatasync` of its file has returned. Of the writes
after it the disk may have kept any, in any order: a seeded choice of them is applied, too.
"""

import random
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from support.tools import skip_without_tool

_CALLS = "pwrite64,write,ftruncate,fsync,fdatasync,unlink,unlinkat,rename"
_LINE = re.compile(r"^(?:\[pid +)?(\d+)\]? +(.*)$")
_CALL = re.compile(r"^(\w+)\((?:(\d+)<([^>]*)>)?(?:, )?(.*)\) += (-?\d+)")
_TEXT = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')


class Call(NamedTuple):
    """A system call that succeeded; ``path`` is the file of its descriptor, or the file that it names."""

    name: str
    descriptor: int
    path: str
    data: bytes
    numbers: tuple[int, ...]


def traced_calls(command: list[str], trace: Path) -> list[Call]:
    """Run a command to its end; return its calls in the order in which they returned. Skip without `strace`."""
    if shutil.which("strace") is None:
        skip_without_tool("strace")
    traced = ["strace", "-f", "-qq", "-y", "-xx", "-s", "1000000", "-e", f"trace={_CALLS}", "-o", str(trace), *command]
    ended = subprocess.run(traced, capture_output=True, text=True, timeout=200, check=False)
    if "Operation not permitted" in ended.stderr and "ptrace" in ended.stderr:
        pytest.skip("no right to trace a process here")
    assert ended.returncode == 0, ended.stderr
    return list(_parse(trace.read_text(encoding="ascii").splitlines()))


def _parse(lines: list[str]) -> Iterator[Call]:
    begun: dict[str, str] = {}
    for line in lines:
        found = _LINE.match(line)
        assert found is not None, line[:200]
        thread, text = found.groups()
        if text.endswith("<unfinished ...>"):
            begun[thread] = text.removesuffix("<unfinished ...>")
            continue
        if text.startswith("<... "):
            text = begun.pop(thread) + text.partition(" resumed>")[2]
        call = _CALL.match(text)
        if call is None or int(call[5]) < 0:
            continue
        texts = [bytes.fromhex(part.replace("\\x", "")) for part in _TEXT.findall(call[4])]
        numbers = tuple(int(number) for number in re.findall(r"(?<![\w\\])\d+", _TEXT.sub("", call[4])))
        path = _decode(call[3]) if call[2] is not None else (texts[0].decode() if texts else "")
        yield Call(call[1], int(call[2] or -1), path, texts[-1] if texts else b"", numbers)


def _decode(text: str) -> str:
    """Return a path as `strace -xx` prints it: in hexadecimal, or as it is."""
    return bytes.fromhex(text.replace("\\x", "")).decode() if text.startswith("\\x") else text


class Disk:
    """The files of a folder as a power cut would leave them."""

    def __init__(self, folder: Path) -> None:
        self._prefix = f"{folder}/"
        self._kept: dict[str, bytearray] = {}
        self._unsynced: dict[str, list[Call]] = {}

    def apply(self, call: Call) -> None:
        """Let the process make a call."""
        if not call.path.startswith(self._prefix):
            return
        match call.name:
            case "pwrite64" | "ftruncate":
                self._unsynced.setdefault(call.path, []).append(call)
            case "fsync" | "fdatasync":
                file = self._kept.setdefault(call.path, bytearray())
                for write in self._unsynced.pop(call.path, []):
                    _change(file, write)
            case "unlink" | "unlinkat":
                self._kept.pop(call.path, None)
                self._unsynced.pop(call.path, None)

    def unsynced(self, path: str) -> int:
        """Return the number of changes of a file that a power cut may take."""
        return len(self._unsynced.get(path, ()))

    def cut(self, folder: Path, rng: random.Random) -> None:
        """Write the files of this moment to ``folder``, with a random choice of the unsynced writes."""
        folder.mkdir()
        for path in self._kept.keys() | self._unsynced.keys():
            file = bytearray(self._kept.get(path, b""))
            unsynced = self._unsynced.get(path, [])
            for write in rng.sample(unsynced, rng.randint(0, len(unsynced))):
                _change(file, write)
            (folder / Path(path).name).write_bytes(file)


def _change(file: bytearray, call: Call) -> None:
    if call.name == "ftruncate":
        size = call.numbers[0]
        file[size:] = bytes(max(0, size - len(file)))
        return
    offset = call.numbers[-1]
    if len(file) < offset:
        file.extend(bytes(offset - len(file)))
    file[offset : offset + len(call.data)] = call.data
