"""Checks of a recording alone. To add one: write a function Scene -> findings in its family, and add it to CHECKS.

Each check is a plain function that yields findings of its own name only; docs/findings.md has a line for each, and
tests/health has a pair of recordings just inside and just outside its limit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType

from fifthwheel.car.model import Car
from fifthwheel.data import Finding, Recording
from fifthwheel.health import boards, channels, clock, commands, gnss, mounting, sampling, turns, wheels
from fifthwheel.health.scene import Scene, look

CHECKS: Mapping[str, Callable[[Scene], Iterable[Finding]]] = MappingProxyType(
    {
        "gap": clock.gap,
        "burst": clock.burst,
        "irregular-rows": clock.irregular_rows,
        "clock-rate": clock.clock_rate,
        "stuck-channel": channels.stuck_channel,
        "spike": channels.spike,
        "out-of-range": channels.out_of_range,
        "clipping": channels.clipping,
        "held-channel": channels.held_channel,
        "channel-missing": channels.channel_missing,
        "channel-slow": channels.channel_slow,
        "wheel-held-at-stop": channels.wheel_held_at_stop,
        "encoder-alias": sampling.encoder_alias,
        "vibration-alias": sampling.vibration_alias,
        "gnss-lost": gnss.gnss_lost,
        "gnss-jump": gnss.gnss_jump,
        "gnss-latency": gnss.gnss_latency,
        "accel-unit": mounting.accel_unit,
        "gravity-axis": mounting.gravity_axis,
        "forward-axis": mounting.forward_axis,
        "lateral-axis": mounting.lateral_axis,
        "lateral-sign": turns.lateral_sign,
        "turn-rate-sign": turns.turn_rate_sign,
        "turn-rate-unit": turns.turn_rate_unit,
        "turn-rate-axis": turns.turn_rate_axis,
        "steer-sign": turns.steer_sign,
        "wheels-left-right": turns.wheels_left_right,
        "wheels-front-rear": wheels.wheels_front_rear,
        "wheel-radius": wheels.wheel_radius,
        "radius-scale": wheels.radius_scale,
        "radius-implausible": wheels.radius_implausible,
        "wheel-sign": wheels.wheel_sign,
        "motor-ratio": wheels.motor_ratio,
        "throttle-sign": commands.throttle_sign,
        "brake-sign": commands.brake_sign,
        "card-stall": boards.card_stall,
        "frames-lost": boards.frames_lost,
        "boards-differ": boards.boards_differ,
        "boards-clock": boards.boards_clock,
    }
)
"""Name of the finding -> check, in the order in which they are run and told."""


def examine(recording: Recording, car: Car | None) -> tuple[Finding, ...]:
    """Return what the checks notice in a recording, without what its readers have already said (recording.findings)."""
    scene = look(recording, car)
    if scene is None:
        return ()
    said = {f.check for f in recording.findings}
    return tuple(f for name, check in CHECKS.items() if name not in said for f in check(scene))
