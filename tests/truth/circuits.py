"""Engines that crank and do not start, of a second hand: what each test would show, and why.

An engine is a chain of shares: of all firings due, which share still passes each station. Parts
spoil stations; what a careful tester sees at a station follows from the shares before it. No odds
and no chances of the search's own table are used. Besides the links that the search knows there
are faults that it does not list, engines with nothing wrong, two faults, and faults that come and
go. Values: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

KINDS: tuple[Mapping[str, str], ...] = (
    {"switch": "points", "distribution": "distributor"},
    {"switch": "points", "distribution": "leads"},
    *(
        dict(zip(("switch", "trigger", "sensor", "distribution", "feed"), row, strict=True))
        for row in (
            ("inductive", "pickup", "coil", "distributor", "steady"),
            ("inductive", "pickup", "hall", "distributor", "steady"),
            ("inductive", "controller", "coil", "leads", "steady"),
            ("inductive", "controller", "hall", "plugtop", "steady"),
            ("inductive", "controller", "coil", "leads", "pulsed"),
            ("capacitive", "pickup", "coil", "distributor", "pulsed"),
            ("capacitive", "controller", "hall", "distributor", "pulsed"),
        )
    ),
)
"""Kinds of ignition in the fleet, as they are typed."""

NOTHING = "nothing"
UNLISTED = ("meter_lead", "cranking_feed", "crossed_leads", "starter_noise")
"""Faults outside the list: rev counter's lead grounded (holds the switched terminal down); the
feed that only lives while cranking is open; plug leads in the wrong order; the starter's noise
makes pick-up or controller miss its counts."""


@dataclass
class Circuit:
    """One engine.

    Attributes:
        kind: how its ignition is built; points fill in what they imply.
        faults: names of links or of `UNLISTED`; empty: nothing is wrong (any more).
        fleeting: chance that a fault is there at the moment of a test; 1: always.
    """

    kind: Mapping[str, str]
    faults: tuple[str, ...]
    rng: np.random.Generator
    fleeting: float = 1.0
    ways: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        points = self.kind["switch"] == "points"
        base = {"trigger": "points", "sensor": "none", "feed": "steady"} if points else {}
        self.kind = {**base, **self.kind}
        for fault in self.faults:  # how it is broken, drawn once
            self.ways.setdefault(fault, int(self.rng.integers(6)))
        # What an old healthy engine looks like anyway.
        self.worn_cap = self.rng.random() < 0.06
        self.green_plugs = self.rng.random() < 0.05
        self.codes = self.rng.random() < 0.05

    def mend(self, link: str) -> None:
        """A new part; whatever else is wrong stays."""
        self.faults = tuple(f for f in self.faults if f != link)

    def starts(self) -> bool:
        """Whether it would start."""
        return not self.faults

    # ------------------------------------------------------------------------------ stations

    def _stations(self) -> dict[str, float]:
        """Share of the firings that passes each station now, and other states."""
        there = {f for f in self.faults if self.rng.random() < self.fleeting}
        way = self.ways

        def has(name: str, *ways: int) -> bool:
            return name in there and (not ways or way[name] in ways)

        kind = self.kind
        weak = has("battery")
        volts = (
            float(self.rng.uniform(*((6.8, 7.9) if way["battery"] < 3 else (8.1, 9.2))))
            if weak else float(self.rng.uniform(10.0, 11.2))
        )  # fmt: skip
        rest = 12.55 + 0.05 * self.rng.standard_normal()
        if weak:
            rest = (11.2, 11.9, 12.35, 11.9, 12.0, 12.4)[way["battery"]]
        fed = 0.0 if has("fuse") or has("feed", 0, 1, 2) else 0.45 if has("feed") else 1.0
        fed_cranking = fed * (0.0 if has("cranking_feed") else 1.0)
        grounded = 0.0 if has("ground", 0, 1) else 0.5 if has("ground") else 1.0
        power = fed_cranking * grounded * (1.0 if volts > 8 else 0.75)
        runs = 1.0 if power > 0.7 else 0.6 if power > 0.55 else 0.3 if power > 0.4 else 0.0

        sensor = {True: (0.0, 0.0, 0.0, 0.3, 0.6, 0.75)[way.get("pickup", 0)]}.get(
            has("pickup"), 1.0
        )
        crank = sensor * (runs if kind["sensor"] == "hall" else 1.0)
        crank *= 0.97 if volts > 8 else 0.85
        heard = crank * (0.8 if has("starter_noise") else 1.0)
        if kind["trigger"] == "points":
            trigger = (0.0, 0.0, 0.0, 0.2, 0.4, 0.0)[way["points"]] if has("points") else 1.0
        elif kind["trigger"] == "pickup":
            trigger = heard
        else:
            own = (0.0, 0.0, 0.0, 0.0, 0.3, 0.4)[way["controller"]] if has("controller") else 1.0
            trigger = (1.0 if heard > 0.9 else 0.4 * heard) * own * (1.0 if runs > 0.5 else runs)
        switched = trigger
        if has("module"):
            switched *= (0.0, 0.0, 0.0, 0.0, 0.25, 0.4)[way["module"]]
        if kind["switch"] != "points":
            switched *= runs
        held = has("meter_lead") and kind["switch"] != "capacitive"
        if held:
            switched = 0.0
        edges = switched * (1.0 if fed_cranking and not has("coil_primary", 0, 1, 2, 3) else 0.0)
        strong = edges
        if kind["switch"] == "points":
            strong *= runs
            strong *= 0.15 if has("condenser") else 1.0
        if has("coil_primary", 4, 5):
            strong *= 0.1
        if has("coil_secondary"):
            strong *= (0.0, 0.0, 0.1, 0.3, 0.1, 0.0)[way["coil_secondary"]]
        coil_lead = strong
        if has("coil_lead"):
            coil_lead *= (0.0, 0.0, 0.3, 0.3, 0.0, 0.1)[way["coil_lead"]]
        plug_lead = coil_lead if kind["distribution"] == "distributor" else strong
        if has("cap_rotor"):
            plug_lead *= (0.0, 0.0, 0.2, 0.3, 0.0, 0.1)[way["cap_rotor"]]
        tester = plug_lead
        if has("leads"):
            tester *= (0.0, 0.2, 0.3, 0.1, 0.0, 0.3)[way["leads"]]
        plug_edges = tester
        if has("plugs"):  # fouled: a leak makes an edge or not; worn: no breakdown, so none
            plug_edges *= (1.0, 0.95, 0.6, 0.3, 0.0, 0.0)[way["plugs"]]
        return {
            "volts": volts, "rest": rest, "fed": fed, "grounded": grounded, "runs": runs,
            "crank": crank, "heard": heard, "trigger": trigger, "switched": switched,
            "edges": edges, "coil_lead": coil_lead, "tester": tester, "plug_edges": plug_edges,
            "wrong_angle": float(has("timing")), "no_fuel": float(has("elsewhere")),
            "held": float(held),
            **{f"bad_{f}": 1.0 for f in there},
        }  # fmt: skip

    # --------------------------------------------------------------------------------- tests

    def show(self, test: str) -> tuple[int, int] | None:
        """What a careful tester sees: index of the outcome and how many there are; None: it
        cannot be done on this engine."""
        s, rng, way, kind = self._stations(), self.rng, self.ways, self.kind

        def is_bad(name: str, *ways: int) -> bool:
            return f"bad_{name}" in s and (not ways or way[name] in ways)

        def share(x: float) -> tuple[int, int]:
            return (0 if x > 0.88 else 1 if x > 0.04 else 2), 3

        def yes(bad: bool) -> tuple[int, int]:
            return int(bad), 2

        def volts(x: float, first: float, second: float) -> tuple[int, int]:
            return (0 if x >= first else 1 if x >= second else 2), 3

        lost = 3 if is_bad("fuse") else 2 if is_bad("feed") else 1 if is_bad("ground") else 0
        drop = (0.0 if not s["fed"] else 0.05 if s["grounded"] == 1 else 0.7
                if s["grounded"] else 2.5)  # fmt: skip
        dark = s["runs"] < 0.5
        dry = s["plug_edges"] > 0.5 or s["no_fuel"]
        burnt = any(is_bad(x, 5) for x in ("feed", "ground", "module", "coil_primary"))
        table: dict[str, Callable[[], tuple[int, int]]] = {
            # Air and fuel can be there and compression not: one way in six.
            "air_fuel": lambda: yes(is_bad("elsewhere", 0, 1, 2, 3, 4)),
            "crank_speed": lambda: yes(is_bad("battery", 0, 1, 2, 3)),
            "burnt_look": lambda: yes(burnt),
            "fuse_look": lambda: yes(is_bad("fuse", 0, 1, 2, 3, 4)),
            "fault_lamp": lambda: (
                2 if dark else int(self.codes or is_bad("pickup") or is_bad("starter_noise")), 3),
            "rev_counter": lambda: yes(s["edges"] < 0.3),
            "battery_rest": lambda: volts(s["rest"], 12.2, 11.5),
            "supply_cranking": lambda: volts(s["volts"], 9.6, 8.0),
            "supply_cranking_meter": lambda: volts(
                s["volts"] + 0.1 * rng.standard_normal(), 9.6, 8.0),
            "supply_walk": lambda: (lost, 4),
            "supply_walk_module": lambda: (lost, 4),
            "ground_drop": lambda: (0 if drop <= 0.3 else 1 if drop <= 1 else 2, 3),
            "crank_pulses": lambda: share(s["heard"]),
            "crank_pulses_hall": lambda: share(s["heard"]),
            "pickup_volts": lambda: share(s["crank"]),
            "pickup_check": lambda: (
                2 if is_bad("pickup", 0, 1) else 1 if is_bad("pickup", 2, 3, 4) else 0, 3),
            "pickup_look": lambda: yes(is_bad("pickup", 3, 4)),
            "pickup_signal": lambda: (
                2 if s["runs"] < 0.2 else 1 if s["crank"] < 0.8 else 0, 3),
            "points_look": lambda: yes(is_bad("points") or is_bad("condenser", 0)),
            "trigger_edges": lambda: share(s["trigger"]),
            "primary_edges": lambda: share(s["edges"]),
            "primary_lamp": lambda: share(s["edges"]),
            "clamp_coil_lead": lambda: share(s["coil_lead"]),
            "clamp_plug_lead": lambda: share(s["plug_edges"]),
            "spark_coil_lead": lambda: share(s["coil_lead"]),
            "spark_plug_lead": lambda: share(s["tester"]),
            "spark_angle": lambda: yes(bool(s["wrong_angle"])),
            "coil_ohm": lambda: (
                2 if is_bad("coil_primary") else int(is_bad("coil_secondary", 0, 1, 2, 5)), 3),
            "coil_swap": lambda: yes(
                bool(self.faults) and set(self.faults) <= {"coil_primary", "coil_secondary"}),
            "cap_look": lambda: (
                2 if is_bad("cap_rotor", 0, 1, 2, 3, 4) or self.worn_cap
                else int(is_bad("coil_lead", 0, 1, 2, 3, 4)), 3),
            "plugs_leads": lambda: (
                3 if is_bad("plugs") else 2 if is_bad("leads", 0, 1, 2, 3, 4)
                else int(not dry and rng.random() < 0.6), 4),
            "condenser_meter": lambda: yes(is_bad("condenser", 0, 1, 2, 3, 4)),
            "controller_lines": lambda: yes(
                dark or s["crank"] < 0.5 or is_bad("controller", 0, 1, 2)),
            "module_bench": lambda: yes(is_bad("module")),
        }  # fmt: skip
        if test == "spark_angle" and s["plug_edges"] < 0.05:
            return None
        if test == "plugs_leads" and kind["distribution"] == "plugtop" and rng.random() < 0.1:
            return None
        return table[test]()


def fleet(count: int, what: str, seed: int, links: Callable[[Mapping[str, str]], list[str]]) -> (
    list[Circuit]
):  # fmt: skip
    """Engines of one sort.

    Args:
        what: "one", "two", "fleeting", "unlisted" or "nothing".
        links: ids of the links that an ignition of a kind has.
    """
    rng = np.random.default_rng([seed, len(what), ord(what[0])])
    made: list[Circuit] = []
    while len(made) < count:
        i = len(made)
        kind = KINDS[i % len(KINDS)]
        names = links(kind)
        faults: tuple[str, ...] = ()
        if what in ("one", "fleeting"):
            faults = (str(rng.choice(names)),)
        elif what == "two":
            faults = tuple(str(x) for x in rng.choice(names, size=2, replace=False))
        elif what == "unlisted":
            fits = [
                u for u in UNLISTED
                if not (u == "meter_lead" and kind["switch"] == "capacitive")
                and not (u == "starter_noise" and kind["switch"] == "points")
                and not (u == "crossed_leads" and kind["distribution"] == "plugtop")
            ]  # fmt: skip
            faults = (str(rng.choice(fits)),)
        made.append(Circuit(kind, faults, np.random.default_rng([seed, i, len(what)]),
                            0.5 if what == "fleeting" else 1.0))  # fmt: skip
    return made
