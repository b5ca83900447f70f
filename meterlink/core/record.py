"""A dataclass for values that are made for every packet: frozen for the type checker, quick to make at run time."""

from dataclasses import dataclass
from typing import TypeVar, dataclass_transform

_T = TypeVar("_T")


@dataclass_transform(frozen_default=True)
def record(cls: type[_T]) -> type[_T]:
    """Return ``cls`` as a dataclass with slots that mypy treats as frozen.

    A dataclass that is frozen at run time, too, sets each field through ``object.__setattr__``: a reading with its
    twelve fields then takes 2.1 µs to make instead of 0.8.
    """
    return dataclass(slots=True, unsafe_hash=True)(cls)
