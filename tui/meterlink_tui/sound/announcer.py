"""Announces moments by bells or by speech; one key turns the sound off and on."""

from collections.abc import Callable
from enum import StrEnum

from meterlink_tui.sound.bells import BellRinger
from meterlink_tui.sound.moments import HeardMoment, Moment
from meterlink_tui.sound.voice import Voice


class SoundMode(StrEnum):
    """How moments are announced."""

    BELL = "bell"
    SPEECH = "speech"  # a stop rings, too
    OFF = "off"


class Announcer:
    """Announces one moment at a time: a newer one replaces it.

    ``write`` writes to the terminal. Without a ``voice``, or where it fails, speech becomes bells.
    """

    def __init__(self, write: Callable[[str], object], mode: SoundMode, voice: Voice | None) -> None:
        self._bells = BellRinger(write)
        self._voice = voice
        self._chosen = mode if mode is not SoundMode.OFF else SoundMode.BELL  # the mode that a key turns on
        self.is_on = mode is not SoundMode.OFF

    def announce(self, heard: HeardMoment) -> None:
        """Announce ``heard``; nothing while the sound is off."""
        if not self.is_on:
            return
        spoken = self._chosen is SoundMode.SPEECH and self._voice is not None and self._voice.say(heard.words)
        if not spoken or heard.moment is Moment.STOP:
            self._bells.ring(heard.moment)

    def toggle(self) -> None:
        """Turn the sound off, or on again."""
        self.is_on = not self.is_on
        if not self.is_on:
            self.silence()

    def silence(self) -> None:
        """End every sound now."""
        self._bells.silence()
        if self._voice is not None:
            self._voice.silence()

    def close(self) -> None:
        """End every sound; no process and no timer is left."""
        self._bells.silence()
        if self._voice is not None:
            self._voice.close()
