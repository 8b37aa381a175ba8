"""Machine files of machines that nobody built: plausible, unlike the demos and unlike each other."""

from __future__ import annotations

import numpy as np

from sims.reference.plain_file import read, spring

__all__ = ["random_machine"]


def _point(out: float, up: float) -> str:
    return f"{{ out_mm = {out:.3f}, up_mm = {up:.3f} }}"


def _side(rng: np.random.Generator, size: float, like: dict[str, float] | None = None) -> tuple[str, dict[str, float]]:
    """One side's tables; `like` keeps what both sides must share."""

    def about(value: float, spread: float = 0.06) -> float:
        return value * size * (1 + spread * float(rng.uniform(-1, 1)))

    shared = like or {
        "reach": about(132, 0.12),
        "upper": float(rng.random() < 0.35),
        "rate": float(rng.uniform(0.8, 2.5)) * size**2,
        "cant": float(rng.uniform(-4, 14)),
        "arm": about(15, 0.15),
        "axis": about(166),
        "ski": about(18, 0.3),
        "preload": float(rng.random() < 0.3),
    }
    reach, upper = shared["reach"], shared["upper"] > 0
    lower_pivot = (about(34), about(50, 0.1))
    lower_ball = (reach - about(16), about(37, 0.1))
    upper_pivot = (about(38), about(80, 0.08))
    upper_ball = (reach - about(22), about(69, 0.08))
    share = float(rng.uniform(0.42, 0.62))
    first, last = (upper_pivot, upper_ball) if upper else (lower_pivot, lower_ball)
    eye = (
        first[0] + share * (last[0] - first[0]),
        first[1] + share * (last[1] - first[1]) + (1 if upper else 2) * size * float(rng.uniform(0, 4)),
    )
    mount_eye = (about(24), about(132))
    length = float(np.hypot(eye[0] - mount_eye[0], eye[1] - mount_eye[1]))
    ball = (about(15), mount_eye[1] + about(6))
    lines = [
        "[{side}.arm]",
        f"centre = {_point(0, shared['axis'])}",
        f"radius_mm = {shared['arm']:.3f}",
        f"rest_deg = {rng.uniform(-6, 6):.3f}",
        f"offset_behind_mm = {rng.uniform(0, 5) * size:.3f}",
        "[{side}.guide]",
        f"cant_deg = {shared['cant']:.3f}",
        f"bearing_centre = {_point(about(19), about(132))}",
        f"bearing_length_mm = {about(24):.3f}",
        "friction = 0.3",
        "[{side}.mount]",
        f"ball = {_point(*ball)}",
        f"eye = {_point(*mount_eye)}",
        f"travel_down_mm = {20 * size:.3f}",
        f"travel_up_mm = {20 * size:.3f}",
        "[{side}.shock]",
        f'on = "{"upper_arm" if upper else "lower_arm"}"',
        f"lower_eye = {_point(*eye)}",
        f"rate_N_per_mm = {shared['rate'] * rng.uniform(0.97, 1.03):.4f}",
        f"length_max_mm = {length + rng.uniform(3.5, 7) * size:.3f}",
        f"length_min_mm = {length - rng.uniform(6, 16) * size:.3f}",
    ]
    if shared["preload"] > 0:
        lines.append("preload_N = {preload_" + "{side}" + "}")
    lines += [
        "[{side}.suspension]",
        f"lower_pivot = {_point(*lower_pivot)}",
        f"lower_ball = {_point(*lower_ball)}",
        f"upper_pivot = {_point(*upper_pivot)}",
        f"upper_ball = {_point(*upper_ball)}",
        f"contact = {_point(reach, 0)}",
        f"unsprung_g = {about(120, 0.5) * size**2:.2f}",
    ]
    return "\n".join(lines), shared


def random_machine(seed: int) -> str:
    """A machine file's text; the same seed gives the same machine.

    Sizes from half to nearly twice Tarn's; skis or wheels; shock on either arm; springs left to be found or with a
    preload of their own; sides that differ by a few per cent; the rear from loose to stiff; an arm that may meet a rack.
    """
    rng = np.random.default_rng([20, seed])
    size = float(rng.uniform(0.55, 1.6))
    mass = 2900 * size**3 * float(rng.uniform(0.75, 1.3))
    wheel = rng.random() < 0.5
    behind = 290 * size * float(rng.uniform(0.85, 1.2))
    left, shared = _side(rng, size)
    right, _ = _side(rng, size, shared)
    # from about as stiff as it takes to stand up on it, to much stiffer
    stiffness = mass * 1e-3 * 9.8 * 0.1 * size * float(rng.choice([0.6, 1.5, 4.0])) * float(rng.uniform(0.8, 1.25))
    rack = f"""
[[part]]
name = "lower arm"
on = "lower_arm"
points = [{_point(40 * size, 49 * size)}, {_point(110 * size, 39 * size)}]
radius_mm = {4 * size:.3f}
[[part]]
name = "rack"
on = "chassis"
side = "centre"
points = [{_point(-58 * size, 30 * size)}, {_point(58 * size, 30 * size)}]
radius_mm = {rng.uniform(3, 7) * size:.3f}
[[clearance]]
between = ["lower arm", "rack"]
"""
    text = f"""
schema = 1
name = "random {seed}"
[runner]
kind = "{"wheel" if wheel else "ski"}"
length_mm = {100 * size:.3f}
radius_mm = {32 * size if wheel else 0:.3f}
steer_left_deg = 26
steer_right_deg = 26
[chassis]
mass_g = {mass:.2f}
cg_up_mm = {rng.uniform(75, 110) * size:.3f}
cg_behind_mm = {behind * rng.uniform(0.45, 0.62):.3f}
cg_left_mm = {rng.uniform(-4, 4) * size:.3f}
roof_up_mm = {230 * size:.3f}
[rear]
kind = "track"
contact_front_behind_mm = {behind * 0.75:.3f}
contact_rear_behind_mm = {behind * 1.2:.3f}
load_behind_mm = {behind:.3f}
half_width_mm = {rng.uniform(30, 70) * size:.3f}
pivot_up_mm = {rng.uniform(15, 55) * size:.3f}
roll_stiffness_N_m_per_rad = {stiffness:.5f}
mass_g = {mass * rng.uniform(0.05, 0.16):.2f}
mass_up_mm = {rng.uniform(15, 35) * size:.3f}
[servo]
arrangement = "double_arm"
pulse_neutral_us = 1500
pulse_per_deg_us = 10
pulse_min_us = 800
pulse_max_us = 2200
longer_pulse_leans = "left"
travel_deg = 60
rated_voltage_V = 6
stall_torque_N_mm = 2000
free_speed_deg_per_s = 400
supply_voltage_V = 6
{left.replace("{side}", "left")}
{right.replace("{side}", "right")}
{rack}
[steering]
pulse_left_us = 1900
pulse_neutral_us = 1500
pulse_right_us = 1100
[lean]
left_deg = 5
right_deg = 5
"""
    if shared["preload"] > 0:
        bare = read("\n".join(line for line in text.splitlines() if not line.startswith("preload_N")))
        for side in ("left", "right"):
            s = spring(bare, side)
            found = max(0.0, (s["slack"] - s["longest"]) * s["rate"])
            text = text.replace("{preload_" + side + "}", f"{found * rng.uniform(0.85, 1.2):.3f}")
    return text
