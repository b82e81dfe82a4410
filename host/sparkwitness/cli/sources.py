"""Where a command's board is: a real port, or a simulated engine with the real firmware."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sparkwitness.decode.recording import MEASURED, SIMULATED
from sparkwitness.device import link

_TYPING_S = 2.0


@dataclass
class Source:
    """A port to open, and what is known about what is behind it.

    Attributes:
        port: for `link.Link`.
        setup: plain values for `Setup.from_dict` that the scenario's user would type;
            None for a real board.
        simulated: the `simulator.board.SimulatedBoard`, or None.
        name: what a recording's header and the logbook say of where the bytes come from.
    """

    port: str
    setup: dict[str, Any] | None = None
    simulated: Any = None
    name: str = MEASURED

    def enter_setting(self, setting: float) -> None:
        """On a simulated engine, do what the person does: enter the controller's setting."""
        if self.simulated is not None:
            from sparkwitness.simulator.world import TICK_PS

            world = self.simulated.world
            world.controller.setting = setting
            # The engine runs on while the person types and switches the ignition.
            world.advance(round(_TYPING_S * 1e12 / TICK_PS))


@contextmanager
def board(
    simulate: str | None, port: str | None, speed: float = 0.0, seed: int = 1
) -> Iterator[Source]:
    """The board to talk to.

    Args:
        simulate: name or file of a scenario, or None for a real board.
        port: the real board's port, or None for the one that is plugged in.
        speed: of the simulated engine against the clock on the wall; 0: as fast as it can.
        seed: of the simulated engine's random parts.

    Raises:
        UserError: no such scenario, no board, or several.
    """
    if simulate is None:
        yield Source(port or link.choose_port())
        return
    from sparkwitness.simulator import scenario
    from sparkwitness.simulator.board import SimulatedBoard
    from sparkwitness.simulator.world import World

    loaded = scenario.load(simulate)
    with SimulatedBoard(World(loaded, seed), speed=speed) as simulated:
        name = f"{SIMULATED}: {simulate}"
        yield Source(simulated.port, typed_by_user(loaded.setup), simulated, name)


def typed_by_user(typed: Any) -> dict[str, Any]:
    """A scenario's [setup] as plain values for `Setup`."""
    from sparkwitness.timing.angle import Reference

    reference = Reference.parse(typed.reference, typed.reference_angle, typed.reference_within / 2)
    return {
        "reference": {
            "teeth": reference.teeth, "missing": reference.missing, "turns": reference.turns,
            "angle": reference.angle, "u_angle": reference.u_angle,
        },
        "commanded": typed.commanded, "cylinders": typed.cylinders, "strokes": typed.strokes,
        "clamp": "wasted" if (typed.clamp, typed.layout) == ("plug", "wasted") else typed.clamp,
        "setting": typed.setting, "counts": typed.counts,
        "retards": typed.sign < 0, "step": typed.step,
        "trigger": typed.tap, "trigger_delay_us": 0.0,
        "order": tuple(int(one) for one in typed.order.split("-") if one),
        "index": None if typed.index == "none" else typed.index,
        "delay_us": 0.0, "least": typed.setting_min, "most": typed.setting_max,
    }  # fmt: skip
