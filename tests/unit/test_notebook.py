"""``import meterlink``: light, typed, and the same verdicts as the command line."""

import json
import subprocess
import sys
import textwrap
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pint
import pytest

import meterlink
from meterlink.cli.judge.output import judgement_fields
from meterlink.core.clock import Timestamp
from meterlink.core.errors import MeterlinkError
from meterlink.core.readings import Status
from meterlink.core.units import Quantity
from meterlink.driver_api import uuid16
from support.doc_examples import SEASONS, blocks, run_command
from support.recorded_visits import store_visits
from support.rooms import ROOT

UREG: pint.UnitRegistry[float] = pint.UnitRegistry()
EXACT: pint.UnitRegistry[Decimal] = pint.UnitRegistry(non_int_type=Decimal)
COIL: dict[str, Any] = {"low": "10 ohm", "high": "18 ohm"}


def modules_after(statement: str) -> set[str]:
    """Return the modules that ``statement`` loads in a new interpreter."""
    script = f"import sys; before = set(sys.modules)\n{statement}\nprint(*set(sys.modules) - before)"
    return set(
        subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout.split()
    )


# The module itself.


def test_the_import_loads_one_module() -> None:
    assert modules_after("import meterlink") == {"meterlink"}


@pytest.mark.parametrize(
    ("use", "kept_out"),
    [
        ("meterlink.__version__", {"decimal", "meterlink.judge"}),
        ("meterlink.DiskFullError", {"decimal", "sqlite3"}),
        (
            "meterlink.judge_capacitor('4.70 uF', rated='5 uF')",
            {"pint", "click", "sqlite3", "asyncio", "meterlink.store", "meterlink.station", "meterlink.profiles"},
        ),
        ("meterlink.load_plan('split-condenser')", {"pint", "click", "sqlite3", "asyncio"}),
        ("meterlink.open_history", {"pint", "click", "asyncio", "meterlink.station"}),
    ],
)
def test_a_name_loads_no_more_than_it_needs(use: str, kept_out: set[str]) -> None:
    loaded = modules_after(f"import meterlink\n{use}")
    assert any(name.startswith("meterlink.notebook") for name in loaded)
    assert not loaded & kept_out


def test_every_name_is_there_is_listed_and_is_described() -> None:
    assert len(set(meterlink.__all__)) == len(meterlink.__all__)
    assert set(meterlink.__all__) <= set(dir(meterlink))
    for name in meterlink.__all__:
        assert getattr(meterlink, name).__doc__


def test_every_error_of_the_core_is_offered() -> None:
    below = [MeterlinkError]
    for error in below:
        below += error.__subclasses__()
    offered = {error.__name__ for error in below if error.__module__ == MeterlinkError.__module__}
    assert offered <= set(meterlink.__all__)


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="'meterlink' has no attribute 'judge_capacitro'"):
        meterlink.judge_capacitro  # type: ignore[attr-defined]  # noqa: B018


def test_mypy_sees_the_types_and_the_misspelled_names(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(
        textwrap.dedent("""
        import meterlink
        import pint

        reveal_type(meterlink.judge_capacitor("4.7 uF", rated=pint.Quantity(5, "uF")).verdict)
        reveal_type([row.reading.value for row in meterlink.open_history(".")])
        reveal_type(meterlink.load_profile("x.toml").decode("2a19", b""))
        reveal_type(meterlink.__version__)
        meterlink.judge_capacitro
        meterlink.judge_coil(14.2)
        """)
    )
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(tmp_path), "--no-error-summary", str(script)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    *lines, last = [line.partition(": ")[2] for line in done.stdout.splitlines()]
    assert lines == [
        'note: Revealed type is "meterlink.core.verdicts.Verdict"',
        'note: Revealed type is "list[float | None]"',
        'note: Revealed type is "tuple[meterlink.core.readings.Reading, ...]"',
        'note: Revealed type is "str"',
        'error: Module has no attribute "judge_capacitro"; maybe "judge_capacitor"?  [attr-defined]',
    ]
    assert 'Argument 1 to "judge_coil" has incompatible type "float"' in last


# Judging.


@pytest.mark.parametrize("reading", ["4.70 uF", "4.69 uF", "4.7 uF", "5.30 uF", "5.31 uF", "0.05 uF", "4700nF"])
@pytest.mark.parametrize("rule", ["simple acceptance", "guarded"])
def test_a_capacitor_is_judged_as_on_the_command_line(reading: str, rule: str, tmp_path: Path) -> None:
    judged = meterlink.judge_capacitor(
        reading, rated="5 uF", tolerance="6 %", accuracy="1 % + 3 digits", rule=rule, ambient_temperature="35 °C"
    )
    (printed,) = run_command(
        ["judge", "capacitor", "--rated", "5uF", "--tolerance", "6 %", "--reading", reading, "--json", "--accuracy",
         "1 % + 3 digits", "--rule", rule, "--ambient-temperature", "35C"], tmp_path,
    )  # fmt: skip
    assert judged.limits is not None
    assert judgement_fields(judged.limits, judged) == json.loads(printed)


def test_an_overload_on_a_capacitor_asks() -> None:
    judged = meterlink.judge_capacitor("OL", rated="5 uF")
    assert judged.verdict == "over range"
    assert judged.question is not None
    assert judged.question.choose("almost zero").conclusion.verdict == "shorted"


@pytest.mark.parametrize("reading", ["14.2 ohm", "18.0 ohm", "18.1 ohm", "0.2 ohm", "1.42k", "OL"])
def test_a_coil_is_judged_as_on_the_command_line(reading: str, tmp_path: Path) -> None:
    judged = meterlink.judge_coil(reading, low="10 ohm", high="18 ohm")
    (printed,) = run_command(
        ["judge", "coil", "--low", "10ohm", "--high", "18ohm", "--reading", reading, "--json"], tmp_path
    )
    assert judged.limits is not None
    assert judgement_fields(judged.limits, judged) == json.loads(printed)


def test_a_judgement_says_all_that_is_behind_it() -> None:
    judged = meterlink.judge_capacitor("4.7 uF", rated="5 uF", tolerance="6 %")
    assert (judged.verdict, judged.margin) == (meterlink.Verdict.WITHIN, meterlink.Margin.CLOSE_CALL)
    assert judged.limits == meterlink.Limits(Decimal("4.70"), Decimal("5.30"), "µF", "5 µF ±6 %", Decimal(5))
    assert judged.reading == meterlink.Amount(Decimal("4.7"), "µF")
    assert judged.reasons == (judged.reason, judged.next_measurement)
    # On the limit the reading alone says one half at most; the parts met on calls are mostly sound.
    assert 0.5 < (judged.probability or 0) < 0.95
    assert judged.prior == "assumed"
    clear = meterlink.judge_capacitor("5.00 uF", rated="5 uF")
    assert clear.reasons == (clear.reason,)
    overload = meterlink.judge_coil("OL", **COIL)
    assert (overload.verdict, overload.reading) == ("open", None)


def test_a_coil_is_judged_by_its_rating() -> None:
    judged = meterlink.judge_coil("15.4 ohm", rated="14 ohm", tolerance="10 %")
    assert judged.verdict == "within"
    assert meterlink.judge_coil("15.5 ohm", rated="14 ohm", tolerance="10 %").verdict == "outside"
    assert judged.limits is not None
    assert (judged.limits.low, judged.limits.high) == (Decimal("12.6"), Decimal("15.4"))


@pytest.mark.parametrize(
    "limits",
    [
        {}, {"low": "10 ohm"}, {"high": "18 ohm"}, {"rated": "14 ohm"}, {"tolerance": "10 %"},
        {"low": "10 ohm", "high": "18 ohm", "rated": "14 ohm"}, {"low": "10 ohm", "tolerance": "10 %"},
    ],
)  # fmt: skip
def test_half_a_specification_of_a_coil_is_refused(limits: dict[str, str]) -> None:
    with pytest.raises(meterlink.InputError, match="Give low and high, or rated and tolerance"):
        meterlink.judge_coil("0.0 ohm", **limits)


@pytest.mark.parametrize(
    ("limits", "message"),
    [
        ({"low": "18 ohm", "high": "10 ohm"}, "above the high limit"),
        ({"low": "0 ohm", "high": "10 ohm"}, "low must be above zero"),
        ({"low": "10 uF", "high": "18 uF"}, "not of resistance"),
        ({"rated": "14 ohm", "tolerance": "100 %"}, "at zero or below"),
    ],
)
def test_limits_of_a_coil_that_make_no_sense_are_refused(limits: dict[str, str], message: str) -> None:
    with pytest.raises(meterlink.InputError, match=message):
        meterlink.judge_coil("14.2 ohm", **limits)


# Forms of a reading.


@pytest.mark.parametrize(
    ("reading", "digits", "resolution"),
    [
        ("4.7 uF", "4.7", "0.1"),
        ("4.70 uF", "4.70", "0.01"),
        (EXACT.Quantity(Decimal("4.70"), "uF"), "4.70", "0.01"),
        (UREG.Quantity(4.7, "uF"), "4.7", "0.001"),  # four significant digits
        (UREG.Quantity(47, "uF"), "47", "0.01"),
        (EXACT.Quantity(Decimal("4.70"), "uF").to("nF"), "4.70", "0.01"),
        (EXACT.Quantity(Decimal("14.1") / 3, "uF"), "4.7", "0.1"),
        (EXACT.Quantity(Decimal(10) / 3, "uF"), "3.33333333333", "0.001"),
        (UREG.Quantity(4.7e-6, "farad"), "4.7", "0.001"),
        (UREG.Quantity(4700, "nF"), "4.700", "0.001"),
        (UREG.Quantity(4.7e-6 / 3 * 3, "farad"), "4.7", "0.001"),
        (meterlink.Amount(Decimal("4.70"), "µF"), "4.70", "0.01"),
        (SimpleNamespace(magnitude=Decimal("4.70"), units="MFD"), "4.70", "0.01"),
        (
            meterlink.Reading(Quantity.CAPACITANCE, Decimal("4.70"), "µF", Timestamp(0, 0), resolution=Decimal("0.01")),
            "4.70",
            "0.01",
        ),
    ],
    ids=repr,
)
def test_a_reading_shows_its_resolution(reading: Any, digits: str, resolution: str) -> None:
    judged = meterlink.judge_capacitor(reading, rated="50 uF", accuracy="0 % + 1 digit")
    expected = meterlink.judge_capacitor(f"{digits} uF", rated="50 uF", accuracy="0 % + 1 digit")
    assert judged.digits == expected.digits
    ratio = Decimal(resolution) / meterlink.Amount(Decimal(digits), "µF").resolution
    assert judged.expanded_uncertainty is not None
    assert expected.expanded_uncertainty is not None
    assert float(judged.expanded_uncertainty) == pytest.approx(float(expected.expanded_uncertainty * ratio))


def test_a_float_with_the_noise_of_a_calculation_is_on_the_limit() -> None:
    noisy = UREG.Quantity(5 * 1.06, "uF")
    assert noisy.magnitude > 5.3
    assert meterlink.judge_capacitor(noisy, rated="5 uF", tolerance="6 %").verdict == "within"
    assert meterlink.judge_capacitor(UREG.Quantity(5.3001, "uF"), rated="5 uF", tolerance="6 %").verdict == "outside"


@pytest.mark.parametrize(
    "rated", ["5 uF", UREG.Quantity(5, "microfarad"), EXACT.Quantity(5, "uF"), meterlink.Amount(Decimal(5), "µF")]
)
def test_a_rating_may_be_a_text_an_amount_or_a_quantity(rated: Any) -> None:
    assert meterlink.judge_capacitor("4.70 uF", rated=rated) == meterlink.judge_capacitor("4.70 uF", rated="5 uF")


@pytest.mark.parametrize(
    ("reading", "message"),
    [
        (4.7, "with a unit"),
        (None, "with a unit"),
        (True, "with a unit"),
        ("4.7", "unit is missing"),
        ("-4.7 uF", "never negative"),
        (UREG.Quantity(-4.7, "uF"), "never negative"),
        (UREG.Quantity(float("nan"), "uF"), "number"),
        (UREG.Quantity(float("inf"), "uF"), "number"),
        (UREG.Quantity(1 + 2j, "uF"), "number"),
        (SimpleNamespace(magnitude=[4.7, 4.8], units="uF"), "number"),
        (SimpleNamespace(magnitude="4.70+/-0.05", units="uF"), "decimal number"),
        (UREG.Quantity(4.7, "ohm"), "resistance, but capacitance"),
        (UREG.Quantity(4.7, "coulomb / volt"), "Convert it first"),
        (UREG.Quantity(4.7, ""), "Convert it first"),
        (meterlink.Amount(Decimal("4.7"), "Ω"), "resistance, but capacitance"),
        (meterlink.Reading(Quantity.RESISTANCE, None, "Ω", Timestamp(0, 0), Status.OVERLOAD), "but capacitance"),
        (meterlink.Reading(Quantity.CAPACITANCE, None, "µF", Timestamp(0, 0), Status.INVALID), "shows no value"),
        (
            meterlink.Reading(Quantity.CAPACITANCE, Decimal("4.7"), "µF", Timestamp(0, 0), display_hold=True),
            "on hold",
        ),
        (meterlink.Reading(Quantity.CAPACITANCE, Decimal("4.7"), "µF", Timestamp(0, 0), relative=True), "relative"),
    ],
    ids=repr,
)
def test_a_reading_that_cannot_be_judged_is_refused(reading: Any, message: str) -> None:
    with pytest.raises(meterlink.InputError, match=message):
        meterlink.judge_capacitor(reading, rated="5 uF")


def test_a_coulomb_is_no_degree() -> None:
    hot = meterlink.judge_capacitor("4.70 uF", rated="5 uF", ambient_temperature=UREG.Quantity(95, "degF"))
    assert "35 °C" in hot.accuracy
    for unit in ("coulomb", "farad", "delta_degC"):
        with pytest.raises(meterlink.InputError):
            meterlink.judge_capacitor("4.70 uF", rated="5 uF", ambient_temperature=UREG.Quantity(35, unit))


def test_limits_and_reading_as_quantities_of_pint() -> None:
    judged = meterlink.judge_capacitor("4.70 uF", rated="5 uF", tolerance="6 %")
    assert judged.limits_as_pint(UREG) == (UREG.Quantity(4.7, "uF"), UREG.Quantity(5.3, "uF"))
    assert judged.reading_as_pint(UREG).to("nF").magnitude == pytest.approx(4700)
    exact = judged.reading_as_pint(EXACT)
    assert (str(exact.magnitude), str(exact.units)) == ("4.70", "microfarad")
    ours = judged.reading_as_pint()
    assert ours + pint.Quantity(0.3, "uF") == pint.Quantity(5.0, "uF")  # of the application registry, like theirs
    assert meterlink.judge_coil("OL", **COIL).reading_as_pint(UREG) is None


@pytest.mark.parametrize(
    ("amount", "expected"),
    [
        ("14.2 Ω", UREG.Quantity(14.2, "ohm")),
        ("1.20 kΩ", UREG.Quantity(1200.0, "ohm")),
        ("77 °F", UREG.Quantity(25.0, "degC")),
        ("25 °C", UREG.Quantity(25.0, "degC")),
        ("6 %", UREG.Quantity(0.06, "")),
        ("230.3 mV", UREG.Quantity(0.2303, "V")),
        ("50 Hz", UREG.Quantity(50.0, "hertz")),
        ("7 µA", UREG.Quantity(7e-6, "A")),
    ],
)
def test_every_unit_is_a_unit_of_pint(amount: str, expected: Any) -> None:
    number, unit = amount.split(" ")
    asked = meterlink.as_pint(meterlink.Amount(Decimal(number), unit), UREG)
    assert asked.to(expected.units).magnitude == pytest.approx(expected.magnitude)


def test_an_overload_is_no_quantity() -> None:
    overload = meterlink.Reading(Quantity.RESISTANCE, None, "Ω", Timestamp(0, 0), Status.OVERLOAD)
    with pytest.raises(meterlink.InputError, match="OL Ω has no value"):
        meterlink.as_pint(overload, UREG)
    reading = meterlink.Reading(Quantity.RESISTANCE, Decimal("14.2"), "Ω", Timestamp(0, 0))
    assert meterlink.as_pint(reading, UREG) == UREG.Quantity(14.2, "ohm")


# Labels, plans, profiles.


def test_a_label_gives_ratings_to_judge_by() -> None:
    part = meterlink.parse_rating("45+5 MFD ±6% 440 VAC")
    herm, fan = part.sections
    assert meterlink.judge_capacitor("43.6 uF", rated=herm, tolerance=str(part.tolerance)).verdict == "within"
    assert meterlink.judge_capacitor("43.6 uF", rated=fan, tolerance=str(part.tolerance)).verdict == "outside"
    with pytest.raises(meterlink.OpenQuestionError) as asked:
        meterlink.parse_rating("45/35 uF")
    question = asked.value.question
    assert isinstance(question, meterlink.Question)
    assert question.choose("45+35 µF as printed").conclusion == meterlink.parse_rating("45+35 uF as printed")


def test_a_plan_is_loaded_by_name_and_by_path(tmp_path: Path) -> None:
    plan = meterlink.load_plan("split-condenser")
    assert plan.points[0].terminals
    with pytest.raises(meterlink.PlanError):
        meterlink.load_plan(tmp_path / "none.toml")


@pytest.fixture(scope="module")
def yard_meter(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The profile in the documents."""
    page = (ROOT / "meterlink" / "docs" / "profiles.md").read_text(encoding="utf-8")
    path = tmp_path_factory.mktemp("profiles") / "yard-meter.toml"
    path.write_text(next(block.content for block in blocks(page) if block.file == path.name), encoding="utf-8")
    return path


CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"


def test_a_profile_decodes_a_packet(yard_meter: Path) -> None:
    for path in (yard_meter, str(yard_meter)):
        profile = meterlink.load_profile(path)
        assert (profile.name, profile.channels) == ("yard-meter", (CHANNEL,))
        (reading,) = profile.decode(CHANNEL.upper(), bytes.fromhex("e71c993d4f3c993c541e"), Timestamp(5, 6))
        assert (reading.text, reading.timestamp) == ("4.70 µF", Timestamp(5, 6))
        assert meterlink.judge_capacitor(reading, rated="5 uF").verdict == "within"
        (invalid,) = profile.decode(CHANNEL, bytes.fromhex("e71c993d4f3c993c5400"))
        assert invalid.status is Status.INVALID


def test_a_frame_over_two_packets_is_decoded_together_only(yard_meter: Path) -> None:
    profile = meterlink.load_profile(yard_meter)
    packets: list[Any] = [bytes.fromhex("e70d9943"), bytearray.fromhex("663c993ccd13")]
    assert [reading.text for reading in profile.decode_all(CHANNEL, packets)] == ["OL kΩ"]
    assert profile.decode(CHANNEL, packets[0]) == ()
    assert all(reading.status is Status.INVALID for reading in profile.decode(CHANNEL, packets[1]))


@pytest.mark.parametrize("packet", [5, "e71c993d4f3c993c541e", None])
def test_a_packet_is_bytes(yard_meter: Path, packet: Any) -> None:
    with pytest.raises(meterlink.InputError, match="A packet is bytes, not"):
        meterlink.load_profile(yard_meter).decode(CHANNEL, packet)


def test_an_unknown_channel_is_refused_with_those_there_are(yard_meter: Path) -> None:
    with pytest.raises(meterlink.InputError, match=f"no channel '{uuid16(0x2A19)}'.*{CHANNEL}"):
        meterlink.load_profile(yard_meter).decode(uuid16(0x2A19), b"1")


def test_a_wrong_profile_is_a_profile_error(tmp_path: Path) -> None:
    path = tmp_path / "wrong.toml"
    with pytest.raises(meterlink.ProfileError, match="cannot be read"):
        meterlink.load_profile(path)
    path.write_text("profile = 1\nname = 'a b'\n", encoding="utf-8")
    with pytest.raises(meterlink.ProfileError, match=r"wrong\.toml:1:1: driver is missing"):
        meterlink.load_profile(path)


# The history.


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("station")
    store_visits(path / "meterlink.db", SEASONS)
    return path


def test_a_history_is_opened_by_folder_or_file(folder: Path) -> None:
    histories = [
        meterlink.open_history(path)
        for path in (folder, str(folder), folder / "meterlink.db", str(folder / "meterlink.db"))
    ]
    for history in histories:
        assert len(list(history)) == len(history.to_dicts()) == 12
    row = next(iter(histories[0]))
    assert (row.reading.text, row.judgement.verdict, row.section) == ("45.1 µF", "within", "HERM")


def test_the_dicts_are_those_of_the_command_line(folder: Path) -> None:
    history = meterlink.open_history(folder, limit=5)
    printed = "\n".join(run_command(["history", "--json", "--limit", "5"], folder))
    assert history.to_dicts() == json.loads(printed)
    plain = (str, float, int, bool, list, type(None))
    assert all(isinstance(value, plain) for entry in history.to_dicts() for value in entry.values())


def test_a_history_is_selected(folder: Path) -> None:
    def count(**selection: Any) -> int:
        return len(list(meterlink.open_history(folder, **selection)))

    assert count(unit="condenser 1") == count(site="Mill Lane bakery") == count(component="run capacitor") == 12
    assert count(unit="elsewhere") == 0
    assert count(since=datetime(2025, 1, 1, tzinfo=UTC)) == 4
    assert count(since=datetime(2025, 10, 6, 12, 1, tzinfo=UTC)) == 1  # the second reading of that visit, exactly
    assert count(limit=3) == 3
    for limit in (0, -1):
        with pytest.raises(meterlink.InputError, match="selects none"):
            meterlink.open_history(folder, limit=limit)


def test_a_history_that_is_not_there_fails_when_it_is_opened(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.db"):
        with pytest.raises(meterlink.NoDatabaseError):
            meterlink.open_history(path)
    (tmp_path / "meterlink.db").write_text("flour, water, salt\n" * 100)
    with pytest.raises(meterlink.NotADatabaseError):
        meterlink.open_history(tmp_path)


def test_a_history_has_the_readings_accepted_since(tmp_path: Path) -> None:
    store_visits(tmp_path / "meterlink.db", SEASONS[:1])
    history = meterlink.open_history(tmp_path)
    assert len(list(history)) == 2
    store_visits(tmp_path / "meterlink.db", SEASONS[1:2])
    assert len(list(history)) == 4
