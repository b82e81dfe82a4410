"""What the circuits promise beyond ratings, each with the deck that shows it.

Every claim failed on an earlier circuit: tests/hardware plants that circuit again and sees it fail.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import delays
import numpy as np
import parts
from ngspice import Waves, deck, edges, run


@dataclass(frozen=True)
class Claim:
    """A quantity of a deck that lies between two limits."""

    name: str
    deck: str
    params: Mapping[str, float]
    measure: Callable[[Waves], float]
    least: float
    most: float
    unit: str
    values: Mapping[str, float] = field(default_factory=dict)
    extras: Mapping[str, str] = field(default_factory=dict)
    temperature: float = 27.0

    def text(self) -> str:
        """The deck."""
        return deck(self.deck, self.params, self.values, self.extras, self.temperature, ("all",))


def aged(**way: int) -> dict[str, float]:
    """Values of parts at the end of their life: tolerance and age together, up (1) or down (-1)."""
    bom = parts.read_bom()
    return {
        r: bom[r].number * (1 + sign * (bom[r].tolerance + delays.AGEING[r[0]]))
        for r, sign in way.items()
    }


# A comparator at the end of its life: data sheet's largest offset over temperature, 9 mV, and 1 mV
# of drift over the years; slowed by half (from memory).
TIRED = {1: "vos=10m tau=0.87u ib=400n", -1: "vos=-10m tau=0.87u ib=25n"}


def end(node: str) -> Callable[[Waves], float]:
    """Level at the end of the run."""
    return lambda waves: float(waves[f"v({node})"][-1])


def peak(node: str) -> Callable[[Waves], float]:
    """Largest size."""
    return lambda waves: float(np.abs(waves[f"v({node})"]).max())


def rises(node: str) -> Callable[[Waves], float]:
    """Number of rising edges."""
    return lambda waves: float(len(edges(waves["time"], waves[f"v({node})"])))


def lateness(node: str, falling: bool) -> Callable[[Waves], float]:
    """us from the source's edge (node g) to the only edge of a pin; NaN where there is not one."""

    def find(waves: Waves) -> float:
        at = edges(waves["time"], waves[f"v({node})"], falling)
        cause = edges(waves["time"], waves["v(g)"], falling, 0.5, 0.5)
        return float(at[0] - cause[0]) * 1e6 if len(at) == 1 and len(cause) == 1 else np.nan

    return find


def _low(waves: Waves) -> float:
    return float(-waves["v(in)"][waves["time"] > 10e-3].min())


def _arming(waves: Waves) -> float:
    rise = edges(waves["time"], waves["v(crank)"])
    return float(np.interp(rise[-1], waves["time"], waves["v(emf)"])) if len(rise) else np.nan


def claims() -> list[Claim]:
    """All of them."""
    found = [
        Claim("a neighbour's spark of 40 kV behind the foil is not stamped", "neighbour",
              {"kv": 40, "cn": 0.03e-12, "cll": 0}, rises("clamp_a"), 0, 0, "edges"),
        Claim("2 pF from a lead of 40 kV to the clamp's own is not stamped", "neighbour",
              {"kv": 40, "cn": 1e-15, "cll": 2e-12}, rises("clamp_a"), 0, 0, "edges"),
        Claim("a flash-over of 40 kV lifts the board's ground little: bonding wire", "flashover",
              {}, peak("bg"), 0, 1000, "V"),
        Claim("bonding wire alone, ground lead forgotten", "flashover", {"lead": 0}, peak("bg"),
              0, 3000, "V"),
        Claim("closing points that bounce give no second event", "points_bounce", {},
              rises("trigger"), 1, 1, "edges"),
        Claim("the same, short bounces", "points_bounce", {"tbounce": 0.08e-3},
              rises("trigger"), 1, 1, "edges"),
        Claim("sensor supply at 15 mA and the lowest VBUS", "sensor_supply",
              {"load": 330, "v5": 4.6}, end("sens5"), 4.6, 5.25, "V"),
        Claim("sensor supply without load", "sensor_supply", {"load": 1e5, "v5": 5.25},
              end("sens5"), 4.6, 5.3, "V"),
        Claim("a bad ground strap opens the fuse of the ground lead", "ground", {},
              lambda w: float(np.abs(w["v(lead)"][-1]) / 0.8), 2.0, 40.0, "A"),
        Claim("supply reading with the ground lead on", "ground", {"vstrap": 0},
              end("supply"), 1.5, 1.75, "V"),
        Claim("supply reading with the ground lead off and the computer not earthed", "ground",
              {"vstrap": 0, "open": 1, "rcharger": 1e9}, end("supply"), -0.1, 0.2, "V"),
        Claim("VR input arms", "crank_vr", {"vpk": 0.4, "freq": 20, "lsens": 0.15}, _arming,
              0.10, 0.20, "V"),
        Claim("VR adapter: the module's input falls through zero", "outputs_vr", {}, _low,
              1.0, 6.0, "V"),
    ]  # fmt: skip
    found += double_strikes() + old_boards()
    for offset in (-1.5, 1.5):
        for name in ("crank_logic", "trigger_logic"):
            pin = name.split("_")[0]
            for oc in (1, 0):
                for falling in (True, False):
                    found.append(
                        Claim(
                            f"{name}, {'open collector' if oc else '5 V logic'}, ground "
                            f"{offset:+g} V: one {'falling' if falling else 'rising'} edge",
                            name,
                            {"goff": offset, "oc": oc},
                            lateness(pin, falling),
                            0.5,
                            8.0,
                            "us",
                        )
                    )
    # every state in which nobody drives: the open collector open, the push-pull low
    for state, params in (
        ("at rest", {}),
        ("in reset", {"float": 1}),
        ("USB unplugged", {"von": 0, "float": 1}),
    ):
        for channel in ("bench", "crank"):
            for five in (0, 1):
                where = f"{channel}, JP901 on {'5' if five else '12'} V, {state}"
                common = {"five": five, **params}
                found += [
                    Claim(f"open collector is open: {where}", "outputs_rest", common,
                          end(f"{channel}_oc"), 11.5, 12.0, "V"),
                    Claim(f"push-pull is low: {where}", "outputs_rest", common,
                          end(f"{channel}_12"), -0.1, 1.0, "V"),
                ]  # fmt: skip
    # a logic input's own pull-up: TTL takes 0.8 V and less as low (its data sheets, from memory)
    found.append(
        Claim("push-pull is low for 5 V logic with 1 kohm, USB unplugged", "outputs_rest",
              {"vmod": 5, "von": 0, "float": 1}, end("bench_12"), -0.1, 0.8, "V")
    )  # fmt: skip
    for five, least, most in ((0, 11.0, 13.5), (1, 4.2, 5.3)):
        found += [
            Claim(f"driven, JP901 on {'5' if five else '12'} V: push-pull", "outputs_rest",
                  {"level": 1, "five": five, "rpull": 1e6}, end("bench_12"), least, most, "V"),
            Claim("driven: open collector", "outputs_rest", {"level": 1, "five": five},
                  end("bench_oc"), 0.0, 0.8, "V"),
        ]  # fmt: skip
    return found


def double_strikes() -> list[Claim]:
    """A spark that is blown out and strikes again: within the hold one pulse, later two."""
    again = {"kv": 12, "kv_us": 6, "iarc": 0.1, "t0": 5e-6, "tmax": 100e-9}
    return [
        Claim("struck again after 40 us: one pulse", "clamp",
              {**again, "tarc": 25e-6, "period": 40e-6, "tstop": 75e-6}, rises("clamp_a"), 1, 1,
              "edges"),
        Claim("struck again after 0.5 ms: two pulses", "clamp",
              {**again, "tarc": 0.2e-3, "period": 0.5e-3, "tstop": 0.9e-3}, rises("clamp_a"), 2, 2,
              "edges"),
    ]  # fmt: skip


def old_boards() -> list[Claim]:
    """The promises at the end of the parts' life, all drifted the worse way."""
    deaf = aged(R108=-1, R109=1, R103=-1, C101=1)
    keen = aged(R108=1, R109=-1, R103=1, C101=-1)
    late = aged(R408=-1, R409=1, R402=1, R403=-1)
    low = aged(R408=1, R409=-1, R402=-1, R403=1)
    bounce = aged(R608=1, C602=-1, R609=-1)
    weak = {"kv": 5, "kv_us": 1.5, "t0": 4e-6, "tstop": 30e-6, "tmax": 50e-9}
    return [
        Claim("aged, cold: a spark of 5 kV is stamped", "clamp", weak, rises("clamp_a"), 1, 1,
              "edges", deaf, {"U1A": TIRED[-1]}, -10.0),
        Claim("aged, hot: a spark of 5 kV is stamped", "clamp", weak, rises("clamp_a"), 1, 1,
              "edges", deaf, {"U1A": TIRED[-1]}, 70.0),
        Claim("aged, hot: 2 pF from a lead of 40 kV is not stamped", "neighbour",
              {"kv": 40, "cn": 1e-15, "cll": 2e-12}, rises("clamp_a"), 0, 0, "edges", keen,
              {"U1A": TIRED[1]}, 70.0),
        Claim("aged, hot: closing points that bounce give no second event", "points_bounce", {},
              rises("trigger"), 1, 1, "edges", bounce, {"U7A": TIRED[-1]}, 70.0),
        Claim("aged, cold: a sensor's ground 0.5 V low", "crank_logic", {"goff": -0.5, "oc": 0},
              lateness("crank", True), 0.5, 8.0, "us", late, {"U2B": TIRED[-1]}, -10.0),
        Claim("aged, hot: a sensor's ground 0.5 V high", "crank_logic", {"goff": 0.5, "oc": 1},
              lateness("crank", True), 0.5, 8.0, "us", low, {"U2B": TIRED[1]}, 70.0),
    ]  # fmt: skip


def judge(asked: Sequence[Claim], workers: int = 2) -> list[tuple[Claim, float]]:
    """Run claims; each with its value."""
    waves = run([claim.text() for claim in asked], workers, per_process=8)
    return [(claim, claim.measure(found)) for claim, found in zip(asked, waves, strict=True)]


def broken(workers: int = 2) -> list[str]:
    """A sentence for every claim that does not hold."""
    return [
        f"{c.name}: {value:.3g} {c.unit}, not {c.least:g} to {c.most:g}."
        for c, value in judge(claims(), workers)
        if not c.least <= value <= c.most
    ]


def late(runs: int = 24, seed: int = 57, workers: int = 2) -> list[str]:
    """A sentence for every delay that the circuit as it is does not have by delays.json.

    Other random boards than those the file was made with: their mean within five of its own
    standard deviations, their spread within a factor that so few runs leave, none lost.
    """
    inputs = json.loads((parts.FOLDER / "delays.json").read_text(encoding="utf-8"))["inputs"]
    found = []
    for kind, how in delays.KINDS.items():
        seconds = delays.monte_carlo(kind, runs, seed, workers)
        found += [(kind, edge, seconds[edge], inputs[kind][edge]) for edge, _ in how.timed]
    total, lag = delays.monte_carlo_vr(1000, runs, seed, workers)
    rest = next(row for row in inputs["vr"]["model"]["rest"] if row["rpm"] == 1000)
    found.append(("vr at 1000/min", "falling", total - lag, rest))
    wrong = []
    for kind, edge, seconds, row in found:
        mean, u = float(seconds.mean() * 1e6), float(seconds.std(ddof=1) * 1e6)
        near = 5 * row["u_us"] * np.hypot(1 / np.sqrt(200), 1 / np.sqrt(runs))
        if not (abs(mean - row["delay_us"]) <= near and 0.5 <= u / row["u_us"] <= 1.7):
            wrong.append(
                f"{kind}, {edge} edge: {mean:.3g} us, u {u:.2g} us, delays.json has "
                f"{row['delay_us']:.3g}, u {row['u_us']:.2g}: "
                "run `python hardware/simulate.py --write`."
            )
    return wrong
