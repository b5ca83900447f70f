"""The small changes of a module: the operators of mutmut that a type check cannot refuse, and changes of SQL.

mutmut's own run leaves out constants of modules, properties, context managers and SQL. Limits are constants, and half
of the store is SQL, so only its operators are used here.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import libcst as cst
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation.mutators import (
    mutation_operators,
    operator_arg_removal,
    operator_assignment,
    operator_dict_arguments,
    operator_string,
)

# Text of a message would drown the rest; an argument or a value that becomes None is refused by mypy.
_LEFT_OUT = (operator_string, operator_arg_removal, operator_assignment, operator_dict_arguments)
_SQL = re.compile(r"\b(SELECT|INSERT|UPDATE|DELETE|WHERE|ORDER BY|FROM|JOIN|TRIGGER)\b")
_SQL_CHANGES = tuple(
    (re.compile(pattern), new)
    for pattern, new in (
        (r"\bAND\b", "OR"),
        (r"\bOR\b(?! (IGNORE|REPLACE))", "AND"),
        (r" < ", " <= "),
        (r" > ", " >= "),
        (r" <= ", " < "),
        (r" >= ", " > "),
        (r" = ", " != "),
        (r" != ", " = "),
        (r" DESC\b", ""),
        (r"\bIS NULL\b", "IS NOT NULL"),
        (r"\bIS NOT NULL\b", "IS NULL"),
        (r"\bNOT (?=EXISTS|IN|GLOB|LIKE)", ""),
        (r"\bLEFT JOIN\b", "JOIN"),
        (r"\bDISTINCT ", ""),
        (r"\bUNION ALL\b", "UNION"),
        (r"\bmax\(", "min("),
        (r"\bmin\(", "max("),
        (r" \+ ", " - "),
        (r" - ", " + "),
    )
)
_TEXT = (cst.SimpleString, cst.FormattedString, cst.ConcatenatedString)
_Operator = Callable[[Any], Iterator[cst.CSTNode]]


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """One change of a module: the lines of its statement, and a node of its tree with the one that replaces it."""

    lines: range
    module: cst.Module
    node: cst.CSTNode
    new: cst.CSTNode

    @property
    def before(self) -> str:
        """The changed text."""
        text: str = self.module.code_for_node(self.node)
        return text.strip()

    @property
    def after(self) -> str:
        """The text that replaces it."""
        text: str = self.module.code_for_node(self.new)
        return text.strip()

    @property
    def source(self) -> str:
        """The whole changed module."""
        changed = self.module.deep_replace(self.node, self.new)
        assert isinstance(changed, cst.Module)
        text: str = changed.code
        return text


def changes(source: str) -> Iterator[Change]:
    """Yield every change of the module ``source``, in the order of its text."""
    wrapper = MetadataWrapper(cst.parse_module(source), unsafe_skip_copy=True)
    positions = wrapper.resolve(PositionProvider)
    for node, place in _nodes(wrapper.module, wrapper.module):
        begin, end = positions[place].start.line, positions[place].end.line
        for new in _changed(node):
            yield Change(range(begin, end + 1), wrapper.module, node, new)


def _nodes(node: cst.CSTNode, place: cst.CSTNode) -> Iterator[tuple[cst.CSTNode, cst.CSTNode]]:
    """Yield the nodes that may be changed, each with its statement, or its expression in the head of a block.

    Annotations, decorators and imports are left out.
    """
    if isinstance(node, cst.Annotation | cst.Decorator | cst.Import | cst.ImportFrom) or _is_message(node):
        return
    yield node, node.test if isinstance(node, cst.If) else place
    inner = cst.BaseCompoundStatement | cst.BaseSuite | cst.Module
    for child in node.children:
        yield from _nodes(child, child if isinstance(node, inner) else place)


def _is_message(node: cst.CSTNode) -> bool:
    return isinstance(node, cst.FormattedString) and not any(
        _SQL.search(part.value) for part in node.parts if isinstance(part, cst.FormattedStringText)
    )


def _changed(node: cst.CSTNode) -> Iterator[cst.CSTNode]:
    for kind, operator in (*mutation_operators, *_FURTHER):
        if isinstance(node, kind) and operator not in _LEFT_OUT:
            yield from operator(node)


def _without_argument(call: cst.Call) -> Iterator[cst.CSTNode]:
    """Leave out a named argument, or the last one: its default may do as well."""
    for index, argument in enumerate(call.args):
        left_out = argument.keyword is not None or 0 < index == len(call.args) - 1
        if left_out and not isinstance(argument.value, _TEXT):
            yield call.with_changes(args=[*call.args[:index], *call.args[index + 1 :]])


def _negated(statement: cst.If) -> Iterator[cst.CSTNode]:
    """Negate a condition that has no operator of its own."""
    if isinstance(statement.test, cst.Name | cst.Attribute | cst.Call):
        negated = cst.UnaryOperation(cst.Not(), statement.test, lpar=[cst.LeftParen()], rpar=[cst.RightParen()])
        yield statement.with_changes(test=negated)


def _without_call(statement: cst.SimpleStatementLine) -> Iterator[cst.CSTNode]:
    """Leave out a call whose result is not used, and a conditional error."""
    (first, *rest) = statement.body
    if not rest and isinstance(first, cst.Expr) and isinstance(first.value, cst.Call | cst.Await):
        yield statement.with_changes(body=[cst.Pass()])


def _decimal(call: cst.Call) -> Iterator[cst.CSTNode]:
    """Change a decimal constant by a tenth of it, and zero to one."""
    match call:
        case cst.Call(func=cst.Name(value="Decimal"), args=[cst.Arg(value=cst.SimpleString() as text)]):
            value = Decimal(str(text.evaluated_value))
            changed = value * Decimal("1.1") if value else Decimal(1)
            if value.is_finite():
                yield call.with_changes(args=[cst.Arg(cst.SimpleString(f'"{changed}"'))])


def _sql(node: cst.SimpleString | cst.FormattedStringText) -> Iterator[cst.CSTNode]:
    if _SQL.search(node.value):
        for pattern, new in _SQL_CHANGES:
            for match in pattern.finditer(node.value):
                yield node.with_changes(value=node.value[: match.start()] + new + node.value[match.end() :])


_FURTHER: tuple[tuple[Any, _Operator], ...] = (
    (cst.Call, _without_argument),
    (cst.Call, _decimal),
    (cst.If, _negated),
    (cst.SimpleStatementLine, _without_call),
    (cst.SimpleString, _sql),
    (cst.FormattedStringText, _sql),
)
