"""SenML (RFC 8428): its names, units and records, for the messages of the daemon and for the exports.

**Names** are a path of our own, ``meterlink/<station>/…``. ``urn:dev:`` names (RFC 9039) need an address assigned by
IEEE or an enterprise number. A meter's Bluetooth address is often random or hidden by the platform, so they do not fit.
Characters outside the set of RFC 8428 section 4.5.1 are replaced, and a hash of the original keeps such names distinct.

**Units.** Base units only: V, A, Ohm, F, Hz, Cel. A percentage is sent as a ratio with the unit ``/``: in SenML ``%``
is a deprecated name of that same unit, so 5 % is 0.05 (RFC 8428 section 12.1, note 2). A meter's battery is ``%EL``.

**No value is not zero.** A reading without a number has no record of its quantity. It has the record
``<quantity>/status`` with the string ``overload`` or ``invalid`` instead, so that a series of numbers never contains a
string.

**Alternating and direct** are different series: ``voltage-ac``, ``voltage-dc``, and ``voltage`` if the meter does not
distinguish them.
"""

import hashlib
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from math import isfinite
from typing import Any, NamedTuple

from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.text import without_piled_marks
from meterlink.core.units import Quantity, to_base

ROOT = "meterlink"
"""The first part of every name, and of every MQTT topic."""

CONTENT_TYPE = "application/senml+json"  # RFC 8428 section 12.3.1

# Unit names in the IANA registry "SenML Units", and the factor from our base unit to that unit.
_UNITS: dict[Quantity, tuple[str, Decimal]] = {
    Quantity.VOLTAGE: ("V", Decimal(1)),
    Quantity.CURRENT: ("A", Decimal(1)),
    Quantity.RESISTANCE: ("Ohm", Decimal(1)),
    Quantity.CAPACITANCE: ("F", Decimal(1)),
    Quantity.FREQUENCY: ("Hz", Decimal(1)),
    Quantity.TEMPERATURE: ("Cel", Decimal(1)),
    Quantity.RATIO: ("/", Decimal("0.01")),
    Quantity.BATTERY: ("%EL", Decimal(1)),
}
ABSOLUTE_FROM = 2**28 * 1_000_000_000
"""ns since 1970 UTC: a time below it is relative to now (RFC 8428 section 4.5.3)."""

_NOT_IN_A_NAME = re.compile(r"[^A-Za-z0-9:._-]+")  # RFC 8428 section 4.5.1 without "/", our separator
_LONGEST_PART = 48  # characters; as long as a topic level

Record = dict[str, str | float | bool | bytes]
"""A SenML record; binary data (``vd``) are bytes."""


_REMEDY = "Write records as RFC 8428 says."
_VALUES = ("v", "vs", "vb", "vd")
_NUMBERS = ("bt", "bv", "bs", "v", "s", "t", "ut", "bver")
_TEXTS = ("bn", "bu", "n", "u", "vs")
_VERSION = 10  # RFC 8428 section 4.4: of a pack without a version; a later one may mean something else
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")  # RFC 8428 section 4.5.1


class ResolvedRecord(NamedTuple):
    """A SenML record that stands alone (RFC 8428 section 4.6).

    ``name`` begins with ``base_name``. ``value`` is None where the record has only a ``sum``. ``time`` is in s since
    1970 UTC; a time that was relative to now is so here, too, and ``is_relative`` says it. ``begins`` says that the
    record sets a base name.
    """

    name: str
    base_name: str
    unit: str | None
    value: float | str | bool | bytes | None
    sum: float | None
    time: float
    is_relative: bool
    update_time: float | None
    begins: bool


def resolve(records: Iterable[Mapping[str, Any]]) -> Iterator[ResolvedRecord]:
    """Yield the records of a pack or a stream, resolved as RFC 8428 section 4.6 says.

    Records that only set base values are not among them. Fields whose names end in ``_`` must be understood (section
    4.4), and none is known here; other unknown fields are ignored.

    Raises:
        InputError: a record breaks a rule of the RFC.
    """
    base: dict[str, Any] = {}
    for number, record in enumerate(records, 1):
        problem = _problem(record)
        if problem:
            raise InputError(f"SenML record {number}: {problem}.", _REMEDY)
        base.update((key, record[key]) for key in ("bn", "bt", "bu", "bv", "bs", "bver") if key in record)
        base_name = base.get("bn", "")
        values = [record[key] for key in _VALUES if key in record]
        has_sum = "s" in record or ("bs" in base and values == [])
        is_empty = not values and "s" not in record and not (record.keys() - {"bn", "bt", "bu", "bv", "bs", "bver"})
        name = base_name + record.get("n", "")
        if is_empty:
            continue
        if not _NAME.fullmatch(name):
            raise InputError(f"SenML record {number}: {name!r} is no name of SenML.", _REMEDY)
        value = values[0] if values else None
        if "v" in record or (value is None and not has_sum and "bv" in base):
            value = (value or 0) + base.get("bv", 0)
        time = base.get("bt", 0) + record.get("t", 0)
        yield ResolvedRecord(
            name,
            base_name,
            record.get("u", base.get("bu")),
            value,
            record.get("s", 0) + base.get("bs", 0) if "s" in record or "bs" in base else None,
            time,
            time < ABSOLUTE_FROM / 1_000_000_000,
            record.get("ut"),
            "bn" in record,
        )


def _problem(record: object) -> str:
    """Return the rule of the RFC that a record breaks; empty for none."""
    if not isinstance(record, Mapping):
        return "it is no object"
    for key, value in record.items():
        if isinstance(key, str) and key.endswith("_"):
            return f"the field {key!r} must be understood, and is not"
        if key in _NUMBERS and not _is_number(value):
            return f"{key!r} is no number"
        if key in _TEXTS and not isinstance(value, str):
            return f"{key!r} is no text"
    if not isinstance(record.get("vb", False), bool):
        return "'vb' is neither true nor false"
    if sum(key in record for key in _VALUES) > 1:
        return "it has more than one value"
    if not isinstance(record.get("vd", b""), str | bytes):
        return "'vd' is no binary data"
    version = record.get("bver", _VERSION)
    if not isinstance(version, int) or version > _VERSION:
        return f"its version {version!r} is not known"
    return ""


def _is_number(value: object) -> bool:
    """Return whether a value is a finite number within the range of a double; CBOR has integers of any length."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return isfinite(value)
    except OverflowError:
        return False


def name_part(text: str) -> str:
    """Return ``text`` as one part of a SenML name: letters, digits and ``-:._``, never empty.

    Spaces become ``-``. If any other character was replaced or cut off, eight hexadecimal digits of a hash of the
    original follow. Texts that differ in more than white space get different names.
    """
    joined = "-".join(text.split())
    ascii_text = unicodedata.normalize("NFKD", without_piled_marks(joined)).encode("ascii", "ignore").decode()
    part = _NOT_IN_A_NAME.sub("-", ascii_text)[:_LONGEST_PART]
    if part and part == joined:
        return part
    tag = hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest()[:8]
    return f"{part}.{tag}" if part else tag


def unique_meter_name(meter: Meter) -> str:
    """Return the meter's name with the end of its address, since names on the air are not unique.

    Six characters distinguish the meters of one station without publishing the whole address.
    """
    tail = "".join(char for char in meter.address if char.isalnum())[-6:]
    return f"{meter.name}-{tail}" if tail else meter.name


def quantity_record(name: str, quantity: Quantity, base: Decimal) -> Record:
    """Return the record of a value in the base unit of its quantity."""
    unit, factor = _UNITS[quantity]
    return {"n": name, "u": unit, "v": float(base * factor)}


def value_record(reading: Reading) -> Record:
    """Return the record of a reading's value, or of its status where it has none."""
    digits = reading.digits if reading.status is Status.OK else None
    return display_record(reading.quantity, digits, reading.unit, reading.status, reading.coupling)


def display_record(
    quantity: Quantity, digits: Decimal | None, unit: str, status: Status, coupling: Coupling | None
) -> Record:
    """Return the record of a display: its value in the base unit, or its status where it has no number."""
    name = f"{quantity}-{coupling.lower()}" if coupling else quantity.value
    if digits is not None and digits.is_finite():
        return quantity_record(name, quantity, to_base(digits, unit))
    return {"n": f"{name}/status", "vs": (Status.INVALID if status is Status.OK else status).value}
