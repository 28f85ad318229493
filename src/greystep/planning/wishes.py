"""What is asked of a planned test."""

from dataclasses import dataclass

from greystep.terms import Order


@dataclass(frozen=True)
class Wishes:
    """What is asked of a planned test; see `greystep.planning.plans.plan_test`.

    Attributes:
        rounds: Frames of each light; as many as `u_mired` needs where it is None.
        t01: Flash durations as typed, see `greystep.planning.rig.flash_durations`.
        iso: For the highest power and the five stops below it.
        sync: The shortest time at which camera and trigger keep in step.
        u_mired: How well two lights are to be told apart: a 95 % half-width.
        scatter_mired: Assumed from shot to shot, a standard deviation.
        dial: What the packs' dial shows at full, where `powers` are numbers of it.
        recycle_s: From flash to flash of a head or pack at least; frames that are shot sooner are told.
        looks: How often `watch` may look whether the test knows enough; no light is shot in more rounds than that.
        together: Heads fired from one pack, see `greystep.planning.wanted.together_cells`.
        stack: Heads that will stack, see `greystep.planning.wanted.stack_runs`; each has a run of `run_frames`.
    """

    powers: tuple[str, ...] = ("full", "1/4", "1/16")
    rounds: int | None = None
    order: Order = Order.BY_HEAD
    seed: int = 1
    t01: tuple[str, ...] = ()
    max_energy_j: float | None = None
    iso: int = 100
    sync: str = "1/125"
    u_mired: float | None = None
    scatter_mired: float = 0.5
    target_width_m: float = 0.3
    dial: float | None = None
    recycle_s: float | None = None
    looks: int = 1
    together: tuple[str, ...] = ()
    stack: tuple[str, ...] = ()
    run_frames: int = 20
