"""The parts of a station's configuration that judge readings and publish them."""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from meterlink.core.calibration import Calibration
from meterlink.judge.accuracy import AccuracySheet
from meterlink.settings import Settings


@dataclass(frozen=True, slots=True)
class PublishingConfig:
    """How readings become messages for a broker."""

    station: str
    outbox_changed: asyncio.Event  # set when a committed transaction added messages


@dataclass(frozen=True, slots=True)
class JudgingConfig:
    """Settings for judging. The mappings are by meter address in lower case; ``celsius`` is the ambient temperature."""

    meter_names: Mapping[str, str]
    accuracy_sheets: Mapping[str, AccuracySheet]
    celsius: Decimal | None = None
    calibrations: Mapping[str, Calibration] = field(default_factory=dict)

    @classmethod
    def from_settings(cls, settings: Settings) -> "JudgingConfig":
        """Return the configuration that the settings contain."""
        return cls(
            {meter.address.lower(): meter.name for meter in settings.meters if meter.name},
            {meter.address.lower(): meter.accuracy_sheet for meter in settings.meters if meter.accuracy_sheet},
            settings.ambient_celsius,
            {meter.address.lower(): meter.calibration for meter in settings.meters if meter.calibration},
        )
