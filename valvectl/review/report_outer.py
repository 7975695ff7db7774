"""The report's groups on the plant by symbols and on the outer loops."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from valvectl.review.report_groups import Group, Table, _plot, limit_of
from valvectl.review.verdict import Review
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.model import ModelResult
    from valvectl.studies.outer_result import OuterResult

SYMBOLS = (
    "Actuator: R, L, K motor's winding and torque constant; N ratio; J_m, b rotor with gears and its viscous friction; J_L stem "
    "and ball; k, c gears' stiffness and damping at the stem; ε mean of one over efficiency and back-drive efficiency; ω_m motor "
    "speed over N. Feed, relative to flow and chamber pressure: r_i injector slope, z losses from tank to manifold, l "
    "inertance, σ manifold, g valve; Y fall of injector flow per rise of chamber pressure, Z its rise per opening u = δ ln c. "
    "Chamber: θ residence time, τ delays, n and κ slopes of ln c* over ln p and ln r, X_o = r/(1+r) + κ, X_f = 1/(1+r) − κ. "
    "Legs at rest: m flow, p chamber, p_t tank, p_v vapour pressure, h head, d droop, u and w losses before and behind the valve "
    "with their slopes u_m and w_m, c valve coefficient, A injector area, ρ and ρ_i densities; a flow lost per rise of chamber "
    "pressure, e flow per rise of what its index names. S and P: mixture ratio and chamber pressure per drive of a leg."
)


def model_group(review: Review, result: ModelResult) -> Group:
    """Equations of the plant, and the two ways to their numbers."""
    from markupsafe import Markup

    group = Group(
        "model",
        "Equations of the plant",
        "Which transfer functions and sensitivities does all this rest on, and do two derivations of them agree?",
    )
    group.notes.append(
        "Derived by computer algebra from the laws, apart from the program's linear models and balance, and held against them "
        f"at {100.0 * result.throttle:.3g} % throttle: the largest relative difference is {result.largest_difference:.1e}."
    )
    group.notes.extend(f"{text[0].upper()}{text[1:]}." for text in (*result.assumptions, *result.cautions))
    group.notes.append(SYMBOLS)
    rows = tuple(
        (f"{r.what}, {r.leg or 'both'}", number(r.symbolic), number(r.program), r.unit or "-", f"{r.difference:.0e}")
        for r in result.rows
    )
    head = ("quantity, leg", "by symbols", "by the program", "unit", "relative difference")
    group.tables.append(
        Table("Two ways to one number; transfer functions at the frequency where they differ most", head, rows)
    )
    group.formulas.extend((f.name, Markup(f.mathml())) for f in result.formulas)
    return group


def outer_group(review: Review, result: OuterResult) -> Group:
    """The outer loops."""
    from valvectl.review.figures import outer_chart

    group = Group(
        "outer",
        "Outer loops",
        "Do trims by chamber pressure and measured flows make thrust and O/F better, and at what price?",
    )
    group.plots.append(
        _plot(
            outer_chart(result, steady=limit_of(review, "mixture_ratio_steady")),
            "outer",
            "Error of O/F and thrust over the profile, schedule alone against outer loops; error left over the throttle range",
            "Above: one run with the errors named in the title, which neither schedule nor loops know. Below: the loops pay "
            "where "
            "their line lies under that of the schedule alone; usual sensors of each kind for comparison.",
        )
    )
    rows = tuple(
        (
            f"{loop} at {100.0 * float(result.throttle[j]):.0f} %",
            "yes" if result.stable[j] else "NO",
            number(m.gain_margin_db, 3, "no crossing"),
            number(math.degrees(m.phase_margin), 3, "no crossing"),
            number(m.gain_crossover / (2.0 * math.pi), 3, "no crossing"),
            number(m.peak_sensitivity, 3),
            number(float(result.sensitivity[j]), 3),
            number(float(result.chug[j]), 3),
        )
        for loop, margins in result.margins.items()
        for j, m in enumerate(margins)
    )
    head = (
        "loop, other closed", "stable", "gain margin [dB]", "phase margin [deg]", "crossover [Hz]", "peak |S| [-]",
        "both together [-]", "chug [Hz]",
    )  # fmt: skip
    group.tables.append(Table("Margins of the outer loops", head, rows))
    worst = tuple((r.what, f"{100.0 * r.worst[0]:.2f}", f"{100.0 * r.worst[1]:.2f}") for r in result.runs)
    cases = ("case", "schedule alone [%]", "with loops [%]")
    group.tables.append(Table("Largest steady error of O/F over the holds of the profile", cases, worst))
    group.notes.extend(f"{text[0].upper()}{text[1:]}." for text in (*result.assumptions, *result.cautions))
    return group
