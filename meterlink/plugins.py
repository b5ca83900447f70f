"""Drivers from installed distributions, loaded one by one: a broken driver does not affect the others."""

import logging
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from meterlink.core.equipment import DriverFit
from meterlink.core.text import clean_text
from meterlink.driver_api import CERTAIN, LIKELY, NO_MATCH, POSSIBLE, Advertisement, Characteristic, DriverFactory

if TYPE_CHECKING:
    from importlib import metadata

ENTRY_POINT_GROUP = "meterlink.drivers"
"""The entry-point group; each entry point names a `DriverFactory`."""

_OWN_DISTRIBUTION = "meterlink"
_LONGEST_REASON = 200  # characters: an import error with its path, on two lines of a screen

_log = logging.getLogger(__name__)


class DriverFailure(NamedTuple):
    """A driver that failed to load: the name of its entry point, its distribution, and the reason in words."""

    name: str
    distribution: str
    reason: str


@dataclass(frozen=True, slots=True)
class LoadedDrivers:
    """The usable drivers, in order of their names, and the failed ones."""

    factories: tuple[DriverFactory, ...]
    failures: tuple[DriverFailure, ...]


def load_drivers() -> LoadedDrivers:
    """Load every driver installed in this environment. A broken driver becomes a failure, never an exception.

    Of two drivers with the same name the first is used: Meterlink's own before others, then in order of entry point and
    distribution. The second becomes a failure.
    """
    # Imported here: a daemon loads its drivers in a thread, and this module takes a twentieth of its imports.
    from importlib import metadata  # noqa: PLC0415

    factories: dict[str, DriverFactory] = {}
    failures: list[DriverFailure] = []
    for entry in sorted(metadata.entry_points(group=ENTRY_POINT_GROUP), key=_load_order):
        try:
            factory, name = _load(entry)
            reason = f"Another driver is already named {name!r}." if name in factories else ""
        except (Exception, SystemExit) as error:  # noqa: BLE001 - a plug-in may raise any exception
            reason = f"{type(error).__name__}: {error}"
        if reason:
            failures.append(DriverFailure(entry.name, _distribution(entry), clean_text(reason, _LONGEST_REASON)))
        else:
            factories[name] = factory
    return LoadedDrivers(tuple(factories[name] for name in sorted(factories)), tuple(failures))


def best_driver(
    factories: Iterable[DriverFactory], advertisement: Advertisement, services: Sequence[Characteristic] | None
) -> tuple[DriverFactory, float] | None:
    """Return ``(factory, score)`` of the driver that fits a meter best; None if no score reaches POSSIBLE.

    Ties go to the first name. A driver that raises, or returns no number from 0 to 1, is logged and gets the score 0.
    """
    ranked = rank_drivers(factories, advertisement, services)
    return ranked[0] if ranked and ranked[0][1] >= POSSIBLE else None


def rank_drivers(
    factories: Iterable[DriverFactory], advertisement: Advertisement, services: Sequence[Characteristic] | None
) -> list[tuple[DriverFactory, float]]:
    """Return ``(factory, score)`` of every driver, the best first; scores as in `best_driver`."""
    scored = [(factory, _match_score(factory, advertisement, services)) for factory in factories]
    return sorted(scored, key=lambda pair: (-pair[1], pair[0].name))


def driver_fit(score: float) -> DriverFit:
    """Return the fit of a score from 0 to 1."""
    steps = ((CERTAIN, DriverFit.CERTAIN), (LIKELY, DriverFit.LIKELY), (POSSIBLE, DriverFit.POSSIBLE))
    return next((fit for lowest, fit in steps if score >= lowest), DriverFit.NO)


def _load_order(entry: "metadata.EntryPoint") -> tuple[bool, str, str]:
    distribution = _distribution(entry)
    return distribution != _OWN_DISTRIBUTION, entry.name, distribution


def _distribution(entry: "metadata.EntryPoint") -> str:
    return entry.dist.name if entry.dist is not None else "unknown"


def _load(entry: "metadata.EntryPoint") -> tuple[DriverFactory, str]:
    factory = entry.load()
    name = factory.name
    if not isinstance(name, str) or not name or name != clean_text(name).lower():
        raise TypeError(f"its name is {name!r}, not a short lower-case word")
    if isinstance(factory, type) or not callable(factory.matches) or not callable(factory.open):
        raise TypeError("it is not a DriverFactory with the methods matches and open")
    return factory, name


def _match_score(
    factory: DriverFactory, advertisement: Advertisement, services: Sequence[Characteristic] | None
) -> float:
    try:
        score = float(factory.matches(advertisement, services))
    except (Exception, SystemExit) as error:  # noqa: BLE001 - a plug-in may raise any exception
        _warn_once(factory.name, clean_text(f"{type(error).__name__}: {error}", _LONGEST_REASON))
        return NO_MATCH
    if not 0 <= score <= 1:
        _warn_once(factory.name, f"its score {score} is not from 0 to 1")
        return NO_MATCH
    return score


@lru_cache(maxsize=64)
def _warn_once(name: str, reason: str) -> None:
    """Log a broken driver once: every advertisement calls it again."""
    _log.warning("Driver %s cannot score a meter and is skipped: %s.", name, reason)
