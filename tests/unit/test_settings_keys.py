"""The keys of the dashboard's actions in the settings: every mistake has its line, its column and the nearest name."""

from pathlib import Path

import pytest

from meterlink.core.errors import SettingsError
from meterlink.core.key_actions import DEFAULT_KEYS, KEY_NAMES, KeyAction
from meterlink.settings import load_settings


def load_keys(folder: Path, text: str) -> dict[KeyAction, tuple[str, ...]]:
    (folder / "settings.toml").write_text(f"[keys]\n{text}\n", encoding="utf-8")
    return dict(load_settings(folder).keys)


def test_every_action_has_keys_of_its_own_by_default(tmp_path: Path) -> None:
    assert load_settings(tmp_path).keys == DEFAULT_KEYS
    assert set(DEFAULT_KEYS) == set(KeyAction)
    keys = [key for own in DEFAULT_KEYS.values() for key in own]
    assert len(set(keys)) == len(keys)
    assert set(keys) <= set(KEY_NAMES)


def test_an_action_gets_the_keys_of_a_pedal_and_the_others_keep_theirs(tmp_path: Path) -> None:
    keys = load_keys(tmp_path, 'next = ["pagedown", "n"]\naccept = ["enter"]')
    assert keys == {
        **DEFAULT_KEYS,
        KeyAction.NEXT: ("pagedown", "n"),
        KeyAction.ACCEPT: ("enter",),
        KeyAction.PAGE_DOWN: ("down",),  # what is left of its own
        KeyAction.ENTER_READING: ("e",),
    }


@pytest.mark.parametrize("key", ["space", "enter", "left", "right", "up", "down", "pageup", "pagedown", "f1", "f12"])
@pytest.mark.parametrize("action", KeyAction)
def test_every_action_can_have_every_key_of_a_pedal(tmp_path: Path, action: KeyAction, key: str) -> None:
    owner = next((owner for owner, keys in DEFAULT_KEYS.items() if key in keys and owner is not action), None)
    moved = f'{owner} = ["."]\n' if owner else ""  # the action that has it gets another
    assert load_keys(tmp_path, f'{moved}{action} = ["{key}"]')[action] == (key,)


def test_two_actions_may_swap_their_keys(tmp_path: Path) -> None:
    keys = load_keys(tmp_path, 'next = ["p", "left"]\nprevious = ["n", "right"]')
    assert keys[KeyAction.NEXT] == ("p", "left")


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ('acept = ["f5"]', "2:1: keys.acept: 'acept' is not a field here. Did you mean accept?"),
        ('repeat = ["r", "spcae"]', "2:16: keys.repeat 2: 'spcae' is not a key for an action. Did you mean space?"),
        ('repeat = ["Page Up"]', "2:11: keys.repeat 1: 'Page Up' is not a key for an action. Did you mean pageup?"),
        ('repeat = ["7"]', "2:11: keys.repeat 1: '7' is not a key for an action. Digits answer questions"),
        ('repeat = ["esc"]', "2:11: keys.repeat 1: 'esc' is not a key for an action. Digits answer questions"),
        ('repeat = ["µ"]', "2:11: keys.repeat 1: 'µ' is not a key for an action. Use a letter, space"),
        ("repeat = [3]", "2:11: keys.repeat 1: 3 is not text. Use a letter"),
        ('repeat = ["f5", "f5"]', "2:17: keys.repeat 2: 'f5' is listed twice. Remove one."),
        ("repeat = []", "2:1: keys.repeat: it has no items, not 1 to 6."),
        # A key that another action has by default …
        ('accept = ["enter", "q"]', "2:20: keys.accept 2: 'q' is a key of quit, too. Choose another"),
        # … and one that an action above has.
        ('next = ["enter"]\naccept = ["enter"]', "3:11: keys.accept 1: 'enter' is a key of next, too."),
    ],
)  # fmt: skip
def test_a_mistake_is_named_where_it_stands(tmp_path: Path, text: str, error: str) -> None:
    with pytest.raises(SettingsError) as raised:
        load_keys(tmp_path, text)
    assert str(raised.value).startswith(f"{tmp_path / 'settings.toml'}:{error}")
