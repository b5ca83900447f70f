"""Write ``meterlink/docs/api.md``: signature and docstring of each public name, from the sources.

Run: ``python tests/support/api_reference.py``. The public names are those of ``import meterlink`` and of
`meterlink.driver_api`, and the classes of `meterlink.core.errors`. Signatures are taken from the sources, not from the
objects, because every version of Python prints objects in its own way.
"""

import ast
import importlib
import inspect
import re
import sys
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from types import ModuleType
from typing import Any

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "meterlink" / "docs" / "api.md"

HEAD = """# Reference

Every public name, with its docstring. The examples are in [python.md](python.md) and, for drivers, in
[drivers.md](drivers.md). This page is written by `python tests/support/api_reference.py`.
"""
# (heading, module that offers the names, introduction)
SECTIONS = (
    ("For scripts and notebooks", "meterlink", "`import meterlink`, then `meterlink.NAME`."),
    ("Errors", "meterlink.core.errors", "Also names of `meterlink`."),
    ("For drivers", "meterlink.driver_api", "`from meterlink.driver_api import NAME`."),
)
_LONGEST_SIGNATURE = 88  # characters in one line of the page, about the width of a page in a browser


def reference() -> str:
    """Return the page."""
    lines = [HEAD]
    described: set[int] = set()
    for heading, module_name, introduction in SECTIONS:
        module = importlib.import_module(module_name)
        lines += [f"## {heading}", "", introduction, ""]
        if module_name == "meterlink.core.errors":
            lines += [_markdown(module.__doc__ or ""), ""]
        for name in _names(module):
            value = getattr(module, name)
            if _is_error_of_the_core(value) != (module_name == "meterlink.core.errors"):
                continue
            if id(value) in described and not isinstance(value, float | str):
                continue
            described.add(id(value))
            lines += [*_entry(name, value, module), ""]
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines)).rstrip() + "\n"


def _names(module: ModuleType) -> list[str]:
    if module.__name__ == "meterlink.core.errors":  # from the root down, in the order of the tree in its docstring
        return [name for name, value in vars(module).items() if _is_error_of_the_core(value)]
    return sorted(module.__all__, key=str.casefold)


def _is_error_of_the_core(value: object) -> bool:
    return inspect.isclass(value) and issubclass(value, Exception) and value.__module__ == "meterlink.core.errors"


def _entry(name: str, value: Any, module: ModuleType) -> Iterator[str]:
    """Yield the lines of one name."""
    yield f"### `{name}`"
    yield ""
    if inspect.isclass(value):
        yield from _class_entry(value)
    elif inspect.isfunction(value):
        yield from _function_entry(_node(value), value)
    else:
        yield f"```python\n{name}{_constant(name, module)}\n```"


def _constant(name: str, module: ModuleType) -> str:
    """Return the value of a constant as its module writes it; the type of the version, which is not this page's."""
    rooms = [sys.modules[found] for found in sorted(sys.modules) if found.startswith("meterlink.notebook.")]
    for source in (module, *rooms):
        for node in ast.parse(inspect.getsource(source)).body:
            if isinstance(node, ast.Assign) and [ast.unparse(target) for target in node.targets] == [name]:
                return f" = {ast.unparse(node.value)}"
    return f": {type(getattr(module, name)).__name__}"


def _class_entry(value: type) -> Iterator[str]:
    node = _node(value)
    assert isinstance(node, ast.ClassDef)
    bases = ", ".join(base.__name__ for base in value.__bases__ if base is not object and base.__name__ != "Protocol")
    yield f"```python\nclass {value.__name__}{f'({bases})' if bases else ''}"
    for statement in node.body:
        is_member = isinstance(statement, ast.Assign) and issubclass(value, Enum)
        if is_member or isinstance(statement, ast.AnnAssign):  # else it is no field
            yield f"    {ast.unparse(statement)}"
    yield "```"
    yield ""
    yield _markdown(value.__doc__ or "")
    for statement in node.body:
        if isinstance(statement, ast.FunctionDef) and not statement.name.startswith("_"):
            yield ""
            yield f"#### `{value.__name__}.{statement.name}`"
            yield ""
            yield from _function_entry(statement, vars(value)[statement.name])


def _function_entry(node: ast.AST, value: Any) -> Iterator[str]:
    assert isinstance(node, ast.FunctionDef)
    decorators = {ast.unparse(decorator) for decorator in node.decorator_list}
    returns = f" -> {ast.unparse(node.returns)}" if node.returns else ""
    if "property" in decorators:
        yield f"```python\n{node.name}{returns.replace(' ->', ':')}\n```"
    else:
        yield f"```python\n{_signature(node.name, node.args, returns)}\n```"
    yield ""
    function = value.fget if isinstance(value, property) else getattr(value, "__func__", value)
    yield _markdown(function.__doc__ or "")


def _signature(name: str, arguments: ast.arguments, returns: str) -> str:
    """Return a signature in one line, or with each argument in a line of its own where it is long."""
    unused = (*arguments.posonlyargs, arguments.vararg, arguments.kwarg)
    assert not any(unused), "no public name has these"
    defaults = [*[None] * (len(arguments.args) - len(arguments.defaults)), *arguments.defaults]
    parts = [_argument(*pair) for pair in zip(arguments.args, defaults, strict=True) if pair[0].arg != "self"]
    if arguments.kwonlyargs:
        parts += ["*", *(_argument(*pair) for pair in zip(arguments.kwonlyargs, arguments.kw_defaults, strict=True))]
    one_line = f"{name}({', '.join(parts)}){returns}"
    if len(one_line) <= _LONGEST_SIGNATURE:
        return one_line
    return "\n".join((f"{name}(", *(f"    {part}," for part in parts), f"){returns}"))


def _argument(argument: ast.arg, default: ast.expr | None) -> str:
    return ast.unparse(argument) + (f" = {ast.unparse(default)}" if default else "")


def _node(value: Any) -> ast.AST:
    return ast.parse(inspect.cleandoc("\n" + inspect.getsource(value))).body[0]


def _markdown(docstring: str) -> str:
    """Return a docstring as Markdown: its blocks after ``::`` as code, its errors as a list."""
    lines: list[str] = []
    in_code = in_errors = False
    for line in inspect.cleandoc(docstring).splitlines():
        indented = line.startswith("    ")
        if in_code and line and not indented:
            lines.insert(len(lines) - (lines[-1] == ""), "```")
            in_code = False
        if line.endswith("::"):
            lines += [line.removesuffix(":"), "", "```text"]
            in_code = True
        elif in_code:
            if line or lines[-1] != "```text":
                lines.append(line.removeprefix("    "))
        elif line == "Raises:":
            lines += ["Raises:", ""]
            in_errors = True
        elif in_errors and indented:
            name, colon, rest = line.strip().partition(":")
            is_first = bool(colon) and name.isidentifier() and not line.startswith("        ")
            lines.append(f"- `{name}`:{rest}" if is_first else f"  {line.strip()}")
        else:
            lines.append(line)
    if in_code:
        lines.append("```")
    return "\n".join(line.replace("``", "`") if "```" not in line else line for line in lines).rstrip()


if __name__ == "__main__":
    PAGE.write_text(reference(), encoding="utf-8", newline="\n")
    sys.stdout.write(f"{PAGE.relative_to(ROOT)} written\n")
