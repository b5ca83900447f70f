"""Scenarios whose meters have an encoding of their own."""

from importlib import resources

import pytest

from meterlink_simulators.scenario import ScenarioError, load_scenario, shipped_scenario


def scenario(tmp_path, line):
    """Return the demo with ``line`` inserted into the table of its first meter."""
    text = (resources.files("meterlink_simulators") / "scenarios" / "demo.toml").read_text(encoding="utf-8")
    file = tmp_path / "other.toml"
    file.write_text(text.replace("\n[[meter]]\n", f"\n[[meter]]\n{line}\n", 1), encoding="utf-8")
    return load_scenario(file)


def test_default_encoding_is_presented():
    assert {(spec.encoding, spec.variant) for spec in shipped_scenario("demo").meters} == {("presented", 0)}


def test_meter_uses_the_encoding_of_its_table(tmp_path):
    first, *others = scenario(tmp_path, 'encoding = "masked"\nvariant = 3').meters
    assert (first.encoding, first.variant) == ("masked", 3)
    assert all(spec.encoding == "presented" for spec in others)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ('encoding = "semaphore"', r"meter 1 \(.*\), encoding: 'semaphore' is not known"),
        ("encoding = 3", r"meter 1 \(.*\), encoding: 3 is not text"),
        ('encoding = "counted"\nvariant = -1', r"meter 1 \(.*\), variant: -1 is not from 0"),
    ],
)
def test_problems_are_reported(tmp_path, line, message):
    with pytest.raises(ScenarioError, match=message):
        scenario(tmp_path, line)


def test_counts_that_do_not_fit_the_display_are_refused(tmp_path):
    text = (resources.files("meterlink_simulators") / "scenarios" / "demo.toml").read_text(encoding="utf-8")
    head, _, rest = text.partition("\n[[meter]]\n")
    rest = rest.replace("counts = 6000", "counts = 60000", 1)
    file = tmp_path / "other.toml"
    file.write_text(f'{head}\n[[meter]]\nencoding = "segments"\n{rest}', encoding="utf-8")
    with pytest.raises(ScenarioError, match="'segments' has no room for 60000 counts"):
        load_scenario(file)
