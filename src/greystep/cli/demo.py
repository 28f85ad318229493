"""``greystep demo``: an invented session with raw frames and its true answers."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from greystep.cli.options import LARGEST_SEED, show


class Scenario(StrEnum):
    """What the invented session is about."""

    HIRE_KIT = "hire-kit"
    STACK = "stack"
    THREE_LIGHTS = "three-lights"
    FAULTS = "faults"


_NEXT = {
    Scenario.HIRE_KIT: "greystep report {folder}",
    Scenario.STACK: "greystep correct {folder} --stack",
    Scenario.THREE_LIGHTS: "greystep audit {folder}/SETUP.csv --profile {folder}",
    Scenario.FAULTS: "greystep report {folder}",
}


class Camera(StrEnum):
    """How the invented camera sees colour."""

    MEASURED = "measured"
    EXACT = "exact"


def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to make.", show_default=False)],
    scenario: Annotated[Scenario, typer.Option(help="What the session is about.")] = Scenario.HIRE_KIT,
    camera: Annotated[
        Camera, typer.Option(help="Measured sensitivities of a real sensor, or exactly those of the standard observer.")
    ] = Camera.MEASURED,
    seed: Annotated[
        int, typer.Option(min=0, max=LARGEST_SEED, help="Another number makes another session of the same kind.")
    ] = 1,
) -> None:
    """Write an invented session with raw frames into DIR, with its true answers in truth.json.

    Example: greystep demo my_kit
    """
    from greystep.demo.scenario import write_demo

    write_demo(folder, scenario=scenario.value, camera=camera.value, seed=seed)
    show(f"{folder}: an invented '{scenario.value}' session; its true answers are in {folder / 'truth.json'}")
    show(f"Next: {_NEXT[scenario].format(folder=folder)}")
