"""Where a key of the design file acts: which studies and rows read it, by the table it stands in."""

from __future__ import annotations

import re

ACTS: tuple[tuple[str, str], ...] = (
    (r"^(schema|name|note)$", "names the file; no number depends on it"),
    (r"^requirements\.", "limit of the row of that name in check and its report"),
    (r"^outer_loops\.", "trim only: outer loops, their margins and runs; no other study closes them"),
    (r"^simulation\.", "numerics of every simulated run: throttle, loop (steps), stroke, power-loss"),
    (r"^corners", "worst only"),
    (r"^faults\.|\.tank\.relief_pressure", "faults only"),
    (r"^tuning\.", "loop --tune only: corners, and what the gains must keep there"),
    (r"^start\.", "surge (its part on the start); no row of check"),
    (r"^flight\.", "disturbance, row mixture_ratio_disturbed"),
    (r"^throttle\.minimum", "everything over the throttle range: schedule, ladder, resolution, stability, torque at low drop"),
    (r"^throttle\.schedule_points", "the table throttle to angles: every study over the throttle range"),
    (r"^throttle\.rate_matched", "commands of the throttle profile: throttle and every study that runs it"),
    (r"^throttle\.profile", "throttle (the simulated run), motor heating, heat, power, disturbance, power-loss"),
    (r"^duty\.", "heat; charge and heat in pauses in power"),
    (r"^battery\.(capacity|fuse|regeneration|bus_capacitance|overvoltage_limit|dump_resistance)", "power only"),
    (r"^battery\.", "torque margin (worst corner), stroke, power, bus_voltage, every simulated run"),
    (r"^engine\.combustion\.delay", "throttle (simulated run), stability (chug)"),
    (r"^engine\.combustion", "steady balance (flows, chamber pressure), simulated runs, stability"),
    (r"^engine\.characteristic_length", "residence time: simulated runs, stability"),
    (r"^engine\.separation", "thrust at low throttle: schedule, ladder"),
    (r"^engine\.", "steady balance and schedule, hence every study of flow and mixture ratio"),
    (r"\.liquid\.(viscosity|water|name|temperature|density|vapour_pressure|critical_pressure|sound_speed)",
     "steady balance, choking, simulated runs, stability, surge"),
    (r"\.tank\.(pressure|droop|height|load_factor)", "steady balance, torque (pressure difference), simulated runs, disturbance"),
    (r"\.tank\.", "disturbance, row mixture_ratio_disturbed"),
    (r"\.line\.(wall_|poisson|anchoring|pressure_limit)", "surge only"),
    (r"\.(line|downstream)\.", "steady balance, simulated runs (inertance), stability, surge, start"),
    (r"\.jacket\.(heat|temperature_rise|specific_heat|outlet_|compliant)", "liquid behind the jacket: injector, boiling_margin"),
    (r"\.jacket\.", "steady balance, simulated runs, stability, start"),
    (r"\.manifold\.", "simulated runs (compliance), stability, start"),
    (r"\.injector\.", "steady balance, injector_stiffness, simulated runs, stability"),
    (r"\.purge", "purge only"),
    (r"\.valve\.(flow|port|bore|reducers|port_scale)", "steady balance, ports, resolution, choking, simulated runs, surge"),
    (r"\.valve\.torque\.(friction_model|presliding_angle|bristle_)", "simulated runs (stem friction), hunting"),
    (r"\.valve\.torque", "torque margin, ratio, simulated runs (friction), resolution (jump after sticking), power-loss"),
    (r"\.valve\.inertia", "loop (plant), simulated runs, ratio"),
    (r"\.valve\.slot_clearance", "resolution, spread of the mixture ratio, simulated runs"),
    (r"\.valve\.closes", "wiring and commissioning; no number depends on it"),
    (r"\.valve\.", "valve_travel, stroke, simulated runs, torque"),
    (r"\.actuator\.own_stage", "gear only"),
    (r"\.actuator\.(dead_drive|reserve)", "power-loss only"),
    (r"\.actuator\.return_spring", "torque margin, simulated runs, power-loss"),
    (r"\.actuator\.motor\.(winding_c|case_)", "heat only"),
    (r"\.actuator\.motor\.(temperature_limit|thermal_)", "motor_heating, heat"),
    (r"\.actuator\.motor\.max_speed", "motor_speed, ratio"),
    (r"\.actuator\.gears\.speed_limit", "ratio only"),
    (r"\.actuator\.(motor|current_limit|duty_limit|harness|idle|hot_winding|temperature)",
     "torque margin, ratio, loop (plant), simulated runs, bus_voltage"),
    (r"\.actuator\.hot_surroundings", "motor_heating, heat"),
    (r"\.actuator\.gears", "torque margin, ratio, loop (plant), resolution, simulated runs, gear_torque, power-loss"),
    (r"\.actuator\.stem_encoder", "loop (sampled) and simulated runs, where controller.stem_trim is given"),
    (r"\.actuator\.(position|speed)_encoder", "loop (sampled), resolution, spread of the mixture ratio, simulated runs"),
    (r"\.actuator\.", "loop (plant), simulated runs"),
    (r"\.controller\.command_step", "resolution, simulated runs"),
    (r"\.controller\.command_(shape|acceleration|jerk)", "commands: throttle profile, steps of loop, stroke"),
    (r"\.controller\.(anti_windup|tracking_time|integral_dead_zone|feedforward_friction|friction_speed)",
     "simulated runs, steps of loop, stroke; no margin depends on it"),
    (r"\.controller\.hold_band", "resolution, spread of the mixture ratio, simulated runs (hunting)"),
    (r"\.controller\.(position|speed|current)_(sense|bus)_delay", "timing only: which part of a delay costs what"),
    (r"\.controller\.(position|speed|current)_jitter",
     "rows of the loops' margins and timing (over its range), simulated runs (random delays)"),
    (r"\.controller\.", "loop (margins, steps), simulated runs, stroke"),
)  # fmt: skip
"""Pattern of a dotted key and where keys that match it act; the first match counts."""


def acts_in(key: str) -> str:
    """Where a dotted key acts, in words; empty for a table that holds keys of several sorts."""
    bare = re.sub(r"\[[0-9]+\]", "", key)
    return next((text for pattern, text in ACTS if re.search(pattern, bare)), "")
