"""Drivers from installed distributions, good and broken, found the way real ones are: through entry points."""

import importlib
import logging
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from meterlink.driver_api import CERTAIN, LIKELY, POSSIBLE, Advertisement, Characteristic, DriverFactory, uuid16
from meterlink.plugins import DriverFailure, best_driver, load_drivers
from meterlink_drivers.presented import PRESENTED

GOOD = """
class Kind:
    name = {name!r}
    def matches(self, advertisement, services):
        return 0.5
    def open(self, services):
        raise NotImplementedError
KIND = Kind()
"""

Install = Callable[[str, str, str], None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Install]:
    """Install a distribution ``bench-<module>`` whose entry point ``entry`` names ``<module>:KIND``."""
    monkeypatch.syspath_prepend(str(tmp_path))
    written: list[str] = []

    def write(module: str, entry: str, source: str) -> None:
        (tmp_path / f"{module}.py").write_text(source, encoding="utf-8")
        info = tmp_path / f"bench_{module}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: bench-{module}\nVersion: 1.0\n", encoding="utf-8")
        (info / "entry_points.txt").write_text(f"[meterlink.drivers]\n{entry} = {module}:KIND\n", encoding="utf-8")
        importlib.invalidate_caches()
        written.append(module)

    yield write
    for module in written:
        sys.modules.pop(module, None)


def names(kinds: tuple[DriverFactory, ...]) -> list[str]:
    return [kind.name for kind in kinds]


def test_the_built_in_driver_is_found_like_anyone_s() -> None:
    loaded = load_drivers()
    assert PRESENTED in loaded.factories
    assert loaded.failures == ()


def test_drivers_come_in_the_order_of_their_names(install: Install) -> None:
    install("zulu_driver", "zulu", GOOD.format(name="zulu"))
    install("alpha_driver", "alpha", GOOD.format(name="alpha"))
    loaded = load_drivers()
    assert {"alpha", "zulu", "presented"} <= set(names(loaded.factories))
    assert names(loaded.factories) == sorted(names(loaded.factories))
    assert loaded.failures == ()


@pytest.mark.parametrize(
    ("source", "reason"),
    [
        ("import no_such_library\nKIND = None\n", "ModuleNotFoundError: No module named 'no_such_library'"),
        ("KIND = 1 / 0\n", "ZeroDivisionError: division by zero"),
        ("KIND =\n", "SyntaxError"),
        ("import sys\nsys.exit('wrong platform')\n", "SystemExit: wrong platform"),
        ("OTHER = 1\n", "AttributeError"),
        ("KIND = None\n", "AttributeError: 'NoneType' object has no attribute 'name'"),
        (
            "class KIND:\n    name = 'bench'\n    def matches(s, a, b): ...\n    def open(s, b): ...\n",
            "not a DriverKind",
        ),
        ("class K:\n    name = 'bench'\nKIND = K()\n", "AttributeError: 'K' object has no attribute 'matches'"),
        ("class K:\n    name = 'bench'\n    matches = open = 3\nKIND = K()\n", "not a DriverKind"),
        (
            "class K:\n    @property\n    def name(self): raise RuntimeError('later')\nKIND = K()\n",
            "RuntimeError: later",
        ),
        (GOOD.format(name=""), "TypeError: its name is ''"),
        (GOOD.format(name=7), "TypeError: its name is 7"),
        (GOOD.format(name="Bench"), "not a short lower-case word"),
        (GOOD.format(name="\x1b[31m"), "not a short lower-case word"),
        ("raise RuntimeError('\\x1b[2J' + 'x' * 999)\n", "RuntimeError: (2Jxxx"),
    ],
)
def test_a_broken_driver_is_named_and_takes_no_other_down(install: Install, source: str, reason: str) -> None:
    install("broken_driver", "broken", source)
    install("sound_driver", "sound", GOOD.format(name="sound"))
    loaded = load_drivers()
    assert {"presented", "sound"} <= set(names(loaded.factories))
    (failure,) = loaded.failures
    assert (failure.name, failure.distribution) == ("broken", "bench-broken_driver")
    assert reason in failure.reason
    assert "\x1b" not in failure.reason
    assert len(failure.reason) <= 200


def test_the_first_of_two_names_is_kept(install: Install) -> None:
    install("first_driver", "bench", GOOD.format(name="bench"))
    install("second_driver", "bench", GOOD.format(name="bench"))
    loaded = load_drivers()
    (kind,) = [kind for kind in loaded.factories if kind.name == "bench"]
    assert type(kind).__module__ == "first_driver"
    assert loaded.failures == (
        DriverFailure("bench", "bench-second_driver", "Another driver is named 'bench' already."),
    )


def test_nobody_takes_the_place_of_a_built_in_driver(install: Install) -> None:
    install("aaa_driver", "aaa", GOOD.format(name="presented"))
    loaded = load_drivers()
    assert PRESENTED in loaded.factories
    assert [failure.name for failure in loaded.failures] == ["aaa"]


def kind(name: str, answer: object) -> DriverFactory:
    """A driver that answers with ``answer``, or raises it."""

    def matches(advertisement: Advertisement, services: object) -> object:
        if isinstance(answer, BaseException):
            raise answer
        return answer

    return SimpleNamespace(name=name, matches=matches, open=list)


def test_the_best_score_wins_and_ties_go_to_the_first_name() -> None:
    kinds = [kind("c", LIKELY), kind("b", CERTAIN), kind("a", LIKELY), kind("d", POSSIBLE)]
    found = best_driver(kinds, Advertisement(), None)
    assert found is not None
    assert (found[0].name, found[1]) == ("b", CERTAIN)
    found = best_driver([kinds[0], kinds[2]], Advertisement(), [])
    assert found is not None
    assert found[0].name == "a"


@pytest.mark.parametrize("scores", [[], [0.0], [0.29, 0.0]])
def test_nothing_fits(scores: list[float]) -> None:
    assert best_driver([kind(str(score), score) for score in scores], Advertisement(), None) is None


@pytest.mark.parametrize(
    "answer", [ValueError("\x1b[2J"), SystemExit(1), RecursionError(), None, "high", float("nan"), 1.5, -1, [1]]
)
def test_a_driver_that_cannot_judge_is_passed_over_and_logged_once(
    answer: object, caplog: pytest.LogCaptureFixture
) -> None:
    name = f"bench-{answer!r}"
    kinds = [kind(name, answer), kind("sound", POSSIBLE)]
    with caplog.at_level(logging.WARNING):
        for _ in range(3):
            found = best_driver(kinds, Advertisement(), None)
            assert found is not None
            assert found[0].name == "sound"
    (record,) = caplog.records
    assert name in record.message
    assert "\x1b" not in record.message


def test_keyboard_interrupt_is_not_swallowed() -> None:
    with pytest.raises(KeyboardInterrupt):
        best_driver([kind("bench", KeyboardInterrupt())], Advertisement(), None)


def test_a_described_meter_gets_the_built_in_driver() -> None:
    voltage = Characteristic(uuid16(0x2B18), uuid16(0x2B18), uuid16(0x181A), frozenset({"notify"}))
    found = best_driver(load_drivers().factories, Advertisement(), [voltage])
    assert found == (PRESENTED, LIKELY)
