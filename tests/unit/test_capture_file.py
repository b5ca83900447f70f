"""Captures: packets and entries read from JSON Lines, displayed values, and the packets that an entry describes."""

from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.capture.capture_file import (
    Capture,
    CapturedMeter,
    CapturedPacket,
    ConnectionRequests,
    DisplayedValue,
    DisplayEntry,
    format_capture,
    make_display_entry,
    pair_packets,
    parse_capture,
    parse_displayed_value,
)
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink.driver_api import Channel, CharacteristicWrite
from meterlink.station.capture_files import read_capture

untimed = settings(deadline=None)  # the speed of the machine proves nothing here


@pytest.mark.parametrize(
    ("text", "digits", "unit", "coupling"),
    [
        ("4.70 uF", "4.70", "µF", None),
        ("4.70µF", "4.70", "µF", None),
        ("-12.34 mV DC", "-12.34", "mV", Coupling.DC),
        ("0.000 V AC", "0.000", "V", Coupling.AC),
        ("12.3VAC", "12.3", "V", Coupling.AC),
        ("12.3 mVdc", "12.3", "mV", Coupling.DC),
        ("DC 12.3 mV", "12.3", "mV", Coupling.DC),
        ("-0.00 V", "-0.00", "V", None),
        ("- 1.2 A", "-1.2", "A", None),
        ("−1.2 A", "-1.2", "A", None),
        ("1.234 Mohm", "1.234", "MΩ", None),
        ("47.0 kohm", "47.0", "kΩ", None),
        ("4.7k", "4.7", "kΩ", None),
        ("23.4 °C", "23.4", "°C", None),
        ("60.00 Hz AUTO", "60.00", "Hz", None),
        ("50.1 %", "50.1", "%", None),
    ],
)
def test_an_entry_with_a_number(text: str, digits: str, unit: str, coupling: Coupling | None) -> None:
    displayed = parse_displayed_value(text)
    assert str(displayed.digits) == digits  # trailing zeros and the minus of -0.00 count
    assert (displayed.unit, displayed.coupling, displayed.overload, displayed.blank) == (unit, coupling, False, False)
    assert displayed.negative == digits.startswith("-")


@pytest.mark.parametrize("text", ["OL Mohm", "0L MΩ", "0.L Mohm", "OL. Mohm", "ol Mohm"])
def test_an_overload(text: str) -> None:
    assert parse_displayed_value(text) == DisplayedValue(None, "MΩ", Quantity.RESISTANCE, overload=True)


def test_an_overload_may_be_negative_and_without_a_unit() -> None:
    assert parse_displayed_value("-OL") == DisplayedValue(None, overload=True, negative=True)


@pytest.mark.parametrize("text", ["---", "- - -", "----", "blank", ""])
def test_a_blank(text: str) -> None:
    assert parse_displayed_value(text).blank


def test_a_blank_with_unit_and_flags() -> None:
    displayed = parse_displayed_value("--- V HOLD LOWBAT REL")
    assert (displayed.unit, displayed.blank) == ("V", True)
    assert displayed.flags == {"hold", "low_battery", "relative"}


@pytest.mark.parametrize("text", ["4.70", "4,70 uF", "4.70 furlongs", "nan V", "OLD V", "V", "x" * 100, "٤ V"])
def test_an_unclear_entry_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse_displayed_value(text)


@untimed
@given(st.text(max_size=80))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        displayed = parse_displayed_value(text)
    except InputError:
        return
    assert (displayed.quantity is None) == (displayed.unit == "")


numbers = st.decimals(min_value=-99999, max_value=99999, places=2)
times = st.integers(0, 10**9).map(lambda n: n / 1000)
packets = st.builds(CapturedPacket, times, st.sampled_from(["a", "b@7"]), st.binary(max_size=20))
periods = st.sampled_from([0.1, 0.5, 2.0, 3600.0])
requests = st.builds(
    ConnectionRequests,
    st.lists(st.builds(CharacteristicWrite, st.just("fff2"), st.binary(max_size=9), st.just(0.0) | periods)).map(tuple),
    st.lists(st.builds(Channel, st.just("fff1"), st.just("read"), periods)).map(tuple),
)
entries = st.one_of(
    st.builds(make_display_entry, times, numbers.map(lambda n: f"{n:f} V")),
    st.builds(lambda t, n, d: make_display_entry(t, f"{n:f} V", t, t + d), times, numbers, st.integers(0, 5)),
    st.builds(
        lambda t, n, d: make_display_entry(round(t + d, 3), f"{n:f} V", first_key=t), times, numbers, st.integers(0, 9)
    ),
)


@untimed
@given(
    st.lists(packets),
    st.lists(entries),
    st.none() | st.builds(CapturedMeter, st.just("A meter"), st.just(("fff0",)), requests),
)
def test_a_written_capture_reads_back_equal(
    some_packets: list[CapturedPacket], some_entries: list[DisplayEntry], meter: CapturedMeter | None
) -> None:
    def seconds(item: CapturedPacket | DisplayEntry) -> float:
        return item.seconds

    capture = Capture(tuple(sorted(some_packets, key=seconds)), tuple(sorted(some_entries, key=seconds)), meter)
    parsed = parse_capture(format_capture(capture), "x")
    assert [(packet.seconds, packet.channel, packet.data) for packet in parsed.packets] == [
        (packet.seconds, packet.channel, packet.data) for packet in capture.packets
    ]
    assert [replace(entry, line_number=0) for entry in parsed.entries] == list(capture.entries)
    assert parsed.meter == capture.meter


def test_line_numbers_in_the_file() -> None:
    capture = parse_capture(
        '{"t": 12.9, "display": "4.70 uF", "note": "steady"}\n\n{"t": 12.345, "channel": "ABCD", "hex": "a5 04"}',
        "x",
    )
    assert capture.packets == (CapturedPacket(12.345, "abcd", b"\xa5\x04", 3),)
    assert capture.entries == (DisplayEntry(12.9, "4.70 uF", 12.5, 12.9, 1),)
    assert capture.entries[0].displayed_value.digits == Decimal("4.70")


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("{\n", r"x:2: it is not JSON at column"),
        ("banana", r"x:2: it is not JSON at column"),
        ("[" * 100_000, r"x:2: it is not JSON"),
        ("[1]", r"x:2: it is not a JSON object"),
        ("{}", r"x:2: it is neither a packet nor a display entry"),
        ('{"t": 1, "hex": "a5"}', r"x:2: the packet has no channel"),
        ('{"t": 1, "channel": "a", "hex": "a5f"}', r"x:2: hex is not pairs"),
        ('{"t": 1, "channel": "a", "hex": 5}', r"x:2: hex is not pairs"),
        ('{"channel": "a", "hex": "a5"}', r"x:2: t is missing"),
        ('{"t": NaN, "channel": "a", "hex": "a5"}', r"x:2: t is not a number"),
        ('{"t": true, "channel": "a", "hex": "a5"}', r"x:2: t is not a number"),
        ('{"t": 1, "display": 4.7}', r"x:2: display is not text"),
        ('{"t": 1, "display": "4.7 furlongs"}', r"x:2: 'furlongs' is not a unit"),
        ('{"t": 1, "display": "4.7 V", "from": 2, "to": 1}', r"x:2: The entry's window ends"),
        ('{"t": 1, "display": "4.7 V", "first_key": 1.5}', r"x:2: The entry's first key, at 1.5 s, is later"),
        ('{"meter": {"services": 5}}', r"x:2: services is not a list"),
        ('{"meter": {"writes": [5]}}', r"x:2: writes is not a list of objects"),
        ('{"meter": {"writes": [{"to": "fff2", "hex": "z"}]}}', r"x:2: hex is not pairs"),
        ('{"meter": {"writes": [{"hex": "a5"}]}}', r"x:2: to is not the UUID"),
        ('{"meter": {"writes": [{"to": "fff2", "hex": "a5", "every": -1}]}}', r"x:2: every -1 s is not usable"),
        ('{"meter": {"reads": [{"from": "fff1"}]}}', r"x:2: every is missing in a read"),
        ('{"meter": {"writes": [{"to": "fff2"}]}}', r"x:2: hex is not pairs"),
        ('{"t": ' + "9" * 400 + ', "channel": "a", "hex": "a5"}', r"x:2: t is not a number of seconds"),
        ('{"t": 1e300, "channel": "a", "hex": "a5"}', r"x:2: t is not a number of seconds"),
        ('{"t": 1, "channel": "\\ud800", "hex": "a5"}', r"x:2: it has half a character"),
        ('{"t": 1, "display": ' + "[" * 400 + "]" * 400 + "}", r"x:2: its lists are nested too deeply"),
    ],
)
def test_an_error_names_its_line(line: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_capture('{"t": 0, "channel": "a", "hex": ""}\n' + line, "x")


def test_an_entry_with_a_first_key_describes_the_packets_before_that_key() -> None:
    (entry,) = parse_capture('{"t": 12.9, "display": "4.70 uF", "first_key": 9.1}', "x").entries
    assert (entry.begin, entry.end, entry.first_key) == (8.7, 9.1, 9.1)
    assert entry.earliest_look == pytest.approx(6.6)  # read 1 to 2 s before the first key
    (old,) = parse_capture('{"t": 12.9, "display": "4.70 uF"}', "x").entries
    assert (old.begin, old.end, old.earliest_look, old.first_key) == (12.5, 12.9, 12.5, None)


@pytest.mark.parametrize("end", ['{"t": 3, "channel": "a", "hex": "a5', '{"t": 3, "dis', "{"])
def test_a_capture_cut_off_in_its_last_line_is_used_as_far_as_it_goes(end: str) -> None:
    # A recording may end with the power, or with a full disk.
    whole = '{"t": 1, "channel": "a", "hex": "a5"}\n{"t": 2, "display": "4.70 uF"}\n'
    capture = parse_capture(whole + end, "x")
    assert (len(capture.packets), len(capture.entries), capture.cut_line) == (1, 1, 3)
    assert parse_capture(whole, "x").cut_line == 0
    with pytest.raises(InputError, match="x:3: it is not JSON"):
        parse_capture(f"{whole}{end}\n{whole}", "x")  # within the file it is an error


def test_a_capture_may_be_cut_off_within_a_character(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_bytes(b'{"t": 1, "display": "4.70 uF"}\n' + '{"t": 2, "display": "4.70 µ'.encode()[:-1])
    assert read_capture(path).cut_line == 2
    path.write_bytes(b'{"t": 1, "display": "4.70 \xc2 uF"}\n')
    with pytest.raises(InputError, match="not UTF-8"):
        read_capture(path)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_capture(tmp_path / "none.jsonl")
    (tmp_path / "bytes").write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="not UTF-8"):
        read_capture(tmp_path / "bytes")
    with pytest.raises(InputError, match="no file can have this name"):
        read_capture(Path("a\0b"))


def test_an_entry_describes_the_packets_before_it() -> None:
    packets = [CapturedPacket(t, "a", b"") for t in (0.5, 0.6, 0.8, 1.0, 1.05, 1.2, 1.3, 5.0, 6.0, 7.1)]
    entries = [make_display_entry(1.0, "1 V"), make_display_entry(1.2, "2 V"), make_display_entry(9.0, "3 V", 5.0, 7.0)]
    paired = [
        (packet.seconds, entry.text if entry else None)
        for packet, entry in pair_packets(Capture(tuple(packets), tuple(entries)))
    ]
    assert paired == [
        (0.5, None),
        (0.6, "1 V"),
        (0.8, "1 V"),  # in both windows; the earlier entry, too, was written after it
        (1.0, "1 V"),
        (1.05, "2 V"),
        (1.2, "2 V"),
        (1.3, None),
        (5.0, "3 V"),
        (6.0, "3 V"),
        (7.1, None),
    ]
