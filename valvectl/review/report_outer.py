"""The report's groups on the plant by symbols and on the outer loops."""

from __future__ import annotations

from typing import TYPE_CHECKING

from valvectl.review.report_groups import Group, Table
from valvectl.review.verdict import Review
from valvectl.review.wording import number

if TYPE_CHECKING:
    from valvectl.studies.model import ModelResult

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
