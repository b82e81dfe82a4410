"""The usual cautions, by situation; every command that has someone near the danger shows its own.

They remind; the vehicle's service manual, local codes and licensed practice decide.
"""

from rich.panel import Panel

from sparkwitness.faces.console import Console

RUNNING_ENGINE = (
    "Belts, fans and hot parts: keep hands, hair, clothes, leads and the clamp's cable clear, "
    "transmission in neutral or park, brake set, wheels chocked.\n"
    "Exhaust kills: run the engine outdoors or with the exhaust led outside.\n"
    "Fuel vapour and sparks: no leaks, no open fuel, extinguisher at hand.\n"
    "The secondary side carries tens of kV: clip the clamp round good insulation with the engine "
    "off, never touch leads, coil or cap while it turns. Not for people with a pacemaker."
)
FLASHING_LAMP = (
    "Under the lamp, what turns looks as if it stood still: keep clear of belts and fan.\n"
    "Flashes can bring on a seizure in people with photosensitive epilepsy."
)
CRANKING = (
    "The engine can start or kick while you crank: transmission in neutral, brake set, nobody near "
    "belts and fan.\nFuel vapour ignites on a stray spark: keep a gapped tester or the plug "
    "grounded, away from fuel and from open plug holes.\nSecondary side: tens of kV. Touch no "
    "lead, coil or cap."
)
LIVE_MODULE = (
    "A capacitive module holds some 500 V after power-off: switch off, wait as its maker says, "
    "discharge it through a resistor, measure, and only then touch.\n"
    "The coil's secondary gives tens of kV: connect gap and ground first, never run a coil with "
    "its secondary open, keep one hand away, nobody alone.\nSupply with a fuse, clear of fuel."
)
RESISTANCE = (
    "Ignition off, key out, battery's negative lead off where the manual says so, capacitors "
    "discharged and measured.\nTake the leads off the part first: otherwise the meter reads "
    "through the battery or the rest of the loom."
)
STANDING_ENGINE = (
    "Turning the engine by hand: ignition off, key out, battery's negative lead off, plugs out, "
    "transmission in neutral. Turn slowly, with a wrench on the crank bolt, never with the "
    "starter: a piston driven against a stop breaks."
)
DEFER = "The service manual, local codes and licensed practice come before anything said here."


def show(console: Console, *cautions: str) -> None:
    """Print cautions on a console (give one on standard error where output is for a script)."""
    text = "\n".join((*cautions, DEFER))
    console.print(Panel(text, title="Before you go near it", border_style="bold", expand=False))
