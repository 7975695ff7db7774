"""One engine of a campaign again, by the number of its run, with all its histories."""

from __future__ import annotations

from pathlib import Path

from valvectl.design.design_file import DesignFile
from valvectl.errors import RangeError, ValvectlError
from valvectl.studies.campaign import bare, code_digest, read_manifest
from valvectl.studies.drawn_run import Plan, Workshop
from valvectl.studies.throttle import ThrottleResult


def replay(design: DesignFile, folder: Path, run: int) -> ThrottleResult:
    """The throttle profile of run ``run`` of the campaign in ``folder``.

    Raises ``ValvectlError`` when the folder is of another design or another version, ``RangeError`` for a number that was not
    planned, and as the run itself does.
    """
    known = read_manifest(folder)
    if known.get("input_hash") != design.input_hash:
        raise ValvectlError(f"{folder} holds runs of another design, or of this one with other values")
    if known.get("code") != code_digest():
        raise ValvectlError(
            f"{folder} was made by another version of valvectl or of a library: its runs can not be repeated"
        )
    if not 0 <= run < int(known["runs"]):
        raise RangeError(f"run must be from 0 to {int(known['runs']) - 1} (got {run})")
    if not known["simulate"]:
        raise ValvectlError(f"{folder} holds steady balances; there is no simulated run to repeat")
    plan = Plan(bare(design), str(known["sampling"]), int(known["seed"]), int(known["runs"]), True)
    shop = Workshop(plan)
    return shop.run(shop.engine(shop.unit(run)[0]), run)
