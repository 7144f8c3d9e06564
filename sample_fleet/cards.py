"""Text of the fleet's settings files: `airframe.toml`, `channels.toml`, `fleet.toml`."""

from __future__ import annotations

from collections.abc import Mapping

from trimkeep.sample_fleet.identity import MODE_WORDS, Identity, ServoOutput
from trimkeep.sample_fleet.table_columns import FOREIGN, ForeignColumn


def airframe_toml(identity: Identity, parameter_names: Mapping[str, str]) -> str:
    """Identity card of one airframe.

    Parameters
    ----------
    identity : Identity
    parameter_names : mapping of str to str
        Setting to the autopilot's parameter that holds it.
    """
    lines = [
        f'description = "{identity.description}"',
        f"span_m = {identity.span_m:g}",
        f"mass_kg = {identity.mass_kg:g}",
        f"motors = {identity.motors}",
        "",
        "[limits]",
        f"pitch_rate_max_dps = {identity.pitch_rate_max_dps:.1f}",
        f"roll_rate_max_dps = {identity.roll_rate_max_dps:.1f}",
        f"stall_speed_mps = {identity.stall_speed_mps:.1f}",
        "",
        "[outputs]",
        *_output_lines(identity.outputs),
        "",
        "[modes]",
        *(f'{number} = "{word}"' for number, word in zip(identity.mode_numbers, MODE_WORDS, strict=True)),
    ]
    if parameter_names:
        lines += ["", "[parameters]", *(f'{key} = "{name}"' for key, name in parameter_names.items())]
    return "\n".join(lines) + "\n"


def _output_lines(outputs: tuple[ServoOutput, ...]) -> list[str]:
    lines = []
    for moves in dict.fromkeys(output.moves for output in outputs):
        same = [_inline(output) for output in outputs if output.moves == moves]
        lines.append(f"{moves} = {same[0]}" if len(same) == 1 else f"{moves} = [{', '.join(same)}]")
    return lines


def _inline(output: ServoOutput) -> str:
    entries = [f"channel = {output.channel}"]
    if output.reversed:
        entries.append("reversed = true")
    entries.append(f"low_us = {output.low_us:g}")
    if output.moves != "throttle":
        entries.append(f"neutral_us = {output.neutral_us:g}")
    entries.append(f"high_us = {output.high_us:g}")
    if output.moves != "throttle":
        entries.append(f"throw_deg = {output.throw_deg:.1f}")
    return "{ " + ", ".join(entries) + " }"


def channels_toml() -> str:
    """Channel map of the tables with another program's headers."""
    return "\n".join(["[channels]", *(_channel_line(name, other) for name, other in FOREIGN.items())]) + "\n"


def _channel_line(channel: str, other: ForeignColumn) -> str:
    entries = [f'column = "{other.header}"']
    if other.unit is not None:
        entries.append(f'unit = "{other.unit}"')
    if other.scale != 1.0:
        entries.append(f"scale = {other.scale:g}")
    if other.sign != 1:
        entries.append(f"sign = {other.sign}")
    return f"{channel} = {{ {', '.join(entries)} }}"


def fleet_toml(name: str, time_zone: str) -> str:
    """Fleet-wide settings."""
    return f'name = "{name}"\ntime_zone = "{time_zone}"\nunits = "metric"\n'
