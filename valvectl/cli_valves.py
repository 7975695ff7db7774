"""Verbs of the command line about valves: ports, purge gas, a gas valve by itself."""

from __future__ import annotations

import functools
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from valvectl.cli_common import (
    CsvOption,
    DesignPath,
    FigureOption,
    JsonOption,
    LegOption,
    SetOption,
    deliver,
    figure_name,
    guarded,
    legs_of,
    load_design,
    say,
    status,
)

if TYPE_CHECKING:
    from valvectl.design.quantities import Kind


class PortsPlot(StrEnum):
    """Which figure of the ports."""

    ports = "ports"
    installed = "installed"
    choking = "choking"


class GasName(StrEnum):
    """Which gas."""

    nitrogen = "nitrogen"
    helium = "helium"


def register(app: typer.Typer) -> None:
    """Give the verbs to the command line."""
    app.command(short_help="Which port and bore.")(ports)
    app.command(short_help="Purge gas: flow, choking, time to sweep.")(purge)
    app.command(short_help="A gas valve or orifice by itself.")(gas)


@guarded
def ports(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
    figure: FigureOption = None,
    plot: Annotated[
        PortsPlot, typer.Option("--plot", help="What --figure draws; choking: both legs on one chart.")
    ] = PortsPlot.ports,
) -> None:
    """Which port: shapes and bores side by side over the throttle range, with this design's servo and tolerances.

    Angles used [deg], travel left [deg], drop over choking drop at the adverse bounds, installed gain [%/deg] and its
    variation, flow step [%]; the one to take, why, and how close the next one is; the design's own port setting by
    setting, where its Kv is valid, and whether its flow is turbulent.

    \b
    Example:
      valvectl ports hover-rig.toml --leg fuel --figure ports.svg
      valvectl ports hover-rig.toml --figure choking.svg --plot choking
    """
    figure_name(figure)
    loaded = load_design(design, sets)
    with status():
        results = {name: loaded.ports(name) for name in legs_of(leg)}
    from valvectl.review import figures

    if figure is not None and plot == PortsPlot.choking:
        from valvectl import cli_print
        from valvectl.review.folder import write_bytes

        with status():
            both = {name: loaded.ports(name) for name in legs_of(None)}
        write_bytes(figure, cli_print.figure_bytes(figures.choking_chart(both), figure.suffix.lower()))
        say(f"wrote {figure}")
        figure = None
    drawing = figures.installed_chart if plot == PortsPlot.installed else figures.ports_chart
    deliver("ports", results, leg, as_json, csv, figure, drawing)


@guarded
def purge(
    design: DesignPath,
    sets: SetOption = None,
    leg: LegOption = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
) -> None:
    """Purge gas of the legs that have a table purge: flow [g/s and m3/h], choked or not, time to sweep [ms].

    The engine is not lit and its chamber at ambient pressure: first the gas pushes the liquid out through the injector, then
    it changes the gas left behind.

    \b
    Example:
      valvectl purge my-engine.toml --leg fuel
    """
    from valvectl.errors import DesignError, Fault

    loaded = load_design(design, sets)
    names = [name for name in legs_of(leg) if leg is not None or loaded.leg(name).purge is not None]
    if not names:
        message = "no leg has purge gas; write a table such as [legs.fuel.purge] with gas, pressure, temperature, bore, kv, xt"
        raise DesignError(Fault(message, key="legs", file=str(design)))
    with status():
        results = {name: loaded.purge(name) for name in names}
    deliver("purge", results, leg, as_json, csv, None)


def _quantity(text: str | None, option: str, kind: Kind) -> float | None:
    """Value [SI] of an option with a unit. Raises ``ValvectlError`` with the option's name."""
    from pydantic_core import PydanticCustomError

    from valvectl.design.quantities import parse
    from valvectl.errors import ValvectlError

    if text is None:
        return None
    try:
        return parse(text, kind)
    except PydanticCustomError as error:
        raise ValvectlError(f"--{option}: {error.message()}") from None


def _option(name: str, metavar: str, text: str) -> Any:
    return typer.Option(f"--{name}", metavar=metavar, help=text, show_default=False)


@guarded
def gas(
    which: Annotated[GasName, typer.Argument(metavar="GAS", help="nitrogen or helium.", show_default=False)],
    inlet: Annotated[str, _option("inlet", "P", 'Pressure before, as "40 bar abs".')],
    outlet: Annotated[str, _option("outlet", "P", 'Pressure behind, as "18 bar abs".')],
    temperature: Annotated[str, typer.Option("--temperature", metavar="T", help="Of the gas before.")] = "293.15 K",
    kv: Annotated[float | None, _option("kv", "KV", "Flow from this Kv [m3/h at 1 bar].")] = None,
    orifice: Annotated[
        str | None,
        _option("orifice", "D", 'Flow from a hole of this diameter, "1.2 mm"; "size" sizes a hole instead of a valve.'),
    ] = None,
    flow: Annotated[str | None, _option("flow", "W", 'Size for this mass flow, "5 g/s".')] = None,
    normal: Annotated[
        str | None, _option("normal", "Q", 'Size for this flow at 0 degC, 1.01325 bar, "20 m^3/h".')
    ] = None,
    standard: Annotated[
        str | None, _option("standard", "Q", 'Size for this flow at 15 degC, 1.01325 bar, "20 m^3/h".')
    ] = None,
    xt: Annotated[
        float | None, _option("xt", "XT", "Pressure ratio factor of the valve; by default a globe valve's.")
    ] = None,
    cd: Annotated[float | None, _option("cd", "CD", "Discharge coefficient of the orifice.")] = None,
    bore: Annotated[str | None, _option("bore", "D", 'Valve size and pipe, "6 mm"; tells the speed behind.')] = None,
    as_json: JsonOption = False,
    csv: CsvOption = None,
) -> None:
    """A gas valve or orifice by itself: the Kv or hole that a flow of nitrogen or helium needs, or what one passes.

    Says whether it is choked, from which pressure on, and how fast the gas runs in the pipe behind. Needs no design.

    \b
    Example:
      valvectl gas nitrogen --inlet "40 bar abs" --outlet "18 bar abs" \\
        --flow "5 g/s" --xt 0.6
      valvectl gas helium --inlet "200 bar abs" --outlet "20 bar abs" \\
        --orifice "0.8 mm" --cd 0.8
      valvectl gas nitrogen --inlet "10 bar abs" --outlet "1 bar abs" \\
        --orifice size --normal "20 m^3/h"
    """
    from valvectl.design.quantities import ABSOLUTE_PRESSURE, LENGTH, MASS_FLOW, TEMPERATURE, Kind
    from valvectl.errors import ValvectlError

    volume_flow = Kind("volume flow", "m^3/s", "m^3/h", '"20 m^3/h"')
    hole = None if orifice in (None, "size") else _quantity(orifice, "orifice", LENGTH)
    state: dict[str, Any] = {
        "gas": which.value,
        "inlet": _quantity(inlet, "inlet", ABSOLUTE_PRESSURE),
        "outlet": _quantity(outlet, "outlet", ABSOLUTE_PRESSURE),
        "temperature": _quantity(temperature, "temperature", TEMPERATURE),
        "mass_flow": _quantity(flow, "flow", MASS_FLOW),
        "normal_flow": _quantity(normal, "normal", volume_flow),
        "standard_flow": _quantity(standard, "standard", volume_flow),
        "size": _quantity(bore, "bore", LENGTH),
    }
    sizes = {"kv": kv, "flow": flow, "normal": normal, "standard": standard} | ({"orifice": hole} if orifice else {})
    given = [name for name, value in sizes.items() if value is not None]
    if len(given) != 1:
        options = ", ".join(f"--{name}" for name in sizes)
        raise ValvectlError(f"give exactly one of {options} (now {' and '.join(given) or 'none'})")
    wrong = [name for name, value in (("kv", kv), ("xt", xt)) if value is not None] if orifice is not None else []
    if wrong or (orifice is None and cd is not None):
        raise ValvectlError(f"--{(wrong or ['cd'])[0]} does not go {'with' if wrong else 'without'} --orifice")
    from valvectl.studies.gas_service import gas_orifice_service, gas_valve

    with status():
        if orifice is None:
            result = functools.partial(gas_valve, kv=kv, xt=xt)(**state)
        else:
            result = functools.partial(gas_orifice_service, diameter=hole, cd=cd)(**state)
    deliver("gas", {"": result}, None, as_json, csv, None)
