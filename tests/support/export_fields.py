"""``python tests/support/export_fields.py`` writes the data dictionary into meterlink/docs/export-fields.md."""

from pathlib import Path

from meterlink.record.exchange.dictionary import describe_as_markdown

PAGE = Path(__file__).parents[2] / "meterlink" / "docs" / "export-fields.md"
HEAD = """# The fields of an export

Every column and key that [`meterlink export`](export.md) writes, made from the declaration that writes them. *decimal*
is text with every digit of the display; *time* is ns since 1970 UTC, in Parquet a timestamp; *bytes* are hexadecimal
digits in CSV and JSON, and base64 in SenML; *flag* is 0 or 1 in CSV, else true or false. The last column is the value
in an anonymous export, where it differs.

"""


def page() -> str:
    """Return the page."""
    return HEAD + describe_as_markdown()


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
