"""The bytes of a frame that the tables of a profile use, each with the path of the key that uses it.

A table with an error is here the dict of its right values (see `meterlink.tomlfile.tables.Computed`), so that an error
elsewhere in the table hides no byte beyond the frame.
"""

from collections.abc import Iterable, Iterator
from typing import Any

from meterlink.profiles.model import Bit, FieldLocation, Meaning
from meterlink.tomlfile.positions import TomlPath

UsedByte = tuple[int, TomlPath]


def used_bytes(
    frame: Any, value: Any, codes: Iterable[Any], annunciators: Iterable[tuple[Bit, Meaning | None]]
) -> Iterator[UsedByte]:
    """Yield ``(byte, path)`` of every byte that a profile uses; of a range of bytes the last one."""
    for at, _byte in _part(frame, "marks") or ():
        yield at, ("frame", "marks", str(at))
    yield from _checksum_bytes(_part(frame, "checksums") or ())
    yield from _value_bytes(value)
    for number, code in enumerate(codes):
        yield from _location_bytes(_part(code, "location"), ("code", number))
    for bit, _meaning in annunciators:
        yield bit.byte, ("annunciators", str(bit))


def frame_length(frame: Any) -> int | None:
    """Return the constant number of bytes of a ``[frame]`` table's frames, None without one."""
    lengths = [_part(part, "length") for part in _part(frame, "parts") or ()]
    numbers = [length for length in lengths if isinstance(length, int)]
    if numbers:
        return sum(numbers) if len(numbers) == len(lengths) else None
    length = _part(frame, "length")
    if not isinstance(length, int):
        return None
    if _part(frame, "hex"):
        return (length - len(_part(frame, "start") or b"") - len(_part(frame, "end") or b"")) // 2
    return length


def _checksum_bytes(checksums: Iterable[Any]) -> Iterator[UsedByte]:
    for number, checksum in enumerate(checksums):
        at, size, end = (_part(checksum, name) for name in ("at", "size", "end"))
        if at is not None and size is not None and at >= 0:
            last = at + (2 * size if _part(checksum, "hex") else size) - 1
            yield last, ("frame", "checksum", number, "at")
        if end is not None and end > 0:
            yield end - 1, ("frame", "checksum", number, "to")


def _value_bytes(value: Any) -> Iterator[UsedByte]:
    source = _part(value, "source") or value
    yield from _location_bytes(_part(source, "location"), ("value",))
    for key in ("digits", "pools"):
        for number, bits in enumerate(_part(source, key) or ()):
            yield from _bytes_of_bits(bits or (), ("value", key, number))
    for places, bit in _part(value, "points") or ():
        yield from _bytes_of_bits((bit,), ("value", "points", str(places)))


def _location_bytes(location: FieldLocation | None, path: TomlPath) -> Iterator[UsedByte]:
    if location is None:
        return
    if location.bits:
        yield from _bytes_of_bits(location.bits, (*path, "bits"))
    else:
        yield location.at + location.size - 1, (*path, "at")


def _bytes_of_bits(bits: Iterable[object], path: TomlPath) -> Iterator[UsedByte]:
    for bit in bits:
        if isinstance(bit, Bit):
            yield bit.byte, path


def _part(table: Any, name: str) -> Any:
    """Return a value of a table, or the right part of a wrong value; None without one."""
    if isinstance(table, dict):
        return table.get(name, table.get(f"partial_{name}"))
    return getattr(table, name, None)
