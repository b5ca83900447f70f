"""The configured keys of the dashboard's actions, for the bindings and for sentences that name a key."""

from collections.abc import Iterable

from textual.binding import Binding, BindingType

from meterlink.core.key_actions import KEY_NAMES, KeyAction, Keys

# The names of Textual, where they differ from those of the settings.
_TEXTUAL_NAMES = {
    "?": "question_mark", ".": "full_stop", "-": "minus", "+": "plus", "*": "asterisk", "/": "slash",
}  # fmt: skip
_CONTROL = {f"ctrl+{letter}": f"Ctrl+{letter.upper()}" for letter in "crtu"}
_PRINTED = {"escape": "Esc", **_CONTROL, **{textual: name for name, textual in _TEXTUAL_NAMES.items()}, **KEY_NAMES}


def keymap(keys: Keys) -> dict[str, str]:
    """Return the keys by the identifiers of the bindings, as Textual has them: ``{"next": "n,right"}``."""
    return {str(action): _key_string(own) for action, own in keys.items()}


def _key_string(keys: Iterable[str]) -> str:
    return ",".join(_TEXTUAL_NAMES.get(key, key) for key in keys)


def key_name(action: KeyAction, keys: Keys) -> str:
    """Return the first key of an action as printed on a keyboard."""
    return KEY_NAMES[keys[action][0]]


def printed_keys(binding: Binding) -> str:
    """Return the keys of a binding as printed on a keyboard: ``n, →``."""
    return ", ".join(_PRINTED.get(key, key) for key in binding.key.split(","))


def with_keys(bindings: Iterable[BindingType], keys: Keys) -> tuple[Binding, ...]:
    """Return the bindings with their configured keys."""
    actions = set(KeyAction)
    return tuple(
        binding.with_key(_key_string(keys[KeyAction(binding.id)])) if binding.id in actions else binding
        for binding in bindings
        if isinstance(binding, Binding)
    )
