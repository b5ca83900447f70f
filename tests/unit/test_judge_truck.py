"""The parts on the truck for a failed capacitor, in a sentence."""

import pytest

from meterlink.judge.label.ratings import parse_rating
from meterlink.judge.label.replacement import StockEntry
from meterlink.judge.label.truck import truck_sentence


def sentence(label: str | None, *stock: str) -> str:
    entries = [StockEntry(parse_rating(rating), 2) for rating in stock]
    return truck_sentence("run capacitor", None if label is None else parse_rating(label), entries)


@pytest.mark.parametrize(
    ("label", "stock", "expected"),
    [
        # The trade fits the same µF and an equal or higher voltage. Common practice, no source.
        (
            "45+5 uF 370 V",
            ["45+5 uF 440 V", "45+5 uF 370 V"],
            (
                "On the truck for the run capacitor, 45+5 µF 370 V: 45+5 µF 370 V, same rating; or 45+5 µF 440 V, same"
                " rating."
            ),
        ),
        # No dual: two singles, which are wired otherwise.
        (
            "45+5 uF 440 V",
            ["45 uF 440 V", "5 uF 440 V"],
            (
                "On the truck for the run capacitor, 45+5 µF 440 V: 45 µF 440 V and 5 µF 440 V, two singles for a dual."
                " Separate parts for one dual: tie one terminal of each together as C, the others are the sections."
            ),
        ),
        # Two in parallel help until the right part is there.
        (
            "45 uF 440 V",
            ["20 uF 440 V", "25 uF 440 V"],
            (
                "On the truck for the run capacitor, only as temporary: 20 µF 440 V and 25 µF 440 V, in parallel. To be"
                " fetched: 45 µF 440 V."
            ),
        ),
        # Three are read at a glance; the whole list is that of `meterlink judge replacement`.
        (
            "45 uF 370 V",
            ["45 uF 370 V", "45 uF 440 V", "45 uF 450 V", "45 uF 500 V"],
            (
                "On the truck for the run capacitor, 45 µF 370 V: 45 µF 370 V, same rating; or 45 µF 440 V, same"
                " rating; or 45 µF 450 V, same rating."
            ),
        ),
        ("45+5 uF 440 V", ["45+5 uF 370 V"], "None on the truck for the run capacitor: 45+5 µF 440 V to be fetched."),
        (
            "45 uF",
            ["45 uF 440 V"],
            "Read the volts off the run capacitor, 45 µF: a part for a lower voltage must not be fitted.",
        ),
        (
            None,
            ["45 uF 440 V"],
            "Enter the label of the run capacitor, with its volts: then the parts on the truck are named.",
        ),
    ],
)
def test_truck_sentence(label, stock, expected):
    assert sentence(label, *stock) == expected


def test_each_part_stands_with_its_own_place():
    # Two bins behind two parts would send the technician to the wrong one. Common practice, no source.
    entries = [
        StockEntry(parse_rating("45 uF 440 V"), 1, "right bin"),
        StockEntry(parse_rating("5 uF 440 V"), 1, "left bin"),
    ]
    assert "45 µF 440 V (right bin) and 5 µF 440 V (left bin), two singles for a dual." in truck_sentence(
        "run capacitor", parse_rating("45+5 uF 440 V"), entries
    )
