"""A fleet of engines that crank and do not start, each with planted faults.

The engines are small circuits: battery, wires, sensor, switch, coil, gaps. What a test shows
comes out of volts, ohms, millijoules and kilovolts, then through a person who errs now and then.
Nothing here reads the likelihoods or odds of `faultchain.toml`, so the search is not marked by
its own table. Values are plausible ones for a 12 V system, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from sparkwitness.fault.electrical import capacitor_energy, coil_energy, primary_current
from sparkwitness.fault.model import Variant, chain_of, variant_of

PERSON_ERRS = 0.02
"""Chance that a person reads, types or judges a test wrong."""

CLAMP_ERRS = 0.01
"""Chance that a clamp or tap is badly placed: it sees less than there is."""

CANNOT = 0.03
"""Chance that a test cannot be done on this engine."""

VARIANTS: tuple[Variant, ...] = (
    variant_of(switch="points", distribution="distributor"),
    variant_of(switch="points", distribution="leads"),
    *(
        variant_of(switch=switch, trigger=trigger, sensor=sensor, distribution=how, feed=feed)
        for switch, trigger, sensor, how, feed in (
            ("inductive", "pickup", "coil", "distributor", "steady"),
            ("inductive", "pickup", "hall", "distributor", "steady"),
            ("inductive", "pickup", "coil", "leads", "steady"),
            ("inductive", "controller", "hall", "distributor", "steady"),
            ("inductive", "controller", "coil", "leads", "pulsed"),
            ("inductive", "controller", "hall", "plugtop", "pulsed"),
            ("inductive", "controller", "coil", "plugtop", "steady"),
            ("capacitive", "pickup", "coil", "distributor", "pulsed"),
            ("capacitive", "controller", "hall", "distributor", "pulsed"),
            ("capacitive", "pickup", "coil", "leads", "pulsed"),
        )
    ),
)
"""The kinds of ignition in the fleet."""


@dataclass
class Engine:
    """One engine. `faults` are link ids of `faultchain.toml`; `mend` removes one."""

    variant: Variant
    faults: set[str]
    rng: np.random.Generator
    parts: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for _ in range(200):
            self._draw()
            if self.speed > 60 and not self.starts():
                return
        raise ValueError(f"{sorted(self.faults)} never make this engine crank without starting")

    # ---------------------------------------------------------------------------- the circuit

    def _draw(self) -> None:
        """Draw healthy parts, then spoil those that are faulty in one of their ways."""
        u, pick = self.rng.uniform, self.rng.integers
        points = self.variant.switch == "points"
        p = self.parts = {
            "emf": u(12.4, 12.8), "r_battery": u(0.008, 0.012), "i_starter": u(130, 200),
            "fuse_open": 0.0, "fuse_seen": 1.0, "r_feed": u(0.02, 0.15), "r_ground": u(0.01, 0.04),
            "sensor": u(1.5, 4.0), "sensor_drop": 0.0, "sensor_ohm": 1.0, "gap_bad": 0.0,
            "controller": 1.0, "points": 1.0, "points_seen": 0.0, "condenser": 1.0, "module": 1.0,
            "r_primary": u(1.3, 1.8) if points else u(0.4, 0.9),
            "l_primary": u(6e-3, 9e-3) if points else u(2.5e-3, 4e-3),
            "r_ballast": u(0.8, 1.4) if points else 0.0,
            "dwell": u(9e-3, 14e-3) if points else u(4e-3, 6e-3), "i_limit": u(6.5, 9.0),
            "capacitor": u(0.9e-6, 1.3e-6), "hv": u(380, 470), "primary_seen": 0.0,
            "secondary": 1.0, "secondary_seen": 0.0, "gap_secondary": 0.0,
            "c_load": u(55e-12, 85e-12),
            "gap_coil_lead": 0.0, "coil_lead_seen": 0.0, "gap_rotor": u(2.0, 4.0), "cap_leak": 1.0,
            "cap_seen": 1.0 if u() < 0.15 else 0.0, "gap_leads": 0.0,
            "leads_seen": 1.0 if u() < 0.10 else 0.0, "gap_plug": u(5.0, 9.0), "plug_leak": 1.0,
            "plug_seen": 0.0, "angle_error": u(-3, 3), "fuel": 1.0, "burnt": float(u() < 0.03),
        }  # fmt: skip
        spoil: dict[str, Sequence[Callable[[], dict[str, float]]]] = {
            "battery": (
                lambda: {"emf": u(11.3, 11.9), "r_battery": u(0.02, 0.04)},
                lambda: {"r_battery": u(0.03, 0.05)},
            ),
            "fuse": (lambda: {"fuse_open": 1.0, "fuse_seen": 0.0},) * 5
            + (lambda: {"fuse_open": 1.0},),  # a relay that clicks and does not conduct
            "feed": (lambda: {"r_feed": math.inf}, lambda: {"r_feed": u(4, 30), "burnt": 1.0},
                     lambda: {"r_feed": math.inf}),
            "ground": (lambda: {"r_ground": u(3, 20)}, lambda: {"r_ground": math.inf},
                       lambda: {"r_ground": u(3, 20), "burnt": 1.0}),
            "pickup": (lambda: {"sensor": 0.0, "sensor_ohm": 0.0},
                       lambda: {"sensor": u(0.1, 0.6), "gap_bad": 1.0},
                       lambda: {"sensor_drop": u(0.3, 1.0), "sensor_ohm": u(0, 1)}),
            "controller": (lambda: {"controller": 0.0}, lambda: {"controller": u(0.0, 0.5)}),
            "points": (lambda: {"points": 0.0, "points_seen": 1.0},
                       lambda: {"points": u(0.1, 0.5), "points_seen": 1.0}),
            "condenser": (lambda: {"condenser": u(0.02, 0.12),
                                   "points_seen": float(u() < 0.4)},),
            "module": (lambda: {"module": 0.0}, lambda: {"module": u(0.02, 0.45)},
                       lambda: {"module": 0.0, "burnt": 1.0}),
            "coil_primary": (
                lambda: {"r_primary": math.inf, "primary_seen": 2.0},
                lambda: {"l_primary": p["l_primary"] * u(0.03, 0.15), "primary_seen": 1.0,
                         "r_primary": p["r_primary"] * u(0.3, 0.6)},
                lambda: {"r_primary": math.inf, "primary_seen": 2.0, "burnt": 1.0}),
            "coil_secondary": (
                lambda: {"gap_secondary": u(10, 30), "secondary_seen": 2.0},
                lambda: {"secondary": u(0.01, 0.1), "secondary_seen": 1.0},
                lambda: {"secondary": u(0.01, 0.1)}),  # breaks down at high voltage only
            "coil_lead": (lambda: {"gap_coil_lead": u(15, 40), "coil_lead_seen": 2.0},
                          lambda: {"gap_coil_lead": u(15, 40), "coil_lead_seen": 1.0}),
            "cap_rotor": (lambda: {"cap_leak": u(0.02, 0.2), "cap_seen": 2.0},
                          lambda: {"gap_rotor": u(20, 45), "cap_seen": float(pick(1, 3))}),
            "leads": (lambda: {"gap_leads": u(15, 40), "leads_seen": 2.0},
                      lambda: {"gap_leads": u(12, 30), "leads_seen": 1.0}),
            "plugs": (lambda: {"plug_leak": u(0.02, 0.2), "plug_seen": 1.0},
                      lambda: {"gap_plug": u(25, 45), "plug_seen": 1.0}),
            "timing": (lambda: {"angle_error": float(self.rng.choice([-1, 1])) * u(25, 80)},),
            "elsewhere": (lambda: {"fuel": 0.0},),
        }  # fmt: skip
        for link in sorted(self.faults):
            ways = spoil[link]
            p |= ways[int(pick(len(ways)))]()
        # a circuit as it is while cranking
        self.lowest = p["emf"] - p["i_starter"] * p["r_battery"]
        self.speed = 220.0 * max(0.0, self.lowest - 3.0) / 7.5

    def _ignition_volts(self, load: float = 0.5) -> float:
        """Volts across a load in ohm at the end of feed and ground, while cranking."""
        if self.parts["fuse_open"]:
            return 0.0
        whole = self.parts["r_feed"] + self.parts["r_ground"] + load
        return self.lowest * load / whole if math.isfinite(whole) else 0.0

    def crank_share(self) -> float:
        """Share of crank pulses that come."""
        p = self.parts
        strong = p["sensor"] * self.speed / 220.0
        if self.variant.sensor == "hall":
            fed = self._ignition_volts(load=400.0) > 4.5
            strong = p["sensor"] * fed
        return float(np.clip((strong - 0.35) / 0.5, 0.0, 1.0)) * (1.0 - p["sensor_drop"])

    def trigger_share(self) -> float:
        """Share of firings for which the module is told to fire."""
        if self.variant.trigger == "points":
            return self.parts["points"]
        if self.variant.trigger == "pickup":
            return self.crank_share()
        share = self.crank_share()
        synced = share if share > 0.9 else share**4  # a controller wants unbroken counts
        return synced * self.parts["controller"] * (self._ignition_volts(load=12.0) > 6.3)

    def charge(self) -> tuple[float, float]:
        """Share of firings that switch the primary, and joule of each."""
        p, share = self.parts, self.trigger_share()
        if self.variant.switch == "capacitive":
            fed = self._ignition_volts(load=4.0) > 7.0
            energy = capacitor_energy(p["capacitor"], p["hv"]) * (p["l_primary"] > 1e-3)
            works = share * p["module"] * fed
            return works, (energy if math.isfinite(p["r_primary"]) else 0.0) * p["secondary"]
        if not math.isfinite(p["r_primary"]) or p["fuse_open"]:
            return 0.0, 0.0
        ohm = p["r_primary"] + p["r_ballast"] + p["r_feed"] + p["r_ground"]
        if not math.isfinite(ohm):
            return 0.0, 0.0
        if self.variant.switch == "inductive":
            share *= p["module"] * (self._ignition_volts(load=4.0) > 4.5)
        amps = float(primary_current(p["dwell"], max(self.lowest, 1.0), ohm, p["l_primary"]))
        amps = min(amps, p["i_limit"])
        energy = coil_energy(p["l_primary"], amps) * p["condenser"] * p["secondary"]
        return share, energy if amps > 0.3 else 0.0

    def kilovolts(self) -> float:
        """Open-circuit secondary voltage, from the energy left for the secondary's capacitance."""
        return min(42.0, math.sqrt(2 * 0.25 * self.charge()[1] / self.parts["c_load"]) / 1e3)

    def _break(self, available: float, needed: float) -> float:
        return 1.0 / (1.0 + math.exp(min(50.0, (needed - available) / 1.2)))

    def coil_lead_share(self) -> float:
        """Share of firings with a breakdown that the coil lead carries."""
        p, share = self.parts, self.charge()[0]
        inside = p["gap_secondary"] + p["gap_coil_lead"]
        way_out = 5.0 if p["cap_leak"] < 1 else min(p["gap_rotor"], 18.0)
        return share * self._break(self.kilovolts(), inside + way_out)

    def plug_share(self, tester: bool = False) -> tuple[float, float]:
        """Share of firings with current in the plug lead, and with a spark at the plug."""
        p, share = self.parts, self.charge()[0]
        has_cap = self.variant.distribution == "distributor"
        volts = self.kilovolts() * (p["cap_leak"] if has_cap else 1.0)
        before = p["gap_secondary"] + p["gap_leads"]
        before += (p["gap_rotor"] + p["gap_coil_lead"]) if has_cap else 0.0
        if tester:
            spark = share * self._break(volts, before + 9.0)
            return spark, spark
        spark = share * self._break(volts * p["plug_leak"], before + p["gap_plug"])
        if p["plug_leak"] < 1:  # fouled: current without a gap; a gap on the way makes an edge
            leak = share * (self._break(volts, before + 1.0) if has_cap else 0.7)
            return max(spark, leak), spark
        return spark, spark

    def starts(self) -> bool:
        """Whether it would start: fuel, spark at most firings, near the right angle, turning."""
        lit = self.plug_share()[1] > 0.6 and abs(self.parts["angle_error"]) < 12
        return lit and self.parts["fuel"] > 0 and self.speed > 90

    def mend(self, link: str) -> None:
        """Mend one link; the other faults stay as they are."""
        self.faults.discard(link)
        kept, faults = dict(self.parts), set(self.faults)
        self.faults = set()
        self._draw()
        fresh = self.parts
        for key in _PARTS_OF.get(link, ()):
            kept[key] = fresh[key]
        self.faults, self.parts = faults, kept
        self.lowest = kept["emf"] - kept["i_starter"] * kept["r_battery"]
        self.speed = 220.0 * max(0.0, self.lowest - 3.0) / 7.5

    # ------------------------------------------------------------------------------ the tests

    def answer(self, test: str) -> int | None:
        """What a person or the board finds: index of the outcome, None if it cannot be done."""
        u = self.rng.uniform
        if test != "air_fuel" and u() < CANNOT:
            return None
        if test == "spark_angle" and self.plug_share()[1] < 0.05:
            return None
        truth, outcomes = self.truth(test)
        if test in _BOARD_SHARES:
            return min(outcomes - 1, truth + int(self.rng.integers(1, 3))) if u() < CLAMP_ERRS \
                else truth  # fmt: skip
        if test == "supply_cranking":
            return truth
        if u() < PERSON_ERRS:
            return int(self.rng.choice([k for k in range(outcomes) if k != truth]))
        return truth

    def truth(self, test: str) -> tuple[int, int]:
        """Index of the outcome a careful test shows, and how many outcomes there are."""
        p, rng = self.parts, self.rng

        def share(x: float) -> tuple[int, int]:
            return (0 if x >= 0.9 else 1 if x >= 0.05 else 2), 3

        def below(x: float, first: float, second: float) -> tuple[int, int]:
            return (0 if x >= first else 1 if x >= second else 2), 3

        def yes(bad: bool) -> tuple[int, int]:
            return int(bad), 2

        rest = p["emf"] + rng.normal(0, 0.05)
        key_on = 0.0 if p["fuse_open"] or not math.isfinite(p["r_feed"]) else p["emf"] - min(
            8.0, p["r_feed"] * 0.6)  # a module at rest draws about 0.6 A  # fmt: skip
        drop = self.lowest * (
            1.0 if not math.isfinite(p["r_ground"]) else p["r_ground"] / (p["r_ground"] + 2.0)
        )
        if not math.isfinite(p["r_feed"]) or p["fuse_open"]:
            drop = 0.0 if math.isfinite(p["r_ground"]) else drop  # no current, no drop
        rest_drop = p["emf"] * (
            p["r_ground"] / (p["r_ground"] + 10.0) if math.isfinite(p["r_ground"]) else 1.0
        )
        walk = (3 if p["fuse_open"] else 2 if key_on < p["emf"] - 1.0 else
                int(rest_drop > 0.5))  # fmt: skip
        code = "pickup" in self.faults or (
            self.variant.trigger == "controller" and self.rng.uniform() < 0.5
            and bool(self.faults & {"module", "coil_primary"}))  # fmt: skip
        dark = self._ignition_volts(load=12.0) < 6.0 or (
            p["controller"] == 0.0 and self.rng.uniform() < 0.5
        )
        no_spark = self.plug_share()[1] < 0.5
        table: dict[str, Callable[[], tuple[int, int]]] = {
            "air_fuel": lambda: yes(p["fuel"] == 0.0),
            "crank_speed": lambda: yes(self.speed < 150),
            "burnt_look": lambda: yes(p["burnt"] > 0),
            "fuse_look": lambda: yes(p["fuse_seen"] == 0.0),
            "fault_lamp": lambda: (2 if dark else 1 if code else 0, 3),
            "rev_counter": lambda: yes(self.charge()[0] < 0.3),
            "battery_rest": lambda: below(rest, 12.2, 11.5),
            "supply_cranking": lambda: below(self.lowest, 9.6, 8.0),
            "supply_cranking_meter": lambda: below(self.lowest + rng.normal(0, 0.1), 9.6, 8.0),
            "supply_walk": lambda: (walk, 4),
            "supply_walk_module": lambda: (walk, 4),
            "ground_drop": lambda: (0 if drop <= 0.3 else 1 if drop <= 1.0 else 2, 3),
            "crank_pulses": lambda: share(self.crank_share()),
            "crank_pulses_hall": lambda: share(self.crank_share()),
            "pickup_volts": lambda: below(
                p["sensor"] * self.speed / 220 * (1 - p["sensor_drop"]), 0.6, 0.05),
            "pickup_check": lambda: (2 if p["sensor_ohm"] < 0.5 else int(
                p["gap_bad"] > 0 or p["sensor_drop"] > 0.6), 3),
            "pickup_look": lambda: yes(p["gap_bad"] > 0 or p["sensor_drop"] > 0.6),
            "pickup_signal": lambda: (2 if self._ignition_volts(load=400.0) < 4.5 else int(
                self.crank_share() < 0.9), 3),
            "points_look": lambda: yes(p["points_seen"] > 0),
            "trigger_edges": lambda: share(self.trigger_share()),
            "primary_edges": lambda: share(self.charge()[0]),
            "primary_lamp": lambda: share(self.charge()[0]),
            "clamp_coil_lead": lambda: share(self.coil_lead_share()),
            "clamp_plug_lead": lambda: share(self.plug_share()[0]),
            "spark_coil_lead": lambda: share(self.charge()[0] * self._break(
                self.kilovolts(), p["gap_secondary"] + p["gap_coil_lead"] + 9.0)),
            "spark_plug_lead": lambda: share(self.plug_share(tester=True)[1]),
            "spark_angle": lambda: (int(abs(p["angle_error"]) >= 12), 2),
            "coil_ohm": lambda: (2 if p["primary_seen"] else int(p["secondary_seen"] > 0), 3),
            "coil_swap": lambda: yes(bool(self.faults & {"coil_primary", "coil_secondary"})
                                     and not self.faults - {"coil_primary", "coil_secondary"}),
            "cap_look": lambda: (2 if p["cap_seen"] == 2 else int(p["coil_lead_seen"] > 0), 3),
            "plugs_leads": lambda: (
                3 if p["plug_seen"] else 2 if p["leads_seen"] == 2
                or (p["leads_seen"] and p["gap_leads"] and rng.uniform() < 0.8) else
                int(no_spark and p["fuel"] > 0 and rng.uniform() < 0.6), 4),
            "condenser_meter": lambda: yes("condenser" in self.faults),
            "controller_lines": lambda: yes(
                dark or self.crank_share() < 0.5
                or ("controller" in self.faults and rng.uniform() < 0.5)),
            "module_bench": lambda: yes("module" in self.faults),
        }  # fmt: skip
        return table[test]()


_BOARD_SHARES = {"crank_pulses", "crank_pulses_hall", "trigger_edges", "primary_edges",
                 "clamp_coil_lead", "clamp_plug_lead"}  # fmt: skip

_PARTS_OF = {
    "battery": ("emf", "r_battery"), "fuse": ("fuse_open", "fuse_seen"),
    "feed": ("r_feed", "burnt"),
    "ground": ("r_ground", "burnt"), "pickup": ("sensor", "sensor_drop", "sensor_ohm", "gap_bad"),
    "controller": ("controller",), "points": ("points", "points_seen"),
    "condenser": ("condenser", "points_seen"), "module": ("module", "burnt"),
    "coil_primary": ("r_primary", "l_primary", "primary_seen", "burnt"),
    "coil_secondary": ("gap_secondary", "secondary", "secondary_seen"),
    "coil_lead": ("gap_coil_lead", "coil_lead_seen"),
    "cap_rotor": ("cap_leak", "gap_rotor", "cap_seen"), "leads": ("gap_leads", "leads_seen"),
    "plugs": ("plug_leak", "gap_plug", "plug_seen"), "timing": ("angle_error",),
    "elsewhere": ("fuel",),
}  # fmt: skip


def build_fleet(count: int, faults: int, seed: int) -> list[Engine]:
    """`count` engines with `faults` planted faults each, every link of a kind equally often."""
    rng = np.random.default_rng(seed)
    fleet = []
    for i in range(count):
        variant = VARIANTS[i % len(VARIANTS)]
        links = [link.id for link in chain_of(variant).links if not link.unlisted]
        chosen = rng.choice(links, size=faults, replace=False)
        fleet.append(Engine(variant, {str(x) for x in chosen}, np.random.default_rng([seed, i])))
    return fleet
