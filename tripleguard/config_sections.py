"""Sections of the settings that only one command uses; `config` reads them with all the others."""

from __future__ import annotations

from datetime import date
from typing import Annotated

import msgspec


class HandoverSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a bag says about its sender; empty values are left out."""

    organization: str = ""
    address: str = ""
    contact: str = ""
    phone: str = ""
    email: str = ""
    description: str = "{shoot}"


class ForecastSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The assumptions of a forecast. Rates are per year; 0.02 is one in fifty."""

    tour_ends: str = ""
    fit_weeks: Annotated[int, msgspec.Meta(ge=1, le=520)] = 13
    buy_ahead_days: Annotated[int, msgspec.Meta(ge=0, le=365)] = 14
    drive_fails: Annotated[float, msgspec.Meta(ge=0, le=1)] = 0.02
    drive_faults: Annotated[float, msgspec.Meta(ge=0, le=100)] = 0.09
    offsite_fails: Annotated[float, msgspec.Meta(ge=0, le=1)] = 0.001
    bag_lost: Annotated[float, msgspec.Meta(ge=0, le=1)] = 0.01
    one_bag: bool = True
    replace_days: Annotated[float, msgspec.Meta(ge=0, le=365)] = 3.0
    repair_days: Annotated[float, msgspec.Meta(ge=0, le=365)] = 1.0
    independence: Annotated[float, msgspec.Meta(gt=0, le=1)] = 1.0

    @property
    def tour_end(self) -> date | None:
        """Return the day the tour ends; None if unknown."""
        return date.fromisoformat(self.tour_ends.strip()) if self.tour_ends.strip() else None


class CameraSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a camera's files don't say. without_serial: camera model to the name of its only body."""

    without_serial: dict[str, str] = {}


class ClearanceSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How recently counted copies must have been read back."""

    card_hours: Annotated[int, msgspec.Meta(ge=1, le=24 * 7)] = 24
    drive_days: Annotated[int, msgspec.Meta(ge=1)] = 7


class SelectSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Which pictures become selects."""

    at_least: Annotated[float, msgspec.Meta(gt=0, le=5)] = 4.0
