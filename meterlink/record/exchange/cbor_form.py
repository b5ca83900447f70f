"""SenML in CBOR (RFC 8428 section 6): maps with the integers of table 4 as keys, in an array of indefinite length.

The only importer of cbor2.
"""

from collections.abc import Iterable, Iterator
from io import BufferedReader
from typing import Any, BinaryIO

import cbor2

from meterlink.core.errors import InputError
from meterlink.record.exchange.senml_form import ReadingRecords
from meterlink.record.senml import Record

LABELS = {
    "bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6,
    "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8,
}  # fmt: skip
"""RFC 8428 section 6, table 4."""

_NAMES = {number: name for name, number in LABELS.items()}
# RFC 8949 section 3: the major type of arrays, and the arguments that say how many bytes the length has.
_ARRAY, _ONE_BYTE, _EIGHT_BYTES = 4, 24, 27
_BEGIN, _END = b"\x9f", b"\xff"  # RFC 8949 section 3.2.2: an array of indefinite length, and its end


def write_cbor(file: BinaryIO, readings: Iterable[ReadingRecords]) -> None:
    """Write the records of readings as one pack."""
    file.write(_BEGIN)
    common: list[Record] = []
    common_bytes = b""
    for own, shared in readings:
        if shared is not common:
            common, common_bytes = shared, _encode(shared)
        file.write(_encode(own) + (common_bytes if shared else b""))
    file.write(_END)


def read_cbor(file: BufferedReader) -> Iterator[dict[Any, object]]:
    """Yield the records of a pack, with the names that they have in JSON; the file stands at its first byte.

    Raises:
        InputError: it is no SenML in CBOR.
    """
    remaining = _array_length(file)
    decoder = cbor2.CBORDecoder(file)
    try:
        while remaining != 0:
            if remaining is None and file.peek(1)[:1] == _END:
                return
            record = decoder.decode()
            if not isinstance(record, dict):
                raise InputError("A record is no map.", "Write SenML in CBOR as RFC 8428 section 6 says.")
            yield {_NAMES.get(key, key): value for key, value in record.items()}
            remaining = None if remaining is None else remaining - 1
    except (cbor2.CBORDecodeError, EOFError) as error:
        raise InputError(f"The file is damaged or cut off: {error}.", "Export it again.") from error


def _array_length(file: BufferedReader) -> int | None:
    """Return the length of the array that begins here; None for one of indefinite length.

    Raises:
        InputError: no array begins here.
    """
    first = file.read(1)
    if first == _BEGIN:
        return None
    kind, argument = divmod(first[0] if first else 0, 32)
    if kind != _ARRAY or argument > _EIGHT_BYTES:
        raise InputError("The file is no array of CBOR.", "Write SenML in CBOR as RFC 8428 section 6 says.")
    return argument if argument < _ONE_BYTE else int.from_bytes(file.read(1 << (argument - _ONE_BYTE)), "big")


def _encode(records: list[Record]) -> bytes:
    return b"".join(cbor2.dumps({LABELS[key]: value for key, value in record.items()}) for record in records)
