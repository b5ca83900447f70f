"""Find input and output in the pure rooms where no import shows it: ``open``, ``datetime.now``, ``Path.read_text``.

The pure rooms compute from their arguments alone: no file, no clock, no console, no process, no network. Imports that
would allow such things are refused by import-linter (pyproject.toml); this module finds the calls that need none.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

PURE = (
    "meterlink/judge",
    "meterlink/diagnosis",
    "meterlink/settling",
    "meterlink/profiles",
    "meterlink/teach",
    "meterlink/capture",
    "meterlink/driver_api.py",
    "drivers/meterlink_drivers",
)

_BUILTINS = {"open", "input", "print", "exec", "eval", "compile", "__import__", "breakpoint"}
_METHODS = {
    "now", "utcnow", "today", "read_text", "read_bytes", "write_text", "write_bytes", "iterdir", "import_module",
}  # fmt: skip


def impure_calls(root: Path) -> list[str]:
    """Return ``file:line: call`` for each such call in the pure rooms below ``root``, in the order of the files."""
    return [
        f"{path.relative_to(root)}:{call.lineno}: {ast.unparse(call.func)}()"
        for room in PURE
        for path in _python_files(root / room)
        for call in _calls(path)
        if _is_impure(call)
    ]


def _python_files(room: Path) -> list[Path]:
    return [room] if room.is_file() else sorted(room.rglob("*.py"))


def _calls(path: Path) -> Iterator[ast.Call]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            yield node


def _is_impure(call: ast.Call) -> bool:
    match call.func:
        case ast.Name(id=name):
            return name in _BUILTINS
        case ast.Attribute(value=ast.Name(id="re"), attr="compile"):
            return False
        case ast.Attribute(attr=name):
            return name in _METHODS
    return False
