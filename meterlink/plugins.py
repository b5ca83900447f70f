"""Drivers offered by installed distributions: loaded one by one, so that a broken one takes no other down."""

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import metadata
from typing import NamedTuple

from meterlink.core.text import clean_text
from meterlink.driver_api import CERTAIN, LIKELY, NO_MATCH, POSSIBLE, Advertisement, Characteristic, DriverFactory

ENTRY_POINT_GROUP = "meterlink.drivers"
"""The entry-point group; each entry point names a `DriverKind`."""

_OWN_DISTRIBUTION = "meterlink"
_LONGEST_REASON = 200  # characters; enough for an import error with its path, and still a line or two

_log = logging.getLogger(__name__)


class DriverFailure(NamedTuple):
    """A driver that could not be loaded: its entry point, the distribution that offers it, and why, in words."""

    name: str
    distribution: str
    reason: str


@dataclass(frozen=True, slots=True)
class LoadedDrivers:
    """The drivers that can be used, by name, and those that cannot."""

    factories: tuple[DriverFactory, ...]
    failures: tuple[DriverFailure, ...]


def load_drivers() -> LoadedDrivers:
    """Load every driver installed in this environment; never raises for a broken one.

    Of two drivers with one name the first is kept, Meterlink's own before any other's, then by entry point and
    distribution; the other is listed among the failures.
    """
    kinds: dict[str, DriverFactory] = {}
    failures: list[DriverFailure] = []
    for entry in sorted(metadata.entry_points(group=ENTRY_POINT_GROUP), key=_load_order):
        try:
            kind, name = _load(entry)
            reason = f"Another driver is named {name!r} already." if name in kinds else ""
        except (Exception, SystemExit) as error:  # noqa: BLE001 - a plug-in is anyone's code: it may raise anything
            reason = f"{type(error).__name__}: {error}"
        if reason:
            failures.append(DriverFailure(entry.name, _distribution(entry), clean_text(reason, _LONGEST_REASON)))
        else:
            kinds[name] = kind
    return LoadedDrivers(tuple(kinds[name] for name in sorted(kinds)), tuple(failures))


def best_driver(
    kinds: Iterable[DriverFactory], advertisement: Advertisement, services: Sequence[Characteristic] | None
) -> tuple[DriverFactory, float] | None:
    """Return the driver that fits a meter best and its score, None when no score reaches POSSIBLE.

    Ties go to the first name. A driver that raises, or answers with anything but a number from 0 to 1, is logged and
    counts as not fitting.
    """
    ordered = rank_drivers(kinds, advertisement, services)
    return ordered[0] if ordered and ordered[0][1] >= POSSIBLE else None


def rank_drivers(
    kinds: Iterable[DriverFactory], advertisement: Advertisement, services: Sequence[Characteristic] | None
) -> list[tuple[DriverFactory, float]]:
    """Return every driver with its score, the best first; scores as in `best`."""
    scored = [(kind, _match_score(kind, advertisement, services)) for kind in kinds]
    return sorted(scored, key=lambda pair: (-pair[1], pair[0].name))


def score_text(score: float) -> str:
    """Return how well a driver fits: ``certain``, ``likely``, ``possible`` or ``no``."""
    steps = ((CERTAIN, "certain"), (LIKELY, "likely"), (POSSIBLE, "possible"))
    return next((word for least, word in steps if score >= least), "no")


def _load_order(entry: metadata.EntryPoint) -> tuple[bool, str, str]:
    distribution = _distribution(entry)
    return distribution != _OWN_DISTRIBUTION, entry.name, distribution


def _distribution(entry: metadata.EntryPoint) -> str:
    return entry.dist.name if entry.dist is not None else "unknown"


def _load(entry: metadata.EntryPoint) -> tuple[DriverFactory, str]:
    """Return the driver an entry point names, with its name; raises whatever its code raises, or TypeError."""
    kind = entry.load()
    name = kind.name
    if not isinstance(name, str) or not name or name != clean_text(name).lower():
        raise TypeError(f"its name is {name!r}, not a short lower-case word")
    if isinstance(kind, type) or not callable(kind.matches) or not callable(kind.open):
        raise TypeError("it is not a DriverKind: matches and open cannot be called")
    return kind, name


def _match_score(kind: DriverFactory, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:
    try:
        score = float(kind.matches(advertisement, services))
    except (Exception, SystemExit) as error:  # noqa: BLE001 - a plug-in is anyone's code: it may raise anything
        _warn_once(kind.name, clean_text(f"{type(error).__name__}: {error}", _LONGEST_REASON))
        return NO_MATCH
    if not 0 <= score <= 1:
        _warn_once(kind.name, f"its score {score} is not within 0 and 1")
        return NO_MATCH
    return score


@lru_cache(maxsize=64)
def _warn_once(name: str, reason: str) -> None:
    """Log a broken driver: it is asked at every advertisement, and one line says it."""
    _log.warning("Driver %s cannot judge a meter and is passed over: %s.", name, reason)
