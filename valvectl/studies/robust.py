"""Robust choice: ratio, gains, shape and limits that meet all requirements most often over the declared tolerances.

Beside it the nominal optimum: the same quantities chosen for the largest worst margin of the engine without dispersions. Both and
the design as it is are then judged on fresh draws, the same engines for all three: the draws that the search has seen favour what
was found on them (the winner's luck), and are not shown.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from valvectl.design.design_file import DesignFile
from valvectl.design.schema import LEGS
from valvectl.errors import RangeError, ValvectlError
from valvectl.parts import confidence, paired
from valvectl.parts.lookup import FloatArray
from valvectl.studies.analysis import Analysis
from valvectl.studies.campaign import bare
from valvectl.studies.robust_engine import Changes, Engines, Judge, Task, engines
from valvectl.studies.robust_free import Knobs
from valvectl.studies.robust_result import Choice, Compared, FreeQuantity, Held, RobustResult, Slice
from valvectl.studies.robust_search import MOVES, Bools, Effort, Progress, Score, Search, moved_by, score, worst_of

SURE = 0.95
"""Confidence of the bounds."""
FRESH = 2**40
"""Added to the seed for the draws on which the choices are compared."""
FEWEST, MOST = 16, 100_000
SLICE_POINTS = 7
SLICE_RUNS = 128
"""Fresh draws at each point of a slice, at most."""


def robust(
    design: DesignFile,
    judge: Judge,
    *,
    free: Sequence[str] = (),
    runs: int = 1000,
    seed: int = 1,
    effort: Effort | None = None,
    jobs: int = 1,
    slices: bool = False,
    progress: Progress | None = None,
) -> RobustResult:
    """Choose the free quantities of a design.

    ``judge`` gives the margins of the ordinary rows (``review.robust_rows``); ``free`` as ``robust_free.Knobs`` reads them;
    ``runs``: fresh draws on which the choices are compared; ``jobs``: processes; ``slices``: each quantity by itself through the
    robust choice besides. Raises ``ValvectlError`` for numbers that make no sense, quantities that can not be free, and when no
    choice tried keeps the constraints.
    """
    if not FEWEST <= runs <= MOST:
        raise RangeError(f"runs must be from {FEWEST} to {MOST} (got {runs})")
    if not 0 <= seed < FRESH:
        raise RangeError(f"seed must be a whole number from 0 to 2^40 (got {seed})")
    if not 1 <= jobs <= 256:
        raise RangeError(f"jobs must be from 1 to 256 (got {jobs})")
    effort = effort or Effort()
    plain = bare(design)
    base = Analysis(plain)
    knobs = Knobs(plain, base.machine, base.gains, free)
    _words_fit(knobs)
    if not any(item.tolerance is not None for item in plain.inputs.values()):
        raise ValvectlError("no input of the design carries a tolerance: all engines would be the same")
    task = Task(plain, seed, max(effort.final, runs), knobs.servo_only, judge)
    with engines(task, knobs, jobs) as bench:
        search = Search(bench, knobs.start(), effort, seed, progress)
        points = len(knobs.free) * SLICE_POINTS if slices else 0
        search.plan(3 * runs + points * min(SLICE_RUNS, runs))
        nominal = search.nominal_optimum()
        best = search.robust_optimum(nominal)
        if progress is not None:
            progress("fresh draws for the three choices", 9, 10)
        keys: list[Changes] = [(), bench.key(nominal), bench.key(best)]
        fresh = bench.runs(keys, 0, runs, seed + FRESH)
        assert search.nominal_moving is not None
        assert search.drawn_moving is not None
        # What the first choices hardly moved may yet differ between the three that are shown: then it is not called unmoved.
        moving = search.drawn_moving | moved_by(fresh)
        labels = ("present", "nominal optimum", "robust optimum")
        three = [
            _choice(label, key, rows, bench, search.nominal_moving, moving)
            for label, key, rows in zip(labels, keys, fresh, strict=True)
        ]
        cut: tuple[Slice, ...] = ()
        if slices:
            cut = _slices(bench, best, moving, min(SLICE_RUNS, runs), seed + FRESH, progress)
    good = [np.asarray((rows >= 0.0).all(axis=1)) for rows in fresh]
    compared = tuple(_compared(labels[k], labels[2], good[k], good[2]) for k in (1, 0))
    names = tuple(q.name for q in bench.bench.quantities)
    still = ~moving
    result = RobustResult(
        free=_free(knobs, base, nominal, best),
        present=three[0],
        nominal=three[1],
        robust=three[2],
        compared=compared,
        judged=names,
        constraints=tuple(n for n in bench.present if not n.startswith("nominal ")),
        unmoved=tuple(n for n, s in zip(names, still, strict=True) if s),
        ceiling=float((fresh[2][:, still] >= 0.0).all(axis=1).mean()) if still.any() else 1.0,
        seed=seed,
        search_runs=effort.final,
        runs=runs,
        tried=search.tried,
        dropped=search.dropped,
        engines=search.runs,
        verdict="",
        assumptions=_ASSUMPTIONS,
        cautions=(),
        slices=cut,
    )
    return dataclasses.replace(result, verdict=_verdict(result), cautions=_cautions(result))


def _words_fit(knobs: Knobs) -> None:
    """Refuse shapes of the command that the design has no limits for. Raises ``DesignError``."""
    start = list(knobs.values(knobs.start()))
    for j, f in enumerate(knobs.free):
        for index in range(len(f.words)):
            knobs.design.with_values(knobs.changes([*start[:j], float(index), *start[j + 1 :]]))


def _choice(label: str, key: Changes, rows: FloatArray, bench: Engines, nominal_moving: Bools, moving: Bools) -> Choice:
    ordinary = bench.rows([key])[0]
    found = bench.judged(ordinary)
    margins = np.where(nominal_moving, found.margins, np.inf) if nominal_moving.any() else found.margins
    s: Score = score(rows, moving)
    low, high = confidence.probability_bounds(s.held, s.runs, SURE)
    held = []
    for j, q in enumerate(bench.bench.quantities):
        ranked = np.sort(rows[:, j])
        at = float(ranked[int(0.05 * (len(ranked) - 1))])
        held.append(
            Held(
                q.name,
                float((rows[:, j] >= 0.0).mean()),
                at,
                -np.inf if ordinary is None else ordinary[f"nominal {q.name}"],
                bool(moving[j]),
            )
        )
    nearest = min([h for h in held if h.moved] or held, key=lambda h: (h.probability, h.quantile))
    return Choice(
        label=label,
        changes=dict(key),
        nominal_margin=worst_of(found.margins, nominal_moving),
        nominal_limits=bench.names[int(np.argmin(margins))],
        lacking=() if ordinary is None else tuple(bench.lacking(ordinary)),
        missed=() if ordinary is None else tuple(bench.missed(ordinary)),
        runs=s.runs,
        held=s.held,
        probability=s.held / s.runs,
        at_least=low,
        at_most=high,
        moved_probability=s.held_moved / s.runs,
        quantile=s.quantile,
        limits=nearest.name,
        requirements=tuple(held),
    )


def _compared(first: str, second: str, one: Bools, other: Bools) -> Compared:
    lost, won = int((one & ~other).sum()), int((other & ~one).sum())
    low, high = paired.difference_bounds(lost, won, len(one), SURE)
    return Compared(first, second, lost, won, (won - lost) / len(one), low, high, paired.mcnemar_exact(lost, won))


def _free(knobs: Knobs, base: Analysis, nominal: FloatArray, best: FloatArray) -> tuple[FreeQuantity, ...]:
    at_nominal, at_best = knobs.values(nominal), knobs.values(best)
    shape = {n: str(base.design.leg(n).controller.command_shape) for n in LEGS}
    for f, v in zip(knobs.free, at_best, strict=True):
        if f.short == "shape":
            shape |= dict.fromkeys(f.legs, f.words[int(v)])
    out = []
    for j, f in enumerate(knobs.free):
        if f.words:
            words = [str(base.design.leg(n).controller.command_shape) for n in f.legs]
            present = tuple(float(f.words.index(w)) if w in f.words else float("nan") for w in words)
        elif f.short:
            present = tuple(knobs.now(f.short, n) for n in f.legs)
        else:
            present = (f.present,)
        if len({f.text(v) for v in present if not f.words} | {str(v) for v in present if f.words}) == 1:
            present = present[:1]
        unused = {"acceleration_limit": ("ramp",), "jerk_limit": ("ramp", "trapezoid")}.get(f.short, ())
        idle = ", ".join(sorted({shape[n] for n in f.legs if shape[n] in unused})) if unused else ""
        if idle and any(shape[n] not in unused for n in f.legs):
            idle = ""
        out.append(FreeQuantity(f.name, f.unit, f.words, f.low, f.high, present, at_nominal[j], at_best[j], idle))
    return tuple(out)


def _slices(
    bench: Engines, best: FloatArray, moving: Bools, runs: int, seed: int, progress: Progress | None
) -> tuple[Slice, ...]:
    out = []
    names = [q.name for q in bench.bench.quantities]
    for j, f in enumerate(bench.knobs.free):
        if progress is not None:
            progress(f"slice along {f.name}", 90 + round(10 * j / len(best)), 100)
        shares = (
            [(k + 0.5) / len(f.words) for k in range(len(f.words))]
            if f.words
            else sorted({float(best[j]), *np.linspace(0.0, 1.0, SLICE_POINTS).tolist()})
        )
        places = [np.where(np.arange(best.size) == j, x, best) for x in shares]
        keys = [bench.key(p) for p in places]
        rows = bench.runs(keys, 0, runs, seed)
        allowed = tuple(r is not None and not bench.lacking(r) for r in bench.rows(keys))
        scores = [score(m, moving) for m in rows]
        bounds = np.array([confidence.probability_bounds(s.held, s.runs, SURE) for s in scores])
        out.append(
            Slice(
                name=f.name,
                values=np.array([f.value(x) for x in shares]),
                probability=np.array([s.held / s.runs for s in scores]),
                at_least=bounds[:, 0],
                at_most=bounds[:, 1],
                allowed=allowed,
                missed={n: np.array([float((m[:, k] < 0.0).mean()) for m in rows]) for k, n in enumerate(names)},
                quantile=np.array([s.quantile for s in scores]),
            )
        )
    return tuple(out)


_ASSUMPTIONS = (
    "probabilities are those of the declared tolerances and of this model alone, over the throttle profile of the design; what "
    "has no tolerance is taken as exact",
    "the schedule is the design's; each engine is drawn from the tolerances and flies it unchanged; all choices see the same "
    "draws",
    "rows that no drawn engine judges are constraints, each choice without dispersions (torque and loops at their bounds); what "
    "the design misses already must not get worse",
    "ties are broken by the 5 % quantile of the worst margin of what the free quantities move",
)


def _verdict(r: RobustResult) -> str:
    """What was found, in a sentence or two."""
    p, q = r.robust.probability, r.compared[1]
    text = (
        f"The robust choice meets all requirements judged in {100 * p:.1f} % of {r.runs} fresh engines "
        f"({100 * r.robust.at_least:.1f} to {100 * r.robust.at_most:.1f} %), the design as it is in "
        f"{100 * r.present.probability:.1f} %, the nominal optimum in {100 * r.nominal.probability:.1f} %. "
    )
    for c in (q, r.compared[0]):
        than = "the design as it is" if c.first == "present" else "the nominal optimum"
        if c.better:
            text += f"It is better than {than} by {100 * c.at_least:.1f} to {100 * c.at_most:.1f} % of all engines. "
        elif c.at_most < 0.0:
            text += f"It is worse than {than}: the draws of the search misled it; try more of them. "
        else:
            text += f"That it is better than {than} in probability is not shown. "
    if p == r.present.probability == r.nominal.probability:
        text += (
            f"All three are alike in probability; the 5 % quantile of the worst margin is {100 * r.present.quantile:+.1f} % as "
            f"designed, {100 * r.nominal.quantile:+.1f} % at the nominal and {100 * r.robust.quantile:+.1f} % at the robust one."
        )
    return text.strip()


def _cautions(r: RobustResult) -> tuple[str, ...]:
    out = []
    if r.unmoved:
        out.append(
            f"what is free moves {', '.join(r.unmoved)} by less than {100 * MOVES:g} % of the limit: no choice betters the "
            f"{100 * r.ceiling:.1f} % in which {'they hold' if len(r.unmoved) > 1 else 'it holds'}"
        )
    if r.nominal.lacking:
        words = ", ".join(name for name, _ in r.nominal.lacking[:3])
        out.append(f"the nominal optimum does not keep the constraints of the robust one: {words}")
    if r.robust.missed:
        some = ", ".join(r.robust.missed[:4]) + (", ..." if len(r.robust.missed) > 4 else "")
        out.append(
            f"the robust choice misses rows that no drawn engine judges, or they could not be assessed ({some}): the design "
            "does so already, and the probabilities do not count them"
        )
    edge = [f.name for f in r.free if f.at_bound(f.robust) and not f.idle]
    if edge:
        out.append(f"at its bound: {', '.join(edge)}; wider bounds may give more")
    out.append(
        "a probability within tolerances is not safety and no permission to operate: check the design written, then "
        "test in stages with people clear"
    )
    return tuple(out)
