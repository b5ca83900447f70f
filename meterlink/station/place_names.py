"""The names of sites and units as somebody types them. Pure."""

from meterlink.core.errors import InputError
from meterlink.core.text import LONGEST_NAME, LONGEST_REMARK, clean_text


def place_name(text: str) -> str:
    """Return a name without invisible characters; it is never cut: two places could become one.

    Raises:
        InputError: nothing is left, or it is longer than a line of a small screen.
    """
    name = clean_text(text, LONGEST_REMARK)
    if not name:
        raise InputError("A name is missing.", "Name the site and the unit.")
    if len(name) > LONGEST_NAME:
        raise InputError(f"The name {name[:LONGEST_NAME]}… has {len(name)} characters.", f"At most {LONGEST_NAME} fit.")
    return name
