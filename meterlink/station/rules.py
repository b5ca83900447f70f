"""The rules of diagnosis that ship with Meterlink."""

from functools import cache

from meterlink.diagnosis.rules import Rule, parse_rules
from meterlink.tomlfile.files import read_package_text


@cache
def shipped_rules() -> tuple[Rule, ...]:
    """Return the rules in ``meterlink/diagnosis/rules.toml``, in the order of the file."""
    return parse_rules(read_package_text("meterlink.diagnosis", "rules.toml"))
