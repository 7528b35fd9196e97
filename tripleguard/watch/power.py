"""Whether there is power for everything, or only for what protects new pictures."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Battery:
    """percent: how full. plugged: whether it is being charged or held; None where the system can't say."""

    percent: float
    plugged: bool | None


def held_back(battery: Battery | None, floor: int) -> str:
    """Why only new pictures are cared for, in words; '' if all can be done. No battery: a desk."""
    if battery is None or (battery.plugged is not False and battery.percent >= floor):
        return ""
    if battery.plugged is False:
        return f"the laptop runs on its battery ({battery.percent:.0f} %)"
    return f"the battery is at {battery.percent:.0f} %, below {floor} %"


def battery_now() -> Battery | None:
    """The battery as the system tells it, None if there is none or it can't be asked."""
    import psutil

    try:
        found = psutil.sensors_battery() if hasattr(psutil, "sensors_battery") else None
    except (OSError, RuntimeError, psutil.Error):
        return None
    return None if found is None else Battery(found.percent, found.power_plugged)
