"""Facts about a unit beside its test points: the nameplate, notes, photos.

Ratings that belong to a test point (RLA, LRA, FLA, coil volts, capacitors) are kept with it, in one place.
"""

from enum import StrEnum


class UnitFact(StrEnum):
    """The facts about a unit. Of those that can be there once, the newest counts."""

    KIND = "kind"  # condensing unit, package unit, walk-in cooler
    SUPPLY = "supply"  # 208/230 V
    PHASES = "phases"
    REFRIGERANT = "refrigerant"
    MODEL = "model"
    SERIAL = "serial"
    LOCATION = "location"  # roof, north side
    PHOTO = "photo"  # the path of a picture; any number of them
    NOTE = "note"  # any number of them


SEVERAL = frozenset({UnitFact.PHOTO, UnitFact.NOTE})
"""The facts of which a unit may have any number."""
