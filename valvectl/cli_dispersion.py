"""Verbs of the command line about tolerances: error budget, worst case, dispersions."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from valvectl.cli_common import (
    CsvOption,
    DesignPath,
    FigureOption,
    JsonOption,
    SetOption,
    a_path,
    deliver,
    figure_name,
    guarded,
    load_design,
    progress_bar,
    say,
)

RunOption = Annotated[
    int | None,
    typer.Option("--run", metavar="N", help="Repeat this run of a dispersion; needs --from.", show_default=False),
]
FromOption = Annotated[
    Path | None,
    typer.Option("--from", metavar="DIR", help="Folder of the dispersion.", show_default=False, parser=a_path),
]


def register(app: typer.Typer) -> None:
    """Give the verbs to the command line."""
    app.command(short_help="Who contributes to the O/F error.")(budget)
    app.command(short_help="The worst engine within tolerance.")(worst)
    app.command(short_help="Probabilities over the tolerances.")(disperse)
    app.command(short_help="Which inputs the scatter comes from.")(drivers)


@guarded
def budget(
    design: DesignPath,
    sets: SetOption = None,
    runs: Annotated[int, typer.Option("--runs", metavar="N", help="Engines drawn to hold the sum against.")] = 400,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Every contributor to the error of O/F and thrust [%], at each held throttle and in each change of it.

    One standard deviation of each toleranced input and of each ball's place, by the steady balance and by simulated changes;
    correlated groups together; systematic and random apart; root of the sum of squares, worst-case sum, and the same from drawn
    engines; what halving each would buy. Extras of an input: distribution, group, correlation, effect.

    \b
    Example:
      valvectl budget hover-rig.toml --figure budget.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets, simulates=True)
    with progress_bar() as progress:
        result = loaded.budget(runs, progress)
    from valvectl.review.figures import budget_chart

    deliver("budget", {"": result}, None, as_json, csv, figure, budget_chart)


@guarded
def worst(
    design: DesignPath,
    sets: SetOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """The worst combination of all inputs within their bounds: for O/F and thrust at each held throttle [%], and choking.

    Corners that the design declares ([[corners]]: name, keys at their upper and at their lower bound) and those of check; all
    corners of the strongest inputs; then a search inside the bounds too, since across choking the worst need
    be no corner; the throttle profile of the engine found, simulated.

    \b
    Example:
      valvectl worst hover-rig.toml --csv worst.csv
    """
    figure_name(figure)
    loaded = load_design(design, sets, simulates=True)
    with progress_bar() as progress:
        result = loaded.worst(progress)
    from valvectl.review.figures import worst_chart

    deliver("worst", {"": result}, None, as_json, csv, figure, worst_chart)


@guarded
def disperse(
    design: DesignPath,
    sets: SetOption = None,
    runs: Annotated[int, typer.Option("--runs", metavar="N", help="Engines to draw, at most.")] = 100,
    sampling: Annotated[
        str, typer.Option("--sampling", metavar="NAME", help="random, latin (hypercube) or sobol (sequence).")
    ] = "random",
    seed: Annotated[int, typer.Option("--seed", metavar="N", help="Seed of the draws.")] = 1,
    steady: Annotated[bool, typer.Option("--steady", help="Only the steady balance; no profile is simulated.")] = False,
    stop_at: Annotated[
        str | None,
        typer.Option(
            "--stop-at",
            metavar="P/C",
            help='Stop when "at least P of all engines, with confidence C" is decided.',
            show_default=False,
        ),
    ] = None,
    into: Annotated[
        Path | None,
        typer.Option(
            "--out",
            "--into",
            metavar="DIR",
            help="Folder that keeps the runs, block by block.",
            show_default=False,
            parser=a_path,
        ),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with the runs in that folder, or to more --runs.")
    ] = False,
    jobs: Annotated[
        int | None,
        typer.Option(
            "--jobs",
            metavar="N",
            min=1,
            max=256,
            help="Processes on this machine; by default one, with threads for all cores.",
            show_default=False,
        ),
    ] = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            "--cluster",
            metavar="ADDRESS",
            help="Scheduler of dask.distributed that works the runs out.",
            show_default=False,
        ),
    ] = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Engines drawn from the declared tolerances: the probability that each requirement holds, with its confidence.

    Each run is one engine with the throttle profile simulated, schedule and gains those of the design. Values [%], bounds by
    order statistics, probabilities after Clopper and Pearson, inputs that drive them. A stopped campaign with a folder
    loses at most the blocks of 32 runs in work; --resume ends with the same bytes, and goes on to more --runs where the sampling
    is random or sobol. Seeds belong to runs, whoever works them out.

    \b
    Example:
      valvectl disperse hover-rig.toml --runs 1000 --stop-at 0.95/0.95 --out runs
    """
    from valvectl.errors import ValvectlError
    from valvectl.studies.campaign import Where
    from valvectl.studies.disperse import read_statement

    figure_name(figure)
    if resume and into is None:
        raise ValvectlError("--resume needs --out, the folder of the runs to go on with")
    statement = read_statement(stop_at) if stop_at is not None else None
    loaded = load_design(design, sets, simulates=not steady)
    try:
        with progress_bar() as progress:
            result = loaded.disperse(
                runs,
                sampling=sampling,
                seed=seed,
                simulate=not steady,
                statement=statement,
                folder=into,
                resume=resume,
                where=Where(jobs or 0, cluster or ""),
                progress=progress,
            )
    except KeyboardInterrupt:
        if into is not None:
            say(f"finished blocks are kept in {into}; --resume goes on with them")
        raise
    from valvectl.review.figures import disperse_chart

    deliver("disperse", {"": result}, None, as_json, csv, figure, disperse_chart)


@guarded
def drivers(
    design: DesignPath,
    sets: SetOption = None,
    base: Annotated[int, typer.Option("--points", metavar="N", help="Points of each of two samples, 16 to 4096.")] = 64,
    seed: Annotated[int, typer.Option("--seed", metavar="N", help="Seed of the samples.")] = 1,
    steady: Annotated[bool, typer.Option("--steady", help="Only the steady balance; no profile is simulated.")] = False,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
) -> None:
    """Which toleranced inputs the scatter of each requirement comes from: Sobol' indices [%], first order and total.

    First order: the share of the variance that would go if the input were known exactly. Total: the share that would stay if it
    alone were not. N points take N times (inputs + 2) engines, each with the throttle profile simulated; bounds by bootstrap.

    \b
    Example:
      valvectl drivers hover-rig.toml --points 128 --figure drivers.svg
    """
    figure_name(figure)
    loaded = load_design(design, sets, simulates=not steady)
    with progress_bar() as progress:
        result = loaded.drivers(base, seed=seed, simulate=not steady, progress=progress)
    from valvectl.review.figures import drivers_chart

    deliver("drivers", {"": result}, None, as_json, csv, figure, drivers_chart)


def replayed(loaded: Any, folder: Path, run: int) -> Any:
    """The throttle run of a campaign's engine, by its number."""
    from valvectl.studies.replay import replay

    return replay(loaded, folder, run)
