"""The documents' index lists every page, the glossary stays short, and prose hides few nouns."""

import re
from importlib import resources

import meterlink
from meterlink import driver_api
from support import api_reference
from support.prose import FOLDERS, LIMIT, ROOT, hides_a_noun, sentences

DOCS = resources.files(meterlink) / "docs"
MOST_ENTRIES = 45  # of the glossary: a page that is read whole


def test_the_index_lists_every_page() -> None:
    index = (DOCS / "README.md").read_text(encoding="utf-8")
    pages = {page.name for page in DOCS.iterdir() if page.name.endswith(".md")} - {"README.md"}
    assert set(re.findall(r"^\| \[([a-z-]+\.md)\]", index, re.MULTILINE)) == pages


def test_the_reference_is_up_to_date() -> None:
    page = (DOCS / "api.md").read_text(encoding="utf-8")
    assert page == api_reference.reference(), "run: python tests/support/api_reference.py"
    described = re.findall(r"^### `(\w+)`$", page, re.MULTILINE)
    assert sorted(described) == sorted({*meterlink.__all__, *driver_api.__all__})


def test_the_reference_shows_signatures_errors_and_code() -> None:
    page = api_reference.reference()
    assert "\n    tolerance: str = DEFAULT_CAPACITOR_TOLERANCE,\n" in page
    assert "\nRaises:\n\n- `PlanError`: the file cannot be read" in page
    assert "```text\nMeterlinkError\n├── InputError " in page
    assert "\nNO_MATCH = 0.0\n" in page
    assert "\n    OVERLOAD = 'overload'\n" in page
    assert page.count("```") % 2 == 0
    assert "``" not in page.replace("```", "")


def test_the_glossary_has_few_words_in_order() -> None:
    page = (DOCS / "glossary.md").read_text(encoding="utf-8")
    words = re.findall(r"^\| (?!word|---)\*{0,2}([^|*]+?)\*{0,2} \|", page, re.MULTILINE)
    assert 10 < len(words) <= MOST_ENTRIES
    assert words == sorted(words)


def test_sentences_seldom_hide_a_noun() -> None:
    files = [path for folder in FOLDERS for path in sorted((ROOT / folder).rglob("*.py"))]
    everything = [sentence for path in files for sentence in sentences(path)]
    hidden = [
        f"{sentence.path}:{sentence.line}: {sentence.text}" for sentence in everything if hides_a_noun(sentence.text)
    ]
    assert len(everything) > 4_000
    assert len(hidden) < LIMIT * len(everything), "\n".join(hidden)
