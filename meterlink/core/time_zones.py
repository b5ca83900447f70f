"""Time zones by their names in the IANA database: ``Europe/Oslo``."""

from difflib import get_close_matches
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text

_NEAREST = 3  # names in a message: more would not be read
_NO_PLACES = {"localtime", "Factory"}  # files of some machines that name no place


def parse_zone(text: str) -> str:
    """Return the name of a time zone as the IANA database writes it; upper and lower case are alike.

    Raises:
        InputError: there is no such time zone; the message has the nearest names.
    """
    wanted = clean_text(text)
    known = {name.casefold(): name for name in sorted(available_timezones() - _NO_PLACES)}
    found = known.get(wanted.casefold().replace(" ", "_"))
    if found is not None:
        return found
    if not known:
        raise InputError(
            f"The time zone {wanted!r} cannot be checked: this machine has no list of time zones.",
            "Install its package tzdata.",
        )
    nearest = _nearest(wanted.casefold().replace(" ", "_"), known)
    remedy = f"Did you mean {' or '.join(nearest)}?" if nearest else "Write a place of the IANA list, Europe/Oslo."
    raise InputError(f"There is no time zone {wanted!r}.", remedy)


def find_zone(name: str) -> ZoneInfo | None:
    """Return the time zone of a name; None for an empty name, and where this machine does not know the zone."""
    try:
        return ZoneInfo(name) if name else None
    except (ZoneInfoNotFoundError, ValueError, OSError):  # ValueError: no name of a zone; OSError: a folder's name
        return None


def _nearest(wanted: str, known: dict[str, str]) -> list[str]:
    """Return the names whose last part is ``wanted`` (Oslo, a city), else the names that are most like it.

    Only places are proposed: Etc/GMT+2 is two hours behind UTC, the reverse of the usual sign.
    """
    known = {folded: name for folded, name in known.items() if "/" in name and not name.startswith("Etc/")}
    of_city = [name for folded, name in known.items() if folded.rpartition("/")[2] == wanted.rpartition("/")[2]]
    if of_city:
        return of_city[:_NEAREST]
    cities: dict[str, str] = {}
    for folded, name in known.items():
        cities.setdefault(folded.rpartition("/")[2], name)
    alike = [known[folded] for folded in get_close_matches(wanted, known, _NEAREST)]
    alike += [cities[city] for city in get_close_matches(wanted.rpartition("/")[2], cities, _NEAREST)]
    return list(dict.fromkeys(alike))[:_NEAREST]
