"""The electrical subcommands of ``meterlink judge``, run as a user runs them."""

from functools import partial

import pytest

from meterlink.cli.judge import command
from meterlink.core.verdicts import Verdict
from support.commands import run_command, run_for_json
from support.judge_calls import ELECTRICAL_CALLS

# A part of the text that each call prints.
PRINTED = {
    "heater": "Its watts and volts fit the reading.",
    "under-load": "WITHIN",
    "combine": "4.444 µF in series",
    "discharge": "2.113 s TO 50 V",
    "windings": "C = 2, S = 1, R = 3",
    "insulation": "WITHIN",
    "winding-temperature": "70.9 °C",
    "reference-resistance": "9.807 Ω",
    "unbalance": "true VUF (V2/V1) 2.15 %",
    "amps": "88 % of RLA",
    "supply": "WITHIN",
    "control": "WITHIN",
    "contactor": "OUTSIDE",
    "contacts": "WITHIN",
    "split": "WITHIN",
}

run = partial(run_command, "judge")
printed_json = partial(run_for_json, "judge")


@pytest.mark.parametrize("name", ELECTRICAL_CALLS)
def test_every_subcommand_answers_in_text_and_json(name: str) -> None:
    args = ELECTRICAL_CALLS[name]
    status, out, err = run(name, *args)
    assert (status, err) == (0, "")
    assert PRINTED[name] in out
    assert len(out.splitlines()) >= 3
    fields = printed_json(name, *args)
    if "verdict" in fields:
        assert fields["verdict"] in [str(verdict) for verdict in Verdict]
        assert fields["verdict"].upper() in out.splitlines()[0]


@pytest.mark.parametrize("name", ELECTRICAL_CALLS)
def test_help_and_table(name: str) -> None:
    status, out, _ = run(name, "--help")
    assert status == 0
    assert "--json" in out
    listed = run("--help")[1]
    assert f"  {name} " in listed
    assert command.name


@pytest.mark.parametrize("name", ELECTRICAL_CALLS)
def test_nothing_is_called_safe_or_dead(name: str) -> None:
    out = run(name, *ELECTRICAL_CALLS[name])[1] + run(name, "--help")[1]
    words = out.lower().replace(",", " ").replace(".", " ").split()
    assert not {"safe", "dead", "safely"} & set(words)


@pytest.mark.parametrize("name", [name for name in ELECTRICAL_CALLS if name not in {"combine", "split"}])
def test_cautions_are_printed_where_terminals_are_touched(name: str) -> None:
    out = run(name, *ELECTRICAL_CALLS[name])[1]
    assert "Follow local codes" in out
    if name in {"discharge", "windings", "insulation", "winding-temperature", "reference-resistance"}:
        assert "Verify absence of voltage" in out


@pytest.mark.parametrize("more", [[], ["--resistor=20k"], ["--dc"], ["--to=600V"]])
def test_residual_voltage_ends_with_verify_by_measurement(more: list[str]) -> None:
    args = ["discharge", "--capacitor=45uF", "--volts=370V", *more]
    assert run(*args)[1].rstrip().lower().endswith("verify by measurement.")
    assert printed_json(*args)["note"].lower().endswith("verify by measurement.")


def test_under_load() -> None:
    args = ["under-load", "--amps=6.28A", "--volts=370.0V", "--frequency=60Hz"]
    bare = printed_json(*args)
    assert bare["capacitance"] == 45.0222
    assert bare["verdict"] == "no limits"
    # Accuracy lines with half-widths of 0.05 A and 0.5 V; the half-steps of the displays add to them.
    lines = ["--amps-accuracy=0 % + 5 digits", "--volts-accuracy=0 % + 5 digits", "--frequency-accuracy=0 % + 0 digits"]
    fields = printed_json(*args, "--rated=45uF", *lines)
    u2 = ((0.05**2 + 0.005**2) / 6.28**2 + (0.5**2 + 0.05**2) / 370**2 + 0.5**2 / 60**2) / 3
    assert fields["standard_uncertainty"] == pytest.approx(45.0222 * u2**0.5, rel=1e-4)
    assert fields["expanded_uncertainty"] == pytest.approx(2 * fields["standard_uncertainty"], rel=1e-5)
    assert (fields["verdict"], fields["low"], fields["high"], fields["unit"]) == ("within", 42.3, 47.7, "µF")


def test_under_load_warns_of_a_mixed_up_frequency() -> None:
    args = ["under-load", "--amps=6.28A", "--volts=370.0V", "--frequency=60Hz", "--rated=55uF"]
    fields = printed_json(*args)
    assert (fields["verdict"], fields["fits_other_mains_frequency"]) == ("outside", True)
    assert "WARNING: At 50 Hz" in run(*args)[1]
    assert "own lead" in run(*args)[1]
    assert not printed_json(*args[:-1], "--rated=45uF")["fits_other_mains_frequency"]


def test_discharge_numbers() -> None:
    fields = printed_json("discharge", "--capacitor=45uF", "--volts=370V", "--resistor=20k", "--within=1min")
    assert fields["time_to_threshold"] == pytest.approx(2.1132, abs=5e-5)
    assert fields["max_bleed_resistance"] == pytest.approx(567850, abs=5)
    assert fields["stored_energy"] == pytest.approx(6.1605, abs=5e-5)
    assert (fields["charged_to"], fields["time_limit"]) == (523.259, 60)
    assert printed_json("discharge", "--capacitor=45uF", "--volts=30V", "--dc")["max_bleed_resistance"] is None


def test_discharge_help_names_the_exception_of_the_code_and_the_bleed_resistor() -> None:
    words = " ".join(run("discharge", "--help")[1].split())
    assert "leaves out capacitors that are parts of other apparatus" in words
    assert "also shows in an ohms reading" in words


def test_windings_and_ground() -> None:
    fields = printed_json("windings", "C-S=OL", "C-R=OL", "R-S=5.0ohm", "--to-ground=0.2Mohm")
    assert fields["verdict"] == "open"
    assert "internal protector" in fields["reason"]
    assert fields["to_ground"]["verdict"] == "outside"
    assert fields["terminals_by_role"] == {"C": None, "S": None, "R": None}
    out = run("windings", "1-2=4.0ohm", "2-3=1.0ohm", "1-3=5.0ohm", "--to-ground=OL", "--ground-minimum=2Mohm")[1]
    assert out.startswith("WITHIN: C = 2, S = 1, R = 3; TO GROUND WITHIN\n")
    assert "IEEE 43 is no limit for a hermetic compressor" in out
    assert printed_json("windings", "1-2=0.3ohm", "2-3=0.3ohm", "1-3=0.3ohm")["verdict"] == "cannot tell"


def test_insulation_minimums() -> None:
    old = ["insulation", "--winding-type=before-1970", "--rated-volts=480V"]
    assert printed_json(*old, "--reading=0.90Mohm")["low"] == 1.48
    assert printed_json(*old, "--reading=0.90Mohm")["verdict"] == "outside"
    assert printed_json("insulation", "--winding-type=random-wound", "--reading=6.0Mohm")["low"] == 5
    assert run(*old[:2], "--reading=1Mohm")[0] == 2
    assert run(*old, "--minimum=1Mohm", "--reading=1Mohm")[0] == 2


def test_metals() -> None:
    args = ["reference-resistance", "--reading=10.0ohm", "--at=25C"]
    assert printed_json(*args)["resistance"] == pytest.approx(9.80732, abs=5e-6)
    assert printed_json(*args, "--metal=copper-iec")["resistance"] == pytest.approx(9.80769, abs=5e-6)
    assert printed_json(*args, "--metal=aluminium")["metal_constant"] == 225
    assert printed_json(*args, "--metal=aluminium", "--k=228")["metal_constant"] == 228
    assert "k = 228 (as given)" in run(*args, "--k=228")[1]
    assert run(*args, "--k=2")[0] == 2
    odd = printed_json("winding-temperature", "--cold=1.0ohm", "--cold-at=68F", "--hot=3.0ohm")
    assert (odd["plausible"], odd["rise"]) == (False, None)


def test_the_wander_of_the_supply_can_be_given() -> None:
    usual, none, more = (
        printed_json("unbalance", "460.0V", "467.0V", "450.0V", *wander)
        for wander in ((), ("--wander", "0"), ("--wander", "2 %"))
    )
    assert none["expanded_uncertainty"] < usual["expanded_uncertainty"] < more["expanded_uncertainty"]
    assert "the supply may move by ±0.5 % between two readings, common practice" in usual["accuracy"]
    assert "may move" not in none["accuracy"]
    assert "the supply may move by ±2 % between two readings, as given" in more["accuracy"]
    for wrong in ("-1", "100 %", "much"):
        assert run("unbalance", "460.0V", "467.0V", "450.0V", "--wander", wrong).status == 2


def test_unbalance_of_volts_and_amps() -> None:
    volts = printed_json("unbalance", "480V", "476V", "472V")
    assert volts["nema_percent"] == pytest.approx(0.8403, abs=5e-5)
    assert volts["negative_over_positive_percent"] == pytest.approx(0.9704, abs=5e-5)
    assert (volts["derating_factor"], volts["operate"], volts["high"]) == (1, True, 2)
    far = ["unbalance", "480V", "430V", "450V"]
    assert (printed_json(*far)["derating_factor"], printed_json(*far)["operate"]) == (None, False)
    assert "do not operate a motor" in run(*far)[1]
    amps = printed_json("unbalance", "10.0A", "11.0A", "9.0A")
    assert (amps["verdict"], amps["high"], amps["derating_factor"]) == ("within", 10, None)
    assert printed_json("unbalance", "10.0A", "11.0A", "9.0A", "--limit=5 %")["verdict"] == "outside"
    assert run("unbalance", "1V", "2A", "2V")[0] == 2


def test_supply_outside_range_a_but_within_b() -> None:
    args = ["supply", "--service=120V", "--reading=112.0V"]
    assert printed_json(*args)["verdict"] == "outside"
    assert "Within Range B (110 to 127 V" in run(*args)[1]
    assert printed_json(*args, "--range=B")["verdict"] == "within"
    assert "Range B" not in run("supply", "--service=120V", "--reading=100.0V")[1]
    for bad in ([], ["--service=120V", "--nameplate=115V"], ["--service=230V"], ["--nameplate=230/460"]):
        assert run("supply", *bad, "--reading=120V")[0] == 2


def test_control_and_class_2() -> None:
    assert printed_json("control", "--reading=20.4V")["verdict"] == "within"
    assert printed_json("control", "--reading=30.1V")["verdict"] == "outside"
    assert "26.4 V, 110 %" in run("control", "--reading=28.0V")[1]
    big = printed_json("control", "--reading=25.0V", "--va=150VA")
    assert (big["verdict"], big["volt_amperes"]) == ("outside", 150)
    assert printed_json("control", "--reading=25.0V", "--va=100VA")["verdict"] == "within"
    assert run("control", "--reading=25.0V", "--va=40W")[0] == 2


@pytest.mark.parametrize(
    ("test", "reading", "more", "words"),
    [
        ("pick-up", "24.0V", [], "must pull in"),
        ("pick-up", "18.0V", [], "need not pull in"),
        ("pick-up", "27.0V", [], "overheats"),
        ("drop-out", "12.0V", [], "lets go where it should"),
        ("drop-out", "3.0V", [], "holds on too long"),
        ("drop-out", "19.0V", [], "too early"),
        ("drop-out", "3.0V", ["--dc"], "lets go where it should"),
        ("pick-up", "-24.0V", ["--dc"], "must pull in"),
    ],
)
def test_contactor(test: str, reading: str, more: list[str], words: str) -> None:
    assert words in run("contactor", "--coil=24V", f"--at={test}", f"--reading={reading}", *more)[1]


def test_contacts() -> None:
    fields = printed_json("contacts", "--reading=-150mV", "--amps=20A")
    assert (fields["verdict"], fields["reading"], fields["heat"]) == ("within", 0.15, 3)
    assert fields["contact_resistance"] == 0.0075
    assert printed_json("contacts", "--reading=-5.00V")["verdict"] == "outside"
    assert printed_json("contacts", "--reading=0.15V", "--limit=100mV")["verdict"] == "outside"


def test_amps_and_mca() -> None:
    fields = printed_json("amps", "--rla=14.1A", "--mca=18A", "--reading=12.40A")
    assert fields["percent_of_nameplate"] == pytest.approx(87.9433, abs=5e-5)
    assert fields["percent_of_mca"] == pytest.approx(68.8889, abs=5e-5)
    assert printed_json("amps", "--fla=1.2A", "--reading=1.21A")["verdict"] == "outside"
    assert printed_json("amps", "--fla=1.2A", "--reading=1.21A", "--most=110 %")["verdict"] == "within"
    assert printed_json("amps", "--mca=18A", "--reading=19.0A")["verdict"] == "no limits"
    assert "sizes the conductors" in run("amps", "--mca=18A", "--reading=19.0A")[1]
    assert "circuit is sized for" in run("amps", "--mca=18A", "--reading=19.0A")[1]
    for bad in ([], ["--rla=14A", "--fla=1A"], ["--rla=14A", "--fla=1A", "--mca=20A"], ["--rla=0A"]):
        assert run("amps", *bad, "--reading=1A")[0] == 2


def test_split_range() -> None:
    args = ["split", "--return=24.0C", "--supply=14.0C"]
    assert (printed_json(*args)["verdict"], printed_json(*args)["unit"]) == ("within", "°C")
    assert printed_json(*args, "--low=11C", "--high=13C")["verdict"] == "outside"
    assert run(*args, "--low=11C")[0] == 2
    assert run(*args, "--low=11C", "--high=20F")[0] == 2
    assert run(*args, "--low=13C", "--high=11C")[0] == 2
    assert "warmer than the return" in run("split", "--return=14C", "--supply=24C")[1]


# The next step of a technician must fit the reading. Common practice, no source, unless said.


@pytest.mark.parametrize(
    ("args", "line_voltage"),
    [
        (("control", "--reading", "118V"), True),
        (("control", "--reading", "31.0V"), False),
        (("contactor", "--coil", "24V", "--at", "pick-up", "--reading", "240V"), True),
        (("contactor", "--coil", "24V", "--at", "pick-up", "--reading", "27.8V"), False),
        (("contactor", "--coil", "208/240V", "--at", "pick-up", "--reading", "271.0V"), False),
    ],
)
def test_line_voltage_in_a_control_circuit_is_no_matter_of_a_tap(args: tuple[str, ...], line_voltage: bool) -> None:
    """No tap makes 118 V of a 24 V secondary: a thermostat circuit is Class 2 with 30 V at most (NEC article 725, from
    memory), so line voltage has got into wires that people touch.
    """
    out = run(*args)[1]
    assert out.startswith("OUTSIDE")
    assert ("do not touch the control wiring" in out) is line_voltage
    assert not (line_voltage and "its tap" in out)


def test_contacts_without_current_prove_nothing() -> None:
    """0.05 V on a meter with ±5 digits may be nothing, and without current any contact reads so: Ohm's law."""
    status, out, err = run("contacts", "--reading", "0.05V", "--amps", "0.0A", "--answer", "0.05")
    assert (status, err) == (0, "")
    assert out.startswith("NOTHING FLOWS")
    assert "mΩ" not in out


@pytest.mark.parametrize(("reading", "word"), [("0.1ohm", "shorted"), ("7.0ohm", "Too low")])
def test_a_shorted_heater_is_called_so(reading: str, word: str) -> None:
    """11.5 Ω cannot become 0.1 Ω by a second element in parallel: P = U²/R would be 576 kW."""
    assert word in run("heater", "--rated", "5 kW 240 V", "--reading", reading)[1]


@pytest.mark.parametrize(
    ("reading", "shown", "word"), [("0.3ohm", "0.3 Ω is below", "grounded"), ("200kohm", "200 kΩ is below", "dried")]
)
def test_a_path_to_ground_has_the_unit_of_the_display(reading: str, shown: str, word: str) -> None:
    """0.3 Ω to ground is metal, which no drying removes; 200 kΩ may be damp."""
    out = run("insulation", "--reading", reading)[1]
    assert shown in out
    assert word in out


def test_a_thousandth_of_the_rating_is_a_question_of_the_prefix() -> None:
    """An open section reads tens of picofarads of leads, not 45.2 nF of 45 µF."""
    assert "prefix" in run("capacitor", "--rated", "45uF", "--reading", "45.2nF")[1]
    assert "prefix" not in run("capacitor", "--rated", "45uF", "--reading", "0.00uF")[1]


@pytest.mark.parametrize(
    ("other", "advice"),
    [
        (("--other-meter", "43.5uF, 2 % + 5 digits"), "Read a part of known value with each meter"),
        (("--again", "43.5uF"), "Clean the terminals and read it three times"),
    ],
)
def test_readings_that_disagree_have_no_probability(other: tuple[str, ...], advice: str) -> None:
    """Two readings of one part that differ by an eighth: one is wrong, and the newest need not be the right one."""
    args = ("capacitor", "--rated", "45uF", "--reading", "38.0uF", *other)
    fields = printed_json(*args)
    assert fields["probability"] is None
    assert fields["next_measurement"].startswith(advice)
    assert "probable" not in run(*args)[1]


def test_the_impedance_of_a_coil_is_a_plain_number() -> None:
    """(240 V)²/9 VA = 6400 Ω."""
    assert "6400 Ω" in run("coil", "--rated", "208/240 V 9 VA", "--reading", "820ohm")[1]


def test_a_contactor_is_not_called_stuck_by_a_reading_of_nothing() -> None:
    """0.0 V at a coil without a call is as it should be; only a contactor that still holds there sticks."""
    out = run("contactor", "--coil", "24V", "--at", "drop-out", "--reading", "0.0V")[1]
    assert "If it held until here" in out


def test_no_number_has_an_exponent() -> None:
    """12 V at 12 A are 1000 mΩ, and 95 % of an error of up to 199 Ω lie within 190 Ω."""
    assert "1000 mΩ, 144 W" in run("contacts", "--reading", "12.0V", "--amps", "12A")[1]
    assert "off by 190 Ω" in run("coil", "--low", "10000ohm", "--high", "20000ohm", "--reading", "19900ohm")[1]


def test_a_capacitor_without_current_is_open_and_has_no_margin() -> None:
    """Only within and outside are nearer to or farther from a limit."""
    args = ("under-load", "--amps", "0.0A", "--volts", "370V", "--frequency", "60Hz", "--rated", "45uF")
    fields = printed_json(*args)
    assert (fields["verdict"], fields["margin"]) == ("open", None)
