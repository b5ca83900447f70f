"""Drivers from installed distributions, good and broken, loaded through real entry points."""

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
    modules: list[str] = []

    def write(module: str, entry: str, source: str) -> None:
        (tmp_path / f"{module}.py").write_text(source, encoding="utf-8")
        info = tmp_path / f"bench_{module}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: bench-{module}\nVersion: 1.0\n", encoding="utf-8")
        (info / "entry_points.txt").write_text(f"[meterlink.drivers]\n{entry} = {module}:KIND\n", encoding="utf-8")
        importlib.invalidate_caches()
        modules.append(module)

    yield write
    for module in modules:
        sys.modules.pop(module, None)


def names(factories: tuple[DriverFactory, ...]) -> list[str]:
    return [factory.name for factory in factories]


def test_the_built_in_driver_is_loaded_as_the_others_are() -> None:
    loaded = load_drivers()
    assert PRESENTED in loaded.factories
    assert loaded.failures == ()


def test_drivers_are_in_the_order_of_their_names(install: Install) -> None:
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
            "not a DriverFactory",
        ),
        ("class K:\n    name = 'bench'\nKIND = K()\n", "AttributeError: 'K' object has no attribute 'matches'"),
        ("class K:\n    name = 'bench'\n    matches = open = 3\nKIND = K()\n", "not a DriverFactory"),
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
def test_a_broken_driver_is_reported_and_the_others_are_loaded(install: Install, source: str, reason: str) -> None:
    install("broken_driver", "broken", source)
    install("sound_driver", "sound", GOOD.format(name="sound"))
    loaded = load_drivers()
    assert {"presented", "sound"} <= set(names(loaded.factories))
    (failure,) = loaded.failures
    assert (failure.name, failure.distribution) == ("broken", "bench-broken_driver")
    assert reason in failure.reason
    assert "\x1b" not in failure.reason
    assert len(failure.reason) <= 200


def test_of_two_drivers_with_one_name_the_first_is_used(install: Install) -> None:
    install("first_driver", "bench", GOOD.format(name="bench"))
    install("second_driver", "bench", GOOD.format(name="bench"))
    loaded = load_drivers()
    (factory,) = [factory for factory in loaded.factories if factory.name == "bench"]
    assert type(factory).__module__ == "first_driver"
    assert loaded.failures == (
        DriverFailure("bench", "bench-second_driver", "Another driver is already named 'bench'."),
    )


def test_no_driver_replaces_a_built_in_driver(install: Install) -> None:
    install("aaa_driver", "aaa", GOOD.format(name="presented"))
    loaded = load_drivers()
    assert PRESENTED in loaded.factories
    assert [failure.name for failure in loaded.failures] == ["aaa"]


def factory_with(name: str, score: object) -> DriverFactory:
    """Return a driver factory whose ``matches`` returns ``score``, or raises it."""

    def matches(advertisement: Advertisement, services: object) -> object:
        if isinstance(score, BaseException):
            raise score
        return score

    return SimpleNamespace(name=name, matches=matches, open=list)


def test_the_best_score_wins_and_ties_go_to_the_first_name() -> None:
    factories = [
        factory_with("c", LIKELY),
        factory_with("b", CERTAIN),
        factory_with("a", LIKELY),
        factory_with("d", POSSIBLE),
    ]
    best = best_driver(factories, Advertisement(), None)
    assert best is not None
    assert (best[0].name, best[1]) == ("b", CERTAIN)
    best = best_driver([factories[0], factories[2]], Advertisement(), [])
    assert best is not None
    assert best[0].name == "a"


@pytest.mark.parametrize("scores", [[], [0.0], [0.29, 0.0]])
def test_no_driver_fits(scores: list[float]) -> None:
    assert best_driver([factory_with(str(score), score) for score in scores], Advertisement(), None) is None


@pytest.mark.parametrize(
    "score", [ValueError("\x1b[2J"), SystemExit(1), RecursionError(), None, "high", float("nan"), 1.5, -1, [1]]
)
def test_a_driver_without_a_valid_score_is_skipped_and_logged_once(
    score: object, caplog: pytest.LogCaptureFixture
) -> None:
    name = f"bench-{score!r}"
    factories = [factory_with(name, score), factory_with("sound", POSSIBLE)]
    with caplog.at_level(logging.WARNING):
        for _ in range(3):
            best = best_driver(factories, Advertisement(), None)
            assert best is not None
            assert best[0].name == "sound"
    (record,) = caplog.records
    assert name in record.message
    assert "\x1b" not in record.message


def test_keyboard_interrupt_is_not_swallowed() -> None:
    with pytest.raises(KeyboardInterrupt):
        best_driver([factory_with("bench", KeyboardInterrupt())], Advertisement(), None)


def test_a_meter_with_a_standard_service_gets_the_built_in_driver() -> None:
    voltage = Characteristic(uuid16(0x2B18), uuid16(0x2B18), uuid16(0x181A), frozenset({"notify"}))
    best = best_driver(load_drivers().factories, Advertisement(), [voltage])
    assert best == (PRESENTED, LIKELY)
