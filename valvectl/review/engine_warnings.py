"""Sentences on the engine side that a review puts among its warnings: boiling, cavitation, separation, predicted Cd."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from valvectl.design.schema import LEGS
from valvectl.studies.engine_side import SeparationLadder, span
from valvectl.studies.ladder import LadderResult

BOILING_RESERVE = 1.2
"""Manifold over vapour pressure below which the margin to boiling is called thin (common practice, no source)."""
LARGEST_FLOW_ERROR = 0.005
"""Error of flow by the one density behind a jacket that is worth a sentence (half of the usual share of O/F)."""


def engine_warnings(ladder: LadderResult) -> Iterator[str]:
    """Limits of validity and dangers that the engine side of a design touches, one sentence each."""
    for name in LEGS:
        leg = ladder.legs[name]
        hot, holes = leg.jacket, leg.orifice
        if hot is not None:
            worst = int(np.argmin(np.where(np.isfinite(hot.boiling_margin), hot.boiling_margin, -np.inf)))
            at = f"{100 * float(ladder.throttle[worst]):.0f} % throttle"
            if bool(hot.boils.any()):
                where = 100.0 * ladder.throttle[hot.boils]
                yield (
                    f"DANGER, {name}: the liquid BOILS behind the jacket at {span(where)} throttle "
                    "(mean temperature, manifold pressure). Vapour starves the injector, makes the manifold soft so that the "
                    "feed chugs, and leaves the hot wall without cooling: a burn-through. Flow and O/F shown there do not "
                    "hold. Raise the pressure, cool with more flow, or do not throttle that low."
                )
            elif float(leg.manifold[worst]) < BOILING_RESERVE * float(hot.vapour_pressure[worst]):
                yield (
                    f"{name}: behind the jacket the pressure is only {leg.manifold[worst] / hot.vapour_pressure[worst]:.2f} "
                    f"times the vapour pressure at {at} ({hot.temperature[worst]:.0f} K); the liquid boils at the hot wall "
                    "before it does so in the mean."
                )
            error = float(np.nanmax(np.abs(hot.flow_error))) if np.isfinite(hot.flow_error).any() else 0.0
            text = (
                f"{name}: behind the jacket one density holds at every setting, that of full thrust; with the temperature of "
                f"each setting the flow would differ by up to {100 * error:.2g} %"
            )
            lag = 1e3 * float(np.nanmax(hot.dwell)) if np.isfinite(hot.dwell).any() else float("nan")
            if error > LARGEST_FLOW_ERROR:
                text += ": too much to leave out where O/F is tight"
            yield f"{text}; the temperature lags a throttle by up to {lag:.0f} ms and the mass of the wall by more."
        if holes is not None:
            if holes.predicted:
                yield (
                    f"{name}: the injector's Cd of {holes.coefficient:.3f} is predicted from inlet and length, good to some "
                    "5 %; measure it with water on the made part."
                )
            if bool(holes.cavitates.any()):
                where = 100.0 * ladder.throttle[holes.cavitates]
                yield (
                    f"{name}: the orifices cavitate at {span(where)} throttle (cavitation number "
                    f"below {holes.critical_number:.2f}); the jet may leave the wall (hydraulic flip) and Cd fall at once, "
                    "which no row here models."
                )
    if ladder.separation is not None:
        yield from _separation(ladder, ladder.separation)


def _separation(ladder: LadderResult, found: SeparationLadder) -> Iterator[str]:
    for word in found.area_ratio:
        off = found.separates(word)
        if not bool(off.any()):
            continue
        j = int(np.argmin(np.where(off, found.area_ratio[word], np.inf)))
        used = "the thrust here follows it" if found.in_use == word else "the thrust here does not"
        yield (
            f"nozzle: by {word.capitalize()}'s criterion the flow leaves the wall up to {100 * ladder.throttle[off].max():.0f} % "
            f"throttle, at area ratio {found.area_ratio[word][j]:.2f} at {100 * ladder.throttle[j]:.0f} %, where thrust differs "
            f"by {100 * float(found.gain(word)[j]):+.1f} % from that of a nozzle flowing full at the same chamber pressure "
            f"({used}); side loads of a separated flow are not in here."
        )
