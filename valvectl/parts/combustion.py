"""Ideal characteristic velocity of liquid propellants: by shifting equilibrium or a table; residence time.

The simulator never sees chemistry: it reads a ``CStarGrid`` with ``c_star_lookup``. Equilibrium itself is in
``equilibrium``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from valvectl.errors import RangeError
from valvectl.parts.cache import cached, library_version
from valvectl.parts.equilibrium import ALGORITHM, Burner, chamber_gas, recipes

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# The grid is laid around rounded values, so that designs that differ by a few percent share one grid (and one cache
# file), and around them wide enough that 0.5 to 1.8 times the mixture ratio and 0.15 to 1.5 times the pressure
# are in it.
_LATTICE = 1.1
_RATIO_SPAN = (0.47, 1.90)
_PRESSURE_SPAN = (0.14, 1.60)
_RATIO_NODES = 96
_PRESSURE_NODES = 7
# A resampled table may have this many nodes in mixture ratio and in pressure, and miss by this much from either.
_MOST_NODES = (2048, 4096)
_RESAMPLE_ERROR = 2.4e-4


# --------------------------------------------------------------------------------------------------- plain laws


def vandenkerckhove(gamma: float) -> float:
    """Gamma function of choked flow [-]: sqrt(g) (2/(g+1))^((g+1)/(2(g-1))).

    gamma : isentropic exponent [-], above 1. Closed form of one-dimensional perfect-gas flow, in any text on rocket
    propulsion. For use: c* = sqrt(R T) / Gamma.
    """
    return math.sqrt(gamma) * math.pow(2.0 / (gamma + 1.0), (gamma + 1.0) / (2.0 * (gamma - 1.0)))


def residence_time(characteristic_length: float, c_star: float, gamma: float) -> float:
    """Residence time of gas in the chamber [s]: L* / (c* Gamma^2).

    characteristic_length : L* [m]; c_star : delivered characteristic velocity [m/s]; gamma : isentropic exponent [-].
    Gas of one temperature that leaves through a choked throat; the mass in the chamber over the flow.
    """
    choked = vandenkerckhove(gamma)
    return characteristic_length / (c_star * choked * choked)


def c_star_lookup(
    table: NDArray[np.float64], r0: float, dr: float, nr: int, x0: float, dx: float, nx: int, r: float, ln_pc: float
) -> float:
    """Characteristic velocity [m/s] from a uniform grid: bilinear, held at the edge value outside the grid.

    table : c* [m/s], shape (nx, nr), nx and nr at least 2; r0, dr, nr : first mixture ratio, step, count;
    x0, dx, nx : first ln(chamber pressure [Pa]), step, count; r : mixture ratio, infinite allowed;
    ln_pc : ln(chamber pressure [Pa]). NaN in gives NaN out.
    """
    u = (r - r0) / dr
    v = (ln_pc - x0) / dx
    # NaN must not become an index; it is put back at the end.
    missing = math.isnan(u) or math.isnan(v)
    a = 0.0 if missing else min(max(0.0, u), float(nr - 1))
    b = 0.0 if missing else min(max(0.0, v), float(nx - 1))
    i = min(int(a), nr - 2)
    j = min(int(b), nx - 2)
    a -= i
    b -= j
    low = table[j, i] + a * (table[j, i + 1] - table[j, i])
    high = table[j + 1, i] + a * (table[j + 1, i + 1] - table[j + 1, i])
    return math.nan if missing else float(low + b * (high - low))


# --------------------------------------------------------------------------------------------------------- grid


@dataclass(frozen=True, eq=False)
class CStarGrid:
    """Ideal characteristic velocity on a uniform grid, as the simulator reads it, and the gas at the design point."""

    r0: float
    """First mixture ratio [-]."""
    dr: float
    """Step of mixture ratio [-]."""
    nr: int
    """Number of mixture ratios."""
    x0: float
    """First ln(chamber pressure [Pa])."""
    dx: float
    """Step of ln(chamber pressure)."""
    nx: int
    """Number of chamber pressures."""
    values: NDArray[np.float64]
    """Ideal characteristic velocity [m/s], shape (nx, nr), read-only."""
    gamma: float
    """Isentropic exponent for residence time and nozzle [-]. From equilibrium it is the shifting one: with it
    sqrt(R T)/Gamma is c* and L*/(c* Gamma^2) the mass in the chamber over the flow, both to about 0.5 %; the thrust
    coefficient is then within 1 % of shifting expansion up to an expansion ratio of 4, and up to 4 % high at 40."""
    gamma_shifting: float | None
    """Shifting isentropic exponent at the design point [-]; None when a table was given."""
    gamma_frozen: float | None
    """Ratio of specific heats of the frozen gas at the design point [-]; None when a table was given."""
    molar_mass: float | None
    """Molar mass of the chamber gas at the design point [kg/mol]; None when a table was given."""
    temperature: float | None
    """Ideal chamber temperature at the design point [K]; None when a table was given."""
    source: str
    """Where the numbers come from, one sentence."""

    def c_star(self, mixture_ratio: float, chamber_pressure: float) -> float:
        """Ideal characteristic velocity [m/s] at a mixture ratio [-] and chamber pressure [Pa]; edge value outside."""
        x = (
            math.log(chamber_pressure)
            if chamber_pressure > 0.0
            else (-math.inf if chamber_pressure <= 0.0 else math.nan)
        )
        return c_star_lookup(self.values, self.r0, self.dr, self.nr, self.x0, self.dx, self.nx, mixture_ratio, x)

    def log_slope(self, mixture_ratio: float, chamber_pressure: float) -> float:
        """d ln c* / d ln r [-], over one grid step to either side so that the grid's corners do not show."""
        above = self.c_star(mixture_ratio + self.dr, chamber_pressure)
        below = self.c_star(mixture_ratio - self.dr, chamber_pressure)
        return mixture_ratio * math.log(above / below) / (2.0 * self.dr)

    @property
    def mixture_ratio_range(self) -> tuple[float, float]:
        """First and last mixture ratio of the grid [-]; outside the edge value holds."""
        return self.r0, self.r0 + (self.nr - 1) * self.dr

    @property
    def pressure_range(self) -> tuple[float, float]:
        """First and last chamber pressure of the grid [Pa]; outside the edge value holds."""
        return math.exp(self.x0), math.exp(self.x0 + (self.nx - 1) * self.dx)


def _array(rows: Sequence[Sequence[float]] | NDArray[np.float64]) -> NDArray[np.float64]:
    import numpy as np

    values = np.ascontiguousarray(rows, dtype=np.float64)
    values.setflags(write=False)
    return values


def c_star_grid(oxidizer: str, fuel: str, mixture_ratio: float, chamber_pressure: float) -> CStarGrid:
    """Grid of ideal c* by shifting equilibrium around a design point, through the cache.

    Parameters
    ----------
    oxidizer, fuel : names in any usual spelling; alcohols also with water, as in ``ethanol 75 %``
    mixture_ratio : oxidizer over fuel by mass at the design point [-]
    chamber_pressure : absolute, at the design point [Pa]

    The grid covers at least 0.5 to 1.8 times the mixture ratio and 0.15 to 1.5 times the pressure; bilinear look-up
    in it errs by less than 0.05 %, but up to 0.2 % where the gas has about one carbon atom an oxygen atom (c* has a
    corner there, and the gas would soot). Design points a few percent apart share one grid; where they do not, c* jumps
    by less than that error. Limits of the equilibrium and errors: as ``chamber_gas``.
    """
    design = chamber_gas(oxidizer, fuel, mixture_ratio, chamber_pressure)
    centre_r, centre_p = (
        _LATTICE ** round(math.log(value) / math.log(_LATTICE)) for value in (mixture_ratio, chamber_pressure)
    )
    r0, dr = _spread(_RATIO_SPAN[0] * centre_r, _RATIO_SPAN[1] * centre_r, _RATIO_NODES)
    x0, dx = _spread(math.log(_PRESSURE_SPAN[0] * centre_p), math.log(_PRESSURE_SPAN[1] * centre_p), _PRESSURE_NODES)

    def compute() -> dict[str, Any]:
        burner = Burner(oxidizer, fuel)
        return {
            "values": [
                [burner.burn(r0 + i * dr, math.exp(x0 + j * dx)).c_star for i in range(_RATIO_NODES)]
                for j in range(_PRESSURE_NODES)
            ]
        }

    key = recipes(oxidizer, fuel) | {"grid": [r0, dr, _RATIO_NODES, x0, dx, _PRESSURE_NODES]}
    answer = cached("c-star", key, compute, libraries=("cantera",), algorithm=ALGORITHM)
    return CStarGrid(
        r0=r0,
        dr=dr,
        nr=_RATIO_NODES,
        x0=x0,
        dx=dx,
        nx=_PRESSURE_NODES,
        values=_array(answer["values"]),
        gamma=design.gamma_shifting,
        gamma_shifting=design.gamma_shifting,
        gamma_frozen=design.gamma_frozen,
        molar_mass=design.molar_mass,
        temperature=design.temperature,
        source=f"shifting equilibrium, Cantera {library_version('cantera')}, NASA species data (nasa_gas.yaml), "
        f"{oxidizer.strip()} and {fuel.strip()}, gas phase only",
    )


def _spread(first: float, last: float, count: int) -> tuple[float, float]:
    """Start and step of a uniform grid."""
    return first, (last - first) / (count - 1)


def c_star_grid_from_table(
    mixture_ratio: Sequence[float],
    chamber_pressure: Sequence[float],
    c_star: Sequence[Sequence[float]],
    gamma: float,
    *,
    source: str = "table given in the design file",
) -> CStarGrid:
    """Uniform grid from a given table.

    Parameters
    ----------
    mixture_ratio : rising, shape (n,), n >= 2 [-]
    chamber_pressure : rising, shape (m,), m >= 1 [Pa]; with one, c* does not depend on pressure
    c_star : ideal characteristic velocity [m/s], shape (m, n)
    gamma : isentropic exponent of the chamber gas [-]
    source : said in the result

    Between the given points c* follows a curve that keeps the points' rise and fall (PCHIP in mixture ratio) and is
    linear in ln(pressure); outside them the edge value holds. The given points are met within 0.05 %, else
    ``RangeError``.
    """
    import numpy as np
    from scipy.interpolate import PchipInterpolator

    r = np.asarray(mixture_ratio, dtype=float)
    p = np.asarray(chamber_pressure, dtype=float)
    rows = np.asarray(c_star, dtype=float)
    fine = r.ndim == p.ndim == 1 and len(r) >= 2 and len(p) >= 1 and rows.shape == (len(p), len(r))
    if not fine or not (np.isfinite(r).all() and np.isfinite(p).all() and np.isfinite(rows).all()):
        raise RangeError(
            "c* table: needs one finite value for each chamber pressure (rows) and mixture ratio (columns)"
        )
    if r[0] <= 0.0 or p[0] <= 0.0 or (np.diff(r) <= 0.0).any() or (np.diff(p) <= 0.0).any() or (rows <= 0.0).any():
        raise RangeError("c* table: all values must be above zero, mixture ratios and chamber pressures must rise")
    if not 1.0 < gamma < 5.0 / 3.0 + 1e-9:
        raise RangeError(f"c* table: gamma must be above 1 and at most 1.667 (got {gamma:g})")
    if len(p) == 1:
        x, rows = np.log(p[0]) + np.array([0.0, 1.0]), np.vstack([rows, rows])
    else:
        x = np.log(p)
    nr = _fewest_nodes(r, rows, PchipInterpolator(r, rows, axis=1), _MOST_NODES[0])
    nx = _fewest_nodes(x, rows.T, lambda nodes: np.array([np.interp(nodes, x, row) for row in rows.T]), _MOST_NODES[1])
    if nr is None or nx is None:
        which = "mixture ratios" if nr is None else "chamber pressures"
        raise RangeError(
            f"c* table: the {which} are spaced too unevenly for a uniform grid to meet the points within 0.05 %; "
            "space them more evenly"
        )
    along_r = PchipInterpolator(r, rows, axis=1)(_nodes(r, nr))
    values = np.array([np.interp(_nodes(x, nx), x, column) for column in along_r.T]).T
    r0, dr = _spread(float(r[0]), float(r[-1]), nr)
    x0, dx = _spread(float(x[0]), float(x[-1]), nx)
    return CStarGrid(r0, dr, nr, x0, dx, nx, _array(values), gamma, None, None, None, None, source)


def _nodes(points: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Uniform nodes from the first to the last point."""
    import numpy as np

    return np.linspace(points[0], points[-1], count)


def _fewest_nodes(
    points: NDArray[np.float64],
    rows: NDArray[np.float64],
    curves: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    most: int,
) -> int | None:
    """Smallest number of uniform nodes from which straight lines meet all rows at the points; None beyond ``most``."""
    import numpy as np

    count = len(points)
    while count <= most:
        nodes = _nodes(points, count)
        met = np.array([np.interp(points, nodes, row) for row in curves(nodes)])
        if np.abs(met / rows - 1.0).max() <= _RESAMPLE_ERROR:
            return count
        # One by one while the grid is small, as points on a round spacing then fall on nodes.
        count += max(1, count // 64)
    return None
