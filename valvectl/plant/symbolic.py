"""The linear models a second time, derived by computer algebra from the laws as one would write them on paper.

This is the one deliberate second copy of the laws: it exists to check ``plant.linear`` and the balance, and to print the
transfer functions and sensitivities. Nothing else may take numbers from here. SI, angles in radians; speeds and angles of the
motor are divided by the ratio. SymPy is imported when first asked for.
"""

from __future__ import annotations

import functools
import html
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

Values = Mapping[str, float]
"""Symbol name -> number, SI."""


@dataclass(frozen=True)
class Formula:
    """One derived expression."""

    name: str
    """Short name, such as ``stem angle per voltage``."""
    left: str
    """What it is, as LaTeX."""
    right: Any
    """The expression, a SymPy object in symbols of this module."""
    unit: str
    """Unit of its value."""

    def value(self, values: Values, s: complex | None = None) -> complex:
        """The expression's number at the symbols' ``values`` and, where ``s`` occurs, at a complex frequency [1/s]."""
        import sympy

        at: dict[Any, complex] = {sympy.Symbol(name): number for name, number in values.items()}
        if s is not None:
            at[sympy.Symbol("s")] = s
        return complex(self.right.xreplace(at).evalf(30, maxn=200))

    def latex(self) -> str:
        """The equation in LaTeX."""
        import sympy

        return f"{self.left} = {sympy.latex(self.right)}"

    def mathml(self) -> str:
        """The equation as one MathML element, for pages without a network."""
        import sympy

        right = sympy.mathml(self.right, printer="presentation")
        # named entities are HTML's alone; &lt; and the like are everybody's
        right = re.sub(r"&(?!lt;|gt;|amp;|quot;)[A-Za-z]+;", lambda found: html.unescape(found.group()), right)
        return (
            '<math xmlns="http://www.w3.org/1998/Math/MathML" display="block"><mrow>'
            f"{_LEFT[self.left]}<mo>=</mo>{right}</mrow></math>"
        )


def _ratio(top: str, bottom: str) -> str:
    return f"<mfrac>{top}{bottom}</mfrac>"


def _sub(base: str, index: str) -> str:
    return f"<msub><mi>{base}</mi><mi>{index}</mi></msub>"


_LN_R, _P = (
    "<mrow><mi>δ</mi><mi>r</mi><mo>/</mo><mi>r</mi></mrow>",
    "<mrow><mi>δ</mi><mi>p</mi><mo>/</mo><mi>p</mi></mrow>",
)
_LEFT: dict[str, str] = {
    r"\frac{i}{v}": _ratio("<mi>i</mi>", "<mi>v</mi>"),
    r"\frac{\omega_m}{i}": _ratio(_sub("ω", "m"), "<mi>i</mi>"),
    r"\frac{\theta_L}{\omega_m}": _ratio(_sub("θ", "L"), _sub("ω", "m")),
    r"\frac{\theta_L}{v}": _ratio(_sub("θ", "L"), "<mi>v</mi>"),
    r"\frac{\theta_L}{T}": _ratio(_sub("θ", "L"), "<mi>T</mi>"),
    r"\omega_{ar}": _sub("ω", "ar"),
    r"\omega_{r}": _sub("ω", "r"),
    r"\left.\frac{\omega_L}{v}\right|_{0}": f"<msub>{_ratio(_sub('ω', 'L'), '<mi>v</mi>')}<mn>0</mn></msub>",
    r"\left.\frac{i}{T}\right|_{0}": f"<msub>{_ratio('<mi>i</mi>', '<mi>T</mi>')}<mn>0</mn></msub>",
    r"\left.\frac{\omega_L}{T}\right|_{0}": f"<msub>{_ratio(_sub('ω', 'L'), '<mi>T</mi>')}<mn>0</mn></msub>",
    "Y": "<mi>Y</mi>",
    "Y_{stiff}": _sub("Y", "stiff"),
    "Z": "<mi>Z</mi>",
    "L_{chug}": _sub("L", "chug"),
    r"\frac{\delta p}{p}": _P,
    r"\frac{\delta r}{r}": _LN_R,
    "a": "<mi>a</mi>",
    "e_c": _sub("e", "c"),
    "e_{p_t}": f"<msub><mi>e</mi>{_sub('p', 't')}</msub>",
    r"e_{\rho}": _sub("e", "ρ"),
    "e_{A}": _sub("e", "A"),
    "e_{F_L}": f"<msub><mi>e</mi>{_sub('F', 'L')}</msub>",
    "e_{p_v}": f"<msub><mi>e</mi>{_sub('p', 'v')}</msub>",
    "S_o": _sub("S", "o"),
    "S_f": _sub("S", "f"),
    "P_o": _sub("P", "o"),
    "P_f": _sub("P", "f"),
}
"""Left sides: LaTeX -> MathML."""


def _symbols(names: str) -> Any:
    import sympy

    return sympy.symbols(names)


# -------------------------------------------------------------------------------------------------------- actuator


@functools.cache
def actuator_formulas() -> dict[str, Formula]:
    """Motor, gears as a spring with damping, and stem: transfer functions, resonances, gains at rest.

    Symbols: R [ohm], L [H], K torque constant [N m/A], N ratio, J_m [kg m^2] rotor and gears at the motor, b motor's viscous
    friction [N m s/rad], J_L stem and ball [kg m^2], k [N m/rad] and c [N m s/rad] of the gears at the stem, epsilon mean of
    1/efficiency and back-drive efficiency [-], s [1/s].
    """
    import sympy

    s, R, L, K, N, Jm, b, JL, k, c, eps = _symbols("s R L K N J_m b J_L k c epsilon")
    v, load, i, wm, wl = _symbols("v T i omega_m omega_L")
    twist = (wm - wl) / s
    spring = k * twist + c * (wm - wl)
    equations = [
        sympy.Eq(L * s * i, v - R * i - K * N * wm),
        sympy.Eq(Jm * N * s * wm, K * i - eps * spring / N - b * N * wm),
        sympy.Eq(JL * s * wl, spring - load),
    ]
    found = sympy.solve(equations, (i, wm, wl), dict=True)[0]

    def tidy(expression: Any) -> Any:
        top, bottom = sympy.fraction(sympy.cancel(sympy.together(expression)))
        return sympy.collect(sympy.expand(top), s) / sympy.collect(sympy.expand(bottom), s)

    by_voltage = {x: found[x].subs(load, 0) / v for x in (i, wm, wl)}
    angle_load = found[wl].subs(v, 0) / load / s
    speed_per_current = tidy(by_voltage[wm] / by_voltage[i])
    stem = tidy(by_voltage[wl] / by_voltage[wm] / s)
    anti = sympy.sqrt(k / JL)
    top = sympy.fraction(stem)[1] / s  # J_L s^2 + c s + k: what the motor's speed can not move
    assert sympy.simplify(top.subs(c, 0).subs(s, sympy.I * anti)) == 0
    free = sympy.fraction(speed_per_current)[1].subs({c: 0, b: 0})
    resonance = sympy.sqrt(k / JL + eps * k / (N**2 * Jm))
    assert sympy.simplify(free.subs(s, sympy.I * resonance)) == 0
    return {
        f.name: f
        for f in (
            Formula("current per voltage", r"\frac{i}{v}", tidy(by_voltage[i]), "A/V"),
            Formula("motor speed per current", r"\frac{\omega_m}{i}", speed_per_current, "rad/s/A"),
            Formula("stem angle per motor speed", r"\frac{\theta_L}{\omega_m}", stem, "s"),
            Formula("stem angle per voltage", r"\frac{\theta_L}{v}", tidy(by_voltage[wl] / s), "rad/V"),
            Formula("stem angle per load torque", r"\frac{\theta_L}{T}", tidy(angle_load), "rad/(N m)"),
            Formula("antiresonance", r"\omega_{ar}", anti, "rad/s"),
            Formula("resonance", r"\omega_{r}", resonance, "rad/s"),
            Formula(
                "stem speed per voltage at rest", r"\left.\frac{\omega_L}{v}\right|_{0}",
                sympy.limit(tidy(by_voltage[wl]), s, 0), "rad/s/V",
            ),
            Formula(
                "current per load torque at rest", r"\left.\frac{i}{T}\right|_{0}",
                sympy.factor(sympy.limit(tidy(found[i].subs(v, 0) / load), s, 0)), "A/(N m)",
            ),
            Formula(
                "stem speed per load torque at rest", r"\left.\frac{\omega_L}{T}\right|_{0}",
                sympy.factor(sympy.limit(tidy(found[wl].subs(v, 0) / load), s, 0)), "rad/s/(N m)",
            ),
        )
    }  # fmt: skip


# ------------------------------------------------------------------------------------------------ leg and chamber


@functools.cache
def feed_formulas() -> dict[str, Formula]:
    """Small-signal model of both feed legs and the chamber, in relative changes of flow and pressure.

    Of a leg: r_i injector slope, z slope of all losses from tank to manifold, l inertance times flow over chamber pressure
    [s], sigma manifold compliance times chamber pressure over flow [s], g relative flow per opening times z + r_i.
    Of the chamber: n = d ln c* / d ln p, theta residence time [s], X share of a leg in c* times flow, tau combustion delay
    [s]. Y = a relative fall of injector flow per rise of chamber pressure, Z its rise per opening ln c.
    """
    import sympy

    s, z, inert, sigma, ri, g = _symbols("s z l sigma r_i g")
    line, manifold, p, opening = _symbols("e q p u")
    flow = (manifold - p) / ri
    found = sympy.solve(
        [sympy.Eq((inert * s + z) * line, g * opening - manifold), sympy.Eq(sigma * s * manifold, line - flow)],
        (line, manifold),
        dict=True,
    )[0]
    out = sympy.together(flow.subs(found))
    admittance = sympy.factor(sympy.simplify(-out.subs(opening, 0) / p))
    drive = sympy.factor(sympy.simplify(out.subs(p, 0) / opening))
    n, theta = _symbols("n theta")
    Xo, Xf, to, tf, Yo, Yf, Zo, Zf, uo, uf = _symbols("X_o X_f tau_o tau_f Y_o Y_f Z_o Z_f u_o u_f")
    # solved with short names for the parts that burn, which keeps the exponentials in the form one would write
    Bo, Bf = _symbols("B_o B_f")
    back = {Bo: Xo * sympy.exp(-to * s), Bf: Xf * sympy.exp(-tf * s)}
    pressure = sympy.solve(sympy.Eq((1 - n + theta * s) * p, Bo * (Zo * uo - Yo * p) + Bf * (Zf * uf - Yf * p)), p)[
        0
    ].subs(back)
    ratio = Zo * uo - Zf * uf - (Yo - Yf) * p
    loop = (Bo * Yo + Bf * Yf).subs(back) / (1 - n + theta * s)
    return {
        f.name: f
        for f in (
            Formula("flow lost per chamber pressure", "Y", admittance, ""),
            Formula("the same, stiff manifold", "Y_{stiff}", sympy.limit(admittance, sigma, 0), ""),
            Formula("flow per opening", "Z", drive, ""),
            Formula("loop of chamber and feed", "L_{chug}", loop, ""),
            Formula("chamber pressure", r"\frac{\delta p}{p}", pressure, ""),
            Formula("mixture ratio", r"\frac{\delta r}{r}", ratio, ""),
        )
    }


@functools.cache
def steady_formulas(choked: bool) -> dict[str, Formula]:
    """Elasticities of a leg's steady flow at held chamber pressure, by differentiating its pressure balance.

    Symbols: m flow [kg/s], p chamber, p_t tank, p_v vapour pressure, h head [Pa], d droop slope [Pa s/kg], u and w loss
    numbers before and behind the valve [Pa s^2/kg^2] with their slopes u_m, w_m per kg/s, c [m^2], rho and rho_i (at the
    injector) [kg/m^3], A injector Cd area [m^2]; F_F, F_L [-]. Line losses and head are taken to go with 1/rho and rho.
    """
    import sympy

    m, p, pt, pv, h, d, c, rho, rho_i, A, FF, FL, um, wm, u0, w0 = _symbols(
        "m p p_t p_v h d c rho rho_i A F_F F_L u_m w_m u w"
    )
    scale = _symbols("lambda")  # of all densities
    u, w = sympy.Function("u")(m), sympy.Function("w")(m)
    if choked:
        balance = pt + h * scale - d * m - u / scale * m**2 - FF * pv - m**2 / (rho * scale * c**2 * FL**2)
    else:
        balance = (
            pt + h * scale - d * m - (u + w) / scale * m**2 - m**2 / (rho * scale * c**2)
            - m**2 / (2 * rho_i * scale * A**2) - p
        )  # fmt: skip

    def known(expression: Any) -> Any:
        by = {sympy.Derivative(u, m): um, sympy.Derivative(w, m): wm}
        return expression.subs(by).subs({u: u0, w: w0}).subs(scale, 1)

    resist = known(-m * sympy.diff(balance, m))

    def elasticity(of: Any) -> Any:
        return sympy.simplify(known(of * sympy.diff(balance, of)) / resist)

    out = [
        Formula("a: flow lost per chamber pressure", "a", -elasticity(p), ""),
        Formula("flow per valve coefficient", "e_c", elasticity(c), ""),
        Formula("flow per tank pressure", "e_{p_t}", elasticity(pt), ""),
        Formula("flow per density", r"e_{\rho}", elasticity(scale).subs(scale, 1), ""),
    ]
    if choked:
        out.append(Formula("flow per FL", "e_{F_L}", elasticity(FL), ""))
        out.append(Formula("flow per vapour pressure", "e_{p_v}", elasticity(pv), ""))
    else:
        out.append(Formula("flow per injector area", "e_{A}", elasticity(A), ""))
    return {f.name: f for f in out}


@functools.cache
def ratio_formulas() -> dict[str, Formula]:
    """Mixture ratio and chamber pressure per relative drive of each leg, at rest.

    Symbols: kappa = d ln c* / d ln r, n = d ln c* / d ln p, X_o = r/(1+r) + kappa and X_f = 1/(1+r) - kappa with r the mixture
    ratio, a_o and a_f of the legs (zero when choked). A drive is what alone would change the leg's flow at held chamber
    pressure: an elasticity times a relative change.
    """
    import sympy

    Xo, Xf, kappa, n, ao, af = _symbols("X_o X_f kappa n a_o a_f")
    eo, ef, p, uo, uf = _symbols("e_o e_f pi u_o u_f")
    # p A_t = c*(r, p) (m_o + m_f) in relative changes: shares X_o - kappa and X_f + kappa, and d ln r = e_o - e_f
    found = sympy.solve(
        [
            sympy.Eq(eo, uo - ao * p),
            sympy.Eq(ef, uf - af * p),
            sympy.Eq(p, kappa * (eo - ef) + n * p + (Xo - kappa) * eo + (Xf + kappa) * ef),
        ],
        (eo, ef, p),
        dict=True,
    )[0]
    ratio, pressure = found[eo] - found[ef], found[p]
    below = 1 - n + Xo * ao + Xf * af

    def per(expression: Any, u: Any) -> Any:
        top = sympy.simplify(sympy.diff(expression, u) * below)
        assert not top.has(uo, uf)
        return sympy.expand(top).subs(af * Xo, af * (1 - Xf)).subs(ao * Xf, ao * (1 - Xo)).expand() / below

    return {
        f.name: f
        for f in (
            Formula("mixture ratio per oxidizer drive", "S_o", per(ratio, uo), ""),
            Formula("mixture ratio per fuel drive", "S_f", per(ratio, uf), ""),
            Formula("chamber pressure per oxidizer drive", "P_o", per(pressure, uo), ""),
            Formula("chamber pressure per fuel drive", "P_f", per(pressure, uf), ""),
        )
    }
