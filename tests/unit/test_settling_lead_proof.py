"""The proof of the leads on ohms: whether a short needs a person's key depends on it.

A technician touches the probes together before a winding and looks for some tenths of an ohm (common practice, no
source): it proves leads, plugs, fuse and meter.
"""

from collections.abc import Iterable
from dataclasses import replace
from decimal import Decimal

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.settling.lead_proof import LeadProof, reads_as_leads

OL = "OL"
RATE = 4  # readings a second


def ohms(seconds: float, text: str, step: str = "0.1") -> Reading:
    at = Timestamp(0, round(seconds * 1e9))
    if text == OL:
        return Reading(Quantity.RESISTANCE, None, "Ω", at, Status.OVERLOAD)
    return Reading(Quantity.RESISTANCE, Decimal(text), "Ω", at, resolution=Decimal(step))


def shown(begin: float, texts: Iterable[str], step: str = "0.1") -> list[Reading]:
    """Return the readings of a display from ``begin`` s on."""
    return [ohms(begin + number / RATE, text, step) for number, text in enumerate(texts)]


def followed(readings: Iterable[Reading], proof: LeadProof | None = None) -> LeadProof:
    proof = proof or LeadProof()
    for reading in readings:
        proof.add(reading)
    return proof


def proven(text: str = "0.3", step: str = "0.1") -> LeadProof:
    """Return the proof of leads that were held together from 10 to 11 s, and apart until 12 s."""
    return followed([*shown(10, [text] * 5, step), *shown(11.25, [OL] * 4)])


def proven_text(proof: LeadProof) -> str | None:
    return None if proof.proof is None else proof.proof.reading.text


def test_leads_are_proven_when_they_were_held_together_for_a_second() -> None:
    """A touch in passing is none: a slow meter refreshes twice a second, and may show the display before."""
    readings = shown(10, ["0.3"] * 5)
    assert followed(readings[:-1]).proof is None
    proof = followed(readings).proof
    assert proof is not None
    assert proof.proven_at == 11.0
    assert proof.reading.text == "0.3 Ω"


@pytest.mark.parametrize(("text", "is_proof"), [("0.9", True), ("1.0", False), ("1.1", False)])
def test_an_ohm_is_no_pair_of_leads(text: str, is_proof: bool) -> None:
    """A good pair has 0.1 to 0.5 Ω; at an ohm and more a plug is worn, or a part is between. Common practice."""
    assert (proven(text).proof is not None) is is_proof
    assert reads_as_leads(ohms(0, text)) is is_proof


def test_no_other_display_reads_as_leads() -> None:
    assert not reads_as_leads(ohms(0, OL))
    volts = replace(ohms(0, "0.3"), quantity=Quantity.VOLTAGE, unit="V")
    assert not reads_as_leads(volts)


def test_milliohms_and_kilohms_are_ohms() -> None:
    assert reads_as_leads(replace(ohms(0, "300"), unit="mΩ"))
    assert not reads_as_leads(replace(ohms(0, "0.9"), unit="kΩ"))


def test_the_largest_reading_of_the_last_second_counts() -> None:
    """Hands that press harder and softer: a part must read more than the worst of it, of the last second."""
    pressed = ["0.8", "0.2", "0.4", "0.2", "0.2", "0.2"]
    assert proven_text(followed(shown(10, pressed))) == "0.4 Ω"
    assert proven_text(followed(shown(10, pressed[:5]))) == "0.8 Ω"


def test_a_reading_between_ends_the_second() -> None:
    """The tips slipped off: half a second before and half a second after are not a second of contact."""
    assert followed(shown(10, ["0.3", "0.3", "0.3", OL, "0.3", "0.3"])).proof is None
    assert followed(shown(10, ["0.3", "0.3", "0.3", "47.0", "0.3", "0.3"])).proof is None


def test_a_gap_of_the_link_ends_the_second() -> None:
    """Nobody knows where the probes were in it."""
    before, after = shown(10, ["0.3"] * 2), shown(12, ["0.3"] * 3)
    assert followed([*before, *after]).proof is None
    assert followed(shown(12, ["0.3"] * 5), followed(before)).proof is not None


def test_a_reading_without_a_value_changes_nothing() -> None:
    """The meter looks for its range, and shows no number meanwhile."""
    searching = [replace(reading, digits=None, status=Status.INVALID) for reading in shown(10.5, ["0.3"])]
    assert followed([*shown(10, ["0.3"] * 2), *searching, *shown(10.75, ["0.3"] * 2)]).proof is not None


def test_another_function_of_the_meter_forgets_the_proof() -> None:
    """For volts the person turns the dial and perhaps moves a plug."""
    proof = proven()
    assert proof.tells_part(ohms(13, "4.0"))
    proof.add(replace(ohms(13, "230.1"), quantity=Quantity.VOLTAGE, unit="V"))
    assert proof.proof is None
    assert not proof.parted
    assert proof.open_since is None
    assert not proof.tells_part(ohms(14, "4.0"))


def test_the_probes_are_apart_after_half_a_second_of_overload() -> None:
    """A shorter one is a bounce of tips that are still held together."""
    proof = followed(shown(10, ["0.3"] * 5))
    parts = []
    for reading in shown(11.25, [OL] * 3):
        proof.add(reading)
        parts.append(proof.parted)
    assert parts == [False, False, True]
    assert proof.open_since == 11.25


@pytest.mark.parametrize(
    "between",
    [
        pytest.param(shown(11.5, ["0.4"]), id="a touch"),
        pytest.param(shown(11.5, ["47.0"]), id="a part"),
        pytest.param([], id="a gap of the link"),
    ],
)
def test_overloads_before_and_after_something_else_are_not_added_up(between: list[Reading]) -> None:
    begin = 11.75 if between else 13.0
    proof = followed([*shown(10, ["0.3"] * 5), *shown(11.25, [OL]), *between, *shown(begin, [OL] * 2)])
    assert not proof.parted
    assert proof.open_since == begin


def test_only_probes_that_were_apart_since_are_on_something_else() -> None:
    """Held together all the time, they read more only because the hand has become tired."""
    together = followed(shown(10, ["0.3"] * 5))
    assert not together.tells_part(ohms(11.25, "0.9"))
    apart = proven()
    assert apart.tells_part(ohms(12.25, "0.9"))
    again = followed(shown(12.25, ["0.3"] * 5), apart)
    assert not again.tells_part(ohms(13.5, "0.9"))


@pytest.mark.parametrize(("text", "tells"), [("0.3", False), ("0.5", False), ("0.6", True), ("4", True), (OL, False)])
def test_a_part_reads_three_counts_more_than_the_leads(text: str, tells: bool) -> None:
    """A second touch of the same tips reads up to two tenths more on a display of tenths. Common practice."""
    assert proven("0.3").tells_part(ohms(12.5, text)) is tells


@pytest.mark.parametrize(("text", "step", "tells"), [("2", "1", False), ("3", "1", True), ("2.9", "0.1", False)])
def test_the_coarser_of_the_two_displays_counts(text: str, step: str, tells: bool) -> None:
    """Leads that read 0 on a display of whole ohms may have nearly an ohm; a finer range later does not know it."""
    assert proven("0", step="1").tells_part(ohms(12.5, text, step)) is tells


def test_without_a_proof_no_reading_tells_a_part() -> None:
    proof = followed(shown(10, [OL] * 4))
    assert proof.parted
    assert not proof.tells_part(ohms(12, "4.0"))
