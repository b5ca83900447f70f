"""A unit as plain values, for JSON and for watchers: its fitted parts first, then its ratings and facts."""

from collections.abc import Mapping, Sequence
from typing import Any

from meterlink.core.clock import format_rfc3339
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.store.rows import StoredReplacement, StoredUnit


def unit_fields(unit: StoredUnit, replacements: Sequence[StoredReplacement]) -> dict[str, Any]:
    """Return the keys of `meterlink unit show --json`; ``replacements`` are those of all units, oldest first."""
    return {
        **listed_unit(unit),
        "fitted": [
            {
                "at": format_rfc3339(stored.replacement.utc_ns or 0),
                "part": stored.replacement.part,
                "circuit": stored.replacement.circuit,
                "old_rating": stored.replacement.old_rating,
                "new_rating": stored.replacement.new_rating,
            }
            for stored in reversed(replacements)
            if stored.site == unit.site
        ],
        "ratings": [
            {
                "circuit": rating.circuit,
                "component": rating.component,
                "section": rating.section,
                "point": rating.point_key,
                "rating": rating.rating,
                "at": format_rfc3339(rating.utc_ns),
            }
            for rating in unit.ratings
        ],
        "facts": [{"fact": str(fact), "text": text, "at": format_rfc3339(utc_ns)} for fact, text, utc_ns in unit.facts],
    }


def unit_lines(fields: Mapping[str, Any]) -> list[str]:
    """Return `unit_fields` as lines for a person, the size of the newest part first."""
    lines = []
    for fitted in fields["fitted"]:
        was = f", was {_clean(fitted['old_rating'])}" if fitted["old_rating"] else ""
        new = _clean(fitted["new_rating"]) or "no rating"
        lines.append(f"New {_clean(fitted['part'])}: {new}, fitted {fitted['at'][:10]}{was}")
    lines += [f"{fact['fact'].capitalize()}: {_clean(fact['text'])}" for fact in fields["facts"]]
    for rating in fields["ratings"]:
        part = " ".join(filter(None, (rating["component"], rating["section"])))
        lines.append(f"{_clean(part)}, {rating['point']}: {_clean(rating['rating'])}")
    return lines


def _clean(text: str) -> str:
    return clean_text(text, LONGEST_REMARK)


def listed_unit(unit: StoredUnit) -> dict[str, Any]:
    """Return the keys of `meterlink unit list --json`."""
    return {"site": unit.site.name, "unit": unit.site.unit, "visits": unit.visits, "archived": unit.archived}
