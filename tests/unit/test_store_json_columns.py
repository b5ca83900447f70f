"""The columns whose text is JSON: a row that comes in must not break the reports that read it years later."""

import pytest

from meterlink.core.errors import InputError
from meterlink.store.json_columns import check_json_column


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("derived", "[]"),
        ("derived", '[{"key": "split", "of": ["return", "supply"]}]'),
        ("answers", "{}"),
        ("answers", '{"phases": "3"}'),
        ("carried_answers", '{"refrigerant": "R-454B"}'),
        ("sections", "[]"),
        ("sections", '["HERM", "FAN"]'),
        ("ratings", "{}"),
        ("ratings", '{"fan": ["45 µF", 1783944000000000000, "45 µF ±6 %"], "herm": ["", null, ""]}'),
    ],
)
def test_the_shape_of_an_export_comes_in(name: str, text: str) -> None:
    check_json_column(name, text)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("derived", "{}"),
        ("derived", "[1]"),
        ("derived", '[{}, "split"]'),
        ("answers", "[]"),
        ("answers", '{"phases": 3}'),
        ("answers", '["phases"]'),
        ("carried_answers", '{"refrigerant": null}'),
        ("sections", "{}"),
        ("sections", '"HERM"'),
        ("sections", '["HERM", 1]'),
        ("ratings", "[]"),
        ("ratings", '{"fan": ["45 µF", null]}'),
        ("ratings", '{"fan": ["45 µF", null, "50 µF", ""]}'),
        ("ratings", '{"fan": "45 "}'),  # three characters
        ("ratings", '{"fan": [45, null, "50 µF"]}'),
        ("ratings", '{"fan": ["45 µF", 1.5, "50 µF"]}'),
        ("ratings", '{"fan": ["45 µF", true, "50 µF"]}'),
        ("ratings", '{"fan": ["45 µF", null, null]}'),
        ("sections", "[" * 500 + "]" * 500),
    ],
)
def test_another_shape_is_refused(name: str, text: str) -> None:
    with pytest.raises(InputError, match=f"{name} has another shape"):
        check_json_column(name, text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[",
        "[NaN]",  # no JSON, although Python reads it
        "[Infinity]",
        r'["\ud800"]',  # half a character: no text can hold it
    ],
)
def test_what_no_program_could_read_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="sections is no JSON"):
        check_json_column("sections", text)
