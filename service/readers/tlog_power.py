"""Battery and motors from a telemetry log."""

from __future__ import annotations

import numpy as np

from trimkeep.detectors.model import FloatArray
from trimkeep.service.readers.tlog_channels import Channels
from trimkeep.service.readers.tlog_source import Messages, Source

_U16_NONE = (1 << 16) - 1


def battery(source: Source) -> Channels:
    """Voltage, current, charge; BATTERY_STATUS first, SYS_STATUS for what it lacks."""
    found = _system_status(source.get("SYS_STATUS"))
    m = source.get("BATTERY_STATUS")
    if len(m):
        m = m.only(m.data["id"] == m.data["id"].min())
        columns = {
            "battery_voltage_v": _pack_voltage(m),
            "battery_current_a": m.valid("current_battery", -1, 0.01),
            "battery_used_ah": m.valid("current_consumed", -1, 1e-3),
            "battery_left": m.valid("battery_remaining", -1, 0.01),
        }
        found |= {name: m.channel(value) for name, value in columns.items() if np.isfinite(value).any()}
    return found


def _pack_voltage(m: Messages) -> FloatArray:
    """Sum of the cells. A pack without cell voltages stands in the first one (and goes on in the next)."""
    cells = m.data["voltages"].astype(np.float64)
    cells[m.data["voltages"] == _U16_NONE] = 0.0
    total = (cells.sum(axis=1) + m.data["voltages_ext"].astype(np.float64).sum(axis=1)) * 1e-3
    total[(m.data["voltages"] == _U16_NONE).all(axis=1)] = np.nan
    return total


def _system_status(m: Messages) -> Channels:
    if not len(m):
        return {}
    voltage = m.valid("voltage_battery", _U16_NONE, 1e-3)
    if not (voltage > 0.0).any():  # no battery monitor: zeros all along
        return {}
    columns = {
        "battery_voltage_v": voltage,
        "battery_current_a": m.valid("current_battery", -1, 0.01),
        "battery_left": m.valid("battery_remaining", -1, 0.01),
    }
    return {name: m.channel(value) for name, value in columns.items() if np.isfinite(value).any()}


def motors(source: Source) -> Channels:
    """Shaft speeds. Each message holds four motors, beginning with `index`."""
    m = source.get("ESC_STATUS")
    found: Channels = {}
    for number in (1, 2):
        if not len(m):
            break
        slot = (number - 1) - m.data["index"].astype(np.int64)
        mine = m.only((slot >= 0) & (slot < 4))
        if not len(mine):
            continue
        slot = (number - 1) - mine.data["index"].astype(np.int64)
        speed = mine.data["rpm"][np.arange(len(mine)), slot].astype(np.float64)
        if speed.any():
            found[f"motor_{number}_rpm"] = mine.channel(np.abs(speed))
    return found
