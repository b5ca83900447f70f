"""Bound meters in the store: recognised, refused, renamed, seen again under other addresses."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError
from meterlink.store.meters import RegisteredMeter, is_distinctive_serial
from meterlink.store.reader import Reader
from meterlink.store.rows import MeterRow
from meterlink.store.writer import Writer
from support.writers import running_writer

A, B, C = (f"C0:00:5E:00:53:0{n}" for n in (1, 2, 3))
SERVICE, OTHER_SERVICE = "a1b2c3d4-0000-4000-8000-000000000001", "a1b2c3d4-0000-4000-8000-000000000002"
OUTER = 60  # s; the limit for a writer that hangs


class Clock:
    utc_ns = 1_783_958_400_000_000_000

    def now(self) -> Timestamp:
        self.utc_ns += 1_000_000_000
        return Timestamp(self.utc_ns, self.utc_ns)


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[Writer]:
    with running_writer(tmp_path / "m.db", Clock()) as writer:
        yield writer


@pytest.fixture
def rows(tmp_path: Path) -> Callable[[], list[MeterRow]]:
    return Reader(tmp_path / "m.db").known_meters


Rows = Callable[[], list[MeterRow]]


def meter(address: str = A, name: str = "Alder", serial: str = "B-2207", service: str = SERVICE) -> Meter:
    return Meter(address, name, "presented", serial, service)


def see(
    writer: Writer, seen: Meter, *, named: bool = False, connected: frozenset[int] = frozenset()
) -> RegisteredMeter:
    return writer.get_or_create_meter(seen, name_given=named, connected_ids=connected).result(OUTER)


def bind(writer: Writer, bound: Meter, *, named: bool = False) -> RegisteredMeter:
    return writer.bind(bound, name_given=named).result(OUTER)


def test_binding_saves_address_name_serial_number_and_service(writer: Writer, rows: Rows) -> None:
    assert bind(writer, meter()) == (1, "Alder", A)
    (row,) = rows()
    assert (row.meter, row.bound, row.current_address, row.aliases) == (meter(), True, A, ())


def test_an_address_is_the_same_in_either_case(writer: Writer, rows: Rows) -> None:
    bind(writer, meter())
    assert see(writer, meter(A.lower())).id == 1
    assert writer.unbind(A.lower()).result(OUTER).id == 1
    assert len(rows()) == 1


def test_a_bound_meter_keeps_serial_and_service_and_its_name_unless_a_person_names_it(
    writer: Writer, rows: Rows
) -> None:
    bind(writer, meter(), named=True)
    see(writer, meter(name="Impostor", serial="X-1", service=OTHER_SERVICE))
    assert rows()[0].meter == meter()
    assert see(writer, meter(name="line clamp"), named=True).name == "line clamp"
    assert rows()[0].meter.name == "line clamp"


def test_another_serial_number_at_a_bound_address_is_refused_and_changes_nothing(writer: Writer, rows: Rows) -> None:
    bind(writer, meter())
    before = rows()
    with pytest.raises(InputError, match=r"serial number B-2207, not B-9999"):
        bind(writer, meter(serial="B-9999"))
    assert rows() == before
    writer.unbind(A).result(OUTER)
    assert bind(writer, meter(serial="B-9999")).id == 1  # a person has unbound the other one


def test_a_bound_meter_is_recognised_under_a_new_address(writer: Writer, rows: Rows) -> None:
    bind(writer, meter(name="mine"))
    assert see(writer, meter(B, name="Alder")) == (1, "mine", A)
    (row,) = rows()
    assert (row.meter.address, row.current_address, row.aliases) == (A, B, (B,))
    assert see(writer, meter(B, name="Alder", serial="")).id == 1  # now by its address alone
    see(writer, meter(A))
    assert rows()[0].current_address == A


@pytest.mark.parametrize(
    ("bound", "stranger"),
    [
        (meter(), meter(B, service=OTHER_SERVICE)),
        (meter(), meter(B, serial="B-2208")),
        (meter(), meter(B, serial="")),
        (meter(serial="0000"), meter(B, serial="0000")),
        (meter(serial="12345678"), meter(B, serial="12345678")),
        (meter(service=""), meter(B, service="")),
    ],
)
def test_a_meter_that_may_be_another_one_gets_its_own_row(
    writer: Writer, rows: Rows, bound: Meter, stranger: Meter
) -> None:
    bind(writer, bound)
    assert see(writer, stranger).id == 2
    assert len(rows()) == 2


def test_nothing_is_recognised_while_the_bound_meter_is_on_the_air(writer: Writer) -> None:
    registered = bind(writer, meter())
    assert see(writer, meter(B), connected=frozenset({registered.id})).id == 2


def test_only_a_bound_meter_is_recognised(writer: Writer) -> None:
    see(writer, meter())
    assert see(writer, meter(B)).id == 2


def test_two_bound_meters_of_one_serial_number_leave_a_third_alone(writer: Writer, rows: Rows) -> None:
    bind(writer, meter(A, "one"))
    see(writer, meter(B, "two"), connected=frozenset({1}))
    bind(writer, meter(B, "two"))
    assert see(writer, meter(C)).id == 3


def test_two_bound_meters_never_share_a_name(writer: Writer, rows: Rows) -> None:
    bind(writer, meter())
    with pytest.raises(InputError, match="Another bound meter has the name 'Alder'"):
        bind(writer, meter(B, serial="B-9999"))
    assert [row.meter.address for row in rows()] == [A]


def test_an_alias_joins_the_old_row_and_so_do_the_aliases_of_the_other_meter(writer: Writer, rows: Rows) -> None:
    bind(writer, meter())
    bind(writer, meter(B, "Birch", serial="B-9999"))
    writer.add_alias(B, C).result(OUTER)
    assert writer.add_alias(A, B).result(OUTER) == (1, "Alder", A)
    alder, birch = rows()
    assert (alder.bound, alder.current_address, set(alder.aliases)) == (True, B, {B, C})
    assert (birch.bound, birch.aliases) == (False, ())
    assert see(writer, meter(C)).id == see(writer, meter(B)).id == 1


def test_impossible_aliases_and_unbindings_are_errors(writer: Writer) -> None:
    bind(writer, meter())
    for work, message in (
        (lambda: writer.add_alias(C, B), "No meter is known under"),
        (lambda: writer.add_alias(A, A.lower()), "the same meter already"),
        (lambda: writer.unbind(C), "No meter is bound to"),
    ):
        with pytest.raises(InputError, match=message):
            work().result(OUTER)
    writer.unbind(A).result(OUTER)
    with pytest.raises(InputError, match="No meter is bound to"):
        writer.unbind(A).result(OUTER)


@pytest.mark.parametrize("serial", ["", "0", "0000", "00000000", "1234", "12345678", "0123456789", "SERIAL", "AA11"])
def test_placeholders_are_not_distinctive(serial: str) -> None:
    assert not is_distinctive_serial(serial)


@pytest.mark.parametrize("serial", ["B-2207", "SIM-00001", "20260714", "7Q2M"])
def test_serial_numbers_are_distinctive(serial: str) -> None:
    assert is_distinctive_serial(serial)


@given(st.text())
def test_any_text_is_distinctive_or_not(serial: str) -> None:
    assert is_distinctive_serial(serial) in {True, False}
