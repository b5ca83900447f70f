"""The documents' index lists every page, the glossary stays short, and prose hides few nouns."""

import re
from importlib import resources

import meterlink
from prose import FOLDERS, LIMIT, ROOT, hides_a_noun, sentences

DOCS = resources.files(meterlink) / "docs"
MOST_ENTRIES = 40  # of the glossary: a page that is read whole


def test_the_index_lists_every_page() -> None:
    index = (DOCS / "README.md").read_text(encoding="utf-8")
    pages = {page.name for page in DOCS.iterdir() if page.name.endswith(".md")} - {"README.md"}
    assert set(re.findall(r"^\| \[([a-z-]+\.md)\]", index, re.MULTILINE)) == pages


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
