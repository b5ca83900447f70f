"""``meterlink judge`` by other rules and accuracies, as a shell sees it."""

from functools import partial
from pathlib import Path

import pytest

from support.commands import run_command, run_for_json

CAPACITOR = ("capacitor", "--rated", "45uF", "--tolerance", "6 %", "--reading", "43.0uF")
COIL = ("coil", "--low", "10ohm", "--high", "18ohm", "--reading", "10.20ohm")
CONFORMITY = ("conformity", "--low", "228V", "--high", "252V", "--reading")
RISK = ("risk", "--low", "1499.80ohm", "--high", "1500.20ohm", "--mean", "1500.00ohm", "--spread", "0.12ohm")

SETTINGS = """
[[meter]]
address = "00:00:5E:00:53:0A"
name = "clamp meter"
[[meter.accuracy]]
quantity = "capacitance"
line = "1 % + 2 digits"
[[meter.accuracy]]
quantity = "voltage"
coupling = "AC"
line = "1 % + 3 digits"
[[meter.accuracy]]
quantity = "voltage"
coupling = "DC"
line = "0.5 % + 2 digits"
[[meter]]
address = "00:00:5E:00:53:0B"
name = "old meter"
"""


run = partial(run_command, "judge")
printed_json = partial(run_for_json, "judge")


@pytest.fixture
def data(tmp_path: Path) -> str:
    (tmp_path / "settings.toml").write_text(SETTINGS, encoding="utf-8")
    return str(tmp_path)


@pytest.mark.parametrize(
    ("options", "verdict", "rule"),
    [
        ((), "within", "simple acceptance"),
        (("--rule", "guarded-acceptance"), "cannot tell", "guarded acceptance, guard 1 U"),
        (("--rule", "guarded-acceptance", "--guard-factor", "0.3"), "within", "guarded acceptance, guard 0.3 U"),
        (("--rule", "guarded rejection"), "within", "guarded rejection, guard 1 U"),
        (("--rule", "guarded"), "cannot tell", "guarded acceptance and rejection, guard 1 U"),
    ],
)
def test_rules(options: tuple[str, ...], verdict: str, rule: str) -> None:
    fields = printed_json(*CAPACITOR, *options)
    within = verdict == "within"
    assert (fields["verdict"], fields["rule"]) == (verdict, rule)
    assert fields["margin"] == ("close call" if within else None)
    assert (fields["probability"] is not None) is within
    assert fields["next_measurement"]
    assert printed_json(*COIL, *options)["rule"] == rule


def test_temperature_widens_the_line() -> None:
    cool = printed_json(*CAPACITOR, "--accuracy", "1 % + 2 digits")
    hot = printed_json(*CAPACITOR, "--accuracy", "1 % + 2 digits", "--ambient-temperature", "100F")
    assert (cool["margin"], hot["margin"]) == ("clear", "close call")
    assert "widened for 37.8 °C" in hot["accuracy"]
    assert "at 18 to 28 °C" in hot["next_measurement"]


@pytest.mark.parametrize("meter", ["clamp meter", "Clamp Meter", "00:00:5e:00:53:0a"])
def test_a_meter_of_the_settings(data: str, meter: str) -> None:
    assert printed_json(*CAPACITOR, "--meter", meter, "--data", data)["accuracy"] == "±(1 % + 2 digits)"


def test_a_name_of_two_meters_is_ambiguous(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text(SETTINGS.replace("old meter", "Clamp Meter"), encoding="utf-8")
    code, out, err = run(*CAPACITOR, "--meter", "clamp meter", "--data", str(tmp_path))
    assert (code, out) == (2, "")
    assert err == "meterlink: 2 meters have the name 'clamp meter'. Give the address of one of them.\n"


@pytest.mark.parametrize(
    ("coupling", "line"), [((), "±(1 % + 3 digits)"), (("--coupling", "dc"), "±(0.5 % + 2 digits)")]
)
def test_coupling_picks_the_row(data: str, coupling: tuple[str, ...], line: str) -> None:
    fields = printed_json(*CONFORMITY, "240.0V", *coupling, "--meter", "clamp meter", "--data", data)
    assert fields["accuracy"] == line


def test_words_give_the_probability() -> None:
    # ± 2.6 V, almost flat: 0.6 V of its 5.2 V are below the limit, 11.5 %.
    code, out, _ = run(*CONFORMITY, "230.0V", "--accuracy", "1 % + 3 digits")
    assert code == 0
    assert out.splitlines()[0] == "WITHIN, close call, -4.2 %"
    assert "A meter good to ±2.1 V (0.91 %) here would settle it." in out
    assert out.rstrip().endswith("simple acceptance, 88.5 % probable to be within")


@pytest.mark.parametrize(("reading", "words"), [("240.0V", "over 99.9 % probable"), ("120.0V", "under 0.1 % probable")])
def test_words_never_say_certain(reading: str, words: str) -> None:
    assert words in run(*CONFORMITY, reading)[1]


def test_the_guard_band_for_a_risk() -> None:
    fields = printed_json(*CONFORMITY, "230.0V", "--accuracy", "1 %", "--max-risk", "5 %")
    # a rectangle of 2.3 V and half a step of 0.05 V: almost exactly 0.9 · 2.3
    assert fields["guard_band"] == pytest.approx(2.07, rel=1e-3)
    assert fields["guard_factor"] == pytest.approx(0.9 / 0.95, rel=1e-3)
    code, out, _ = run(*CONFORMITY, "230.0V", "--max-risk", "2.5")
    assert code == 0
    assert "keeps the risk at 2.5 %" in out


def test_global_risks() -> None:
    # JCGM 106, 9.5: a guard band of 0.02 Ω; U of a normal distribution is 1.96·0.04 Ω (JCGM 100, table G.1).
    guarded = ("--rule", "guarded-acceptance", "--guard-factor", "0.255107")
    fields = printed_json(*RISK, "--standard-uncertainty", "0.04ohm", *guarded)
    assert fields["consumers_risk_percent"] == pytest.approx(0.98783, abs=1e-5)
    assert fields["producers_risk_percent"] == pytest.approx(6.90265, abs=1e-5)
    assert (fields["unit"], fields["guard_band"]) == ("Ω", pytest.approx(0.02, abs=1e-7))
    _, out, _ = run(*RISK, "--standard-uncertainty", "40 mohm", *guarded)
    assert out.splitlines()[1].startswith("0.988 %")
    assert out.splitlines()[3] == "guarded acceptance, guard 0.255107 U: a guard band of 0.02 Ω"


def test_guarded_rejection_rejects_less_and_simple_acceptance_has_no_guard_band() -> None:
    simple, rejection = (
        printed_json(*RISK, "--standard-uncertainty", "0.04ohm", *rule)
        for rule in ((), ("--rule", "guarded rejection"))
    )
    assert simple["guard_band"] == 0
    assert rejection["guard_band"] == pytest.approx(-0.0783986, rel=1e-5)
    assert rejection["producers_risk_percent"] < simple["producers_risk_percent"]
    assert rejection["consumers_risk_percent"] > simple["consumers_risk_percent"]


def test_a_guard_factor_has_one_meaning_in_every_command() -> None:
    # The same meter, the same reading: the band that moves the verdict of a coil is the band that `risk` counts with.
    accuracy, guard = ("--accuracy", "1 % + 3 digits"), ("--rule", "guarded-acceptance", "--guard-factor", "0.5")
    limits = ("--low", "10ohm", "--high", "18ohm")
    band = printed_json("risk", *limits, "--mean", "14.2ohm", "--spread", "1ohm", *accuracy, *guard)["guard_band"]
    for command in ("coil", "conformity"):
        fields = printed_json(command, *limits, "--reading", "14.2ohm", *accuracy, *guard)
        assert 0.5 * fields["expanded_uncertainty"] == pytest.approx(band, rel=1e-5)
    factor = printed_json("conformity", *limits, "--reading", "14.2ohm", *accuracy, "--max-risk", "5 %")
    assert factor["guard_factor"] * fields["expanded_uncertainty"] == pytest.approx(factor["guard_band"], rel=1e-5)


def test_global_risks_from_an_accuracy_line() -> None:
    # ±(0 % + 10 digits) of 0.01 Ω and half a digit: √(0.1² + 0.005²)/√3
    fields = printed_json(*RISK, "--accuracy", "10 digits")
    assert fields["standard_uncertainty"] == pytest.approx(0.0578072, abs=1e-6)


BAD = [
    (*CAPACITOR, "--rule", "strict"),
    (*CAPACITOR, "--guard-factor", "1"),
    (*CAPACITOR, "--rule", "guarded", "--guard-factor", "9"),
    (*CAPACITOR, "--ambient-temperature", "35"),
    (*CAPACITOR, "--ambient-temperature", "350C"),
    (*CAPACITOR, "--meter", "clamp meter", "--accuracy", "1 %"),
    (*CAPACITOR, "--meter", "no such meter"),
    (*CAPACITOR, "--meter", "old meter"),
    ("conformity", "--reading", "240V"),
    (*CONFORMITY, "14 ohm"),
    (*CONFORMITY, "OL", "--max-risk", "5 %"),
    (*CONFORMITY, "240V", "--max-risk", "0"),
    (*CONFORMITY, "240V", "--max-risk", "100"),
    (*RISK,),
    (*RISK, "--standard-uncertainty", "0.04ohm", "--accuracy", "1 %"),
    (*RISK, "--standard-uncertainty", "0ohm"),
    (*RISK, "--standard-uncertainty", "0.04V"),
    (*RISK, "--accuracy", "1 %", "--rule", "guarded", "--guard-factor", "wide"),
    (*RISK, "--standard-uncertainty", "0.04ohm", "--rule", "guarded", "--guard-factor", "-1"),
    (*RISK, "--standard-uncertainty", "0.04ohm", "--guard-factor", "1"),
]


@pytest.mark.parametrize("args", BAD, ids=" ".join)
def test_bad_input_is_one_clear_line(args: tuple[str, ...], data: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("METERLINK_DATA", data)
    code, out, err = run(*args)
    assert (code, out, len(err.splitlines())) == (2, "", 1)
    assert err.startswith("meterlink: ")
