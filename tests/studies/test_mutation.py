"""The changes that the mutation study makes: the code that it changes, and the code that it leaves as it is."""

import pytest

pytest.importorskip("libcst", reason="the extra `long` is not installed")
pytest.importorskip("mutmut", reason="the extra `long` is not installed")

from studies.mutation.changes import changes


def changed(source: str) -> list[tuple[str, str]]:
    return [(change.before, change.after) for change in changes(source)]


def test_the_constants_of_a_module_are_changed() -> None:
    assert changed('TOLERANCE = Decimal("0.06")\nMOST = 5\n') == [
        ('Decimal("0.06")', 'Decimal("0.066")'),
        ("5", "6"),
    ]


def test_a_property_is_changed_and_an_annotation_is_not() -> None:
    source = "class A:\n    @property\n    def b(self) -> Literal[5]:\n        return self.c <= self.d\n"
    (change,) = changes(source)
    assert (change.source, change.lines) == (source.replace("<=", "<"), range(4, 5))


def test_sql_is_changed_and_a_message_is_not() -> None:
    assert [after for _, after in changed('sql = "SELECT id FROM a WHERE n > ? ORDER BY id DESC"')] == [
        '"SELECT id FROM a WHERE n >= ? ORDER BY id DESC"',
        '"SELECT id FROM a WHERE n > ? ORDER BY id"',
    ]
    assert len(changed('sql = f"SELECT id FROM {table} WHERE n > ?"')) == 1
    assert changed('raise InputError(f"{n - 1} > 5", "Take less.")') == []


def test_a_condition_a_call_and_a_named_argument_are_left_out() -> None:
    assert [after for _, after in changed("if found:\n    commit(connection, at=now)\n")] == [
        "if (not found):\n    commit(connection, at=now)",
        "pass",
        "commit(connection, )",
    ]
