"""What the study of faults says beside its numbers: assumptions and cautions."""

from __future__ import annotations

from collections.abc import Sequence

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS, LegName
from valvectl.plant.fault_run import CAN_NOT_SHUT
from valvectl.studies.fault_result import FaultRow, Threshold
from valvectl.studies.fault_watch import SURE


def _heated(design: DesignFile, name: LegName) -> bool:
    jacket = design.leg(name).jacket
    return jacket is not None and (jacket.heat is not None or jacket.temperature_rise is not None)


def notes(design: DesignFile, missing: Sequence[str], engines: int) -> list[str]:
    """Assumptions of the study."""
    f = design.faults
    given = design.inputs
    out = []
    if f.mixture_ratio_high is None:
        out.append(
            "O/F limit of the wall: none stated (faults.mixture_ratio_high); the wanted O/F raised by "
            "requirements.mixture_ratio_transient stands for it. What the wall truly stands is for the thermal design to say"
        )
    if f.chamber_pressure_limit is None:
        out.append("chamber pressure limit: none stated; 1.2 times the design's (common practice, no source)")
    if f.mixture_ratio_low is None:
        out.append("low O/F is shown, not judged (faults.mixture_ratio_low)")
    if f.shut_off_time is None:
        out.append("no shut-off valves stated (faults.shut_off_time): the throttle valves are taken to shut the engine")
    sizes = ("slow_speed", "slip", "encoder_offset", "encoder_noise", "command_delay", "reset_time", "wall_time")
    assumed = [key for key in sizes if f"faults.{key}" not in given]
    if assumed:
        out.append(f"sizes by default, not stated: faults.{', '.join(assumed)}")
    if design.outer_loops is not None:
        out.append("the schedule runs open loop: outer loops would counter some faults and hide them from the watch")
    for name in LEGS:
        tank = design.leg(name).tank
        if tank.ullage is None and tank.supply != "blow-down":
            out.append(f"{name} regulator: no ullage stated, so that a failure takes faults.regulator_time by default")
        if design.leg(name).jacket is not None and not _heated(design, name):
            out.append(f"boiling in the {name} jacket is not judged: no heat stated (temperature_rise or heat)")
    out += [f"not watched: {text}" for text in missing]
    out.append(
        f"thresholds stand {design.faults.watch.margin:.3g} times above what {engines} engines at random corners of the "
        "tolerances show without a fault, which are not the worst there can be; an alarm is sure when an engine that stands "
        f"off to the other side by as much raises it too, at {100.0 * SURE:.0f} % whatever the noise, and verdicts go by that"
    )
    out.append(
        f"excursions and limits are those of the design as stated, at the times looked at and for {f.watched:.3g} s after each; "
        "stretches beyond a limit count one by one, not added up, and one under way at the end is taken to last; a flame that "
        "goes out or comes back is not judged"
    )
    out.append(
        "in time means that both flows are stopped before the limit counts; what comes on the way to shut is simulated for both "
        "throttle valves closing at their speed limits at once, shown as the time of oxidizer without fuel, and not judged: the "
        "order of closing is a choice of the design"
    )
    out.append(
        "noise is normal and independent from look to look; interference and vibration are neither, and trip more often"
    )
    return out


def cautions(
    design: DesignFile,
    rows: Sequence[FaultRow],
    thresholds: Sequence[Threshold],
    beyond_anyway: bool,
    engines: int,
    off: float,
) -> list[str]:
    """What a reader must not overlook."""
    out = []
    if engines == 0:
        out.append(
            "no engine within tolerance was run: the proposed thresholds know noise alone and would trip in a real engine"
        )
    if beyond_anyway:
        out.append(
            "the run without any fault passes the O/F limit for longer than the hardware is said to stand: verdicts of faults "
            "mean little before limit or design are changed"
        )
    trips = [t.channel for t in thresholds if t.trips]
    if trips:
        out.append(f"stated thresholds that a fault-free engine within tolerance trips: {', '.join(trips)}")
    failing = [r for r in rows if r.worst.verdict in ("too late", "not detected")]
    if failing:
        names = sorted({r.fault for r in failing})
        out.append(
            f"{len(failing)} of {len(rows)} single faults pass a limit before the engine can be shut: {', '.join(names)}"
        )
    near = sorted(
        {r.fault for r in rows if r.near and r.worst.verdict in ("within limits without action", "detected in time")}
    )
    if near:
        out.append(
            f"within limits by less than tolerances: {', '.join(near)} pass the O/F limit in an engine that stands "
            f"{100.0 * off:.1f} % off, as fault-free ones do"
        )
    long = sorted({
        r.fault for r in rows
        if r.worst.verdict == "detected in time" and r.abort is not None and r.abort.beyond >= design.faults.wall_time
    })  # fmt: skip
    if long:
        out.append(
            f"detected in time, but on the way to shut O/F is above its limit for longer than the hardware is said to stand: "
            f"{', '.join(long)}"
        )
    if design.faults.shut_off_time is None and any(r.fault in CAN_NOT_SHUT for r in failing):
        out.append(
            "a throttle valve that does not move leaves propellant flowing: a separate normally closed shut-off valve in each "
            "leg, reached by the emergency stop, is common practice"
        )
    lean = [r for r in rows if r.abort is not None and r.abort.unburnt > 0.0]
    if lean:
        longest = max(r.abort.unburnt for r in lean if r.abort is not None)
        out.append(
            f"shut after an alarm, oxidizer flows without fuel for up to {1e3 * longest:.0f} ms: oxygen on hot metal. The usual "
            "order is oxidizer first (common practice)"
        )
    if any(r.worst.verdict == "not assessed" for r in rows):
        out.append("a run of some faults stopped being finite: these are not assessed, and that is no pass")
    out.append(
        "this bounds the single faults modelled here, one at a time; it is no hazard analysis and finds no common cause. Abort "
        "logic for hot firing has to be reviewed by others, tested with injected signals first, and kept to local codes"
    )
    return out
