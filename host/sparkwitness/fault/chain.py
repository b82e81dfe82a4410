"""Links of the ignition chain, tests of them, and what each test shows when a link is bad.

The data table (`chain.toml`) says which links an ignition of a given kind has, how often each is
the culprit, and what every test shows. A hypothesis is a set of one or two bad links. Several bad
links and one test: noisy-MAX (F. J. Díez, UAI 1993; leaky noisy-OR, M. Henrion, 1989).
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from importlib import resources
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from sparkwitness.fault.electrical import MOST_12_V

Array = npt.NDArray[np.float64]

SECOND_FAULT = 0.1
"""Chance that two links are bad at once; common practice, no source."""

FAILED_REPAIR = 0.03
"""Chance that the engine acts against the model after a repair (bad new part, wrong reading)."""

SURE = 0.95
"""Probability at which the search stops and names the link, unless typed in."""


IN_THE_PART = 0.3
"""Share of the table's false alarms and misses that a second look does not cure: they are in the
part (an old crack, a fault that shows only when hot); common practice, no source."""


HANDED_DOWN = 0.95
"""How far an answer further up a signal is trusted when the next one down is judged."""


KINDS = ("switch", "trigger", "sensor", "distribution", "feed")


@dataclass(frozen=True)
class Variant:
    """How the ignition is built; one value for each of `KINDS`."""

    switch: str
    trigger: str
    sensor: str
    distribution: str
    feed: str

    def has(self, only: Mapping[str, Sequence[str]]) -> bool:
        return all(getattr(self, kind) in values for kind, values in only.items())


@dataclass(frozen=True)
class Link:
    id: str
    name: str
    odds: float
    confirm: str
    repair: str
    unlisted: bool = False


@dataclass(frozen=True)
class Test:
    """One question. `good` and each row of `bad` are chances of `outcomes`, good to bad."""

    __test__ = False  # not a pytest class

    id: str
    ask: str
    by: str
    hazard: int
    minutes: float
    outcomes: tuple[str, ...]
    good: tuple[float, ...]
    bad: Mapping[str, tuple[float, ...]]
    cautions: tuple[str, ...] = ()
    setups: tuple[str, ...] = ()
    unit: str = ""
    edges: tuple[float, ...] = ()
    first: bool = False
    same: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    input: str = ""
    misread: float = field(kw_only=True)

    @cached_property
    def reading(self) -> Array:
        """Chance of each answer (columns) to what there was to see (rows)."""
        return self.reading_by(1.0)

    def reading_by(self, careless: float) -> Array:
        """`reading` of one who takes so many times as many answers wrong."""
        n = len(self.outcomes)
        misread = min(careless * self.misread, (n - 1) / n)
        return np.where(np.eye(n, dtype=bool), 1 - misread, misread / (n - 1))

    def outcome_of(self, number: float) -> int:
        """Index of the outcome that holds a typed number in `unit`.

        Raises:
            ValueError: the test takes no number, or the number cannot be.
        """
        if not self.edges:
            raise ValueError(f"{self.id} takes no number; answer with one of its outcomes.")
        if not math.isfinite(number) or not -1.0 <= number <= 100.0:
            raise ValueError(f"{number:g} {self.unit} cannot be; type 0 to 100 {self.unit}.")
        if self.unit == "V" and self.edges[0] > 5 and number > MOST_12_V:
            number /= 2  # a 24 V system: two batteries in series, each weak by itself
        falling = len(self.edges) > 1 and self.edges[0] > self.edges[1]
        for i, edge in enumerate(self.edges):
            if (number >= edge) if falling else (number <= edge):
                return i
        return len(self.edges)


@dataclass(frozen=True)
class Answer:
    """What a test showed; `outcome` None: cannot be tested.

    `again`: looked at a second time in another way, beside the earlier answer; else an answer
    given anew takes the earlier one's place.
    """

    test: str
    outcome: int | None
    reading: float | None = None
    how: str = "typed"
    time: str = ""
    again: bool = False


@dataclass(frozen=True)
class Repair:
    """A link that was mended; `starts` says whether the engine starts now."""

    link: str
    starts: bool
    time: str = ""


Event = Answer | Repair


@cache
def model() -> Mapping[str, Any]:
    """The data table as read from `faultchain.toml`, `like` resolved."""
    text = resources.files("sparkwitness.fault").joinpath("chain.toml").read_text("utf-8")
    table = tomllib.loads(text)
    for name, row in table["tests"].items():
        if "like" in row:
            base = table["tests"][row.pop("like")]
            bad = {**base["bad"], **row.get("bad", {})}
            row["bad"] = {link: chances for link, chances in bad.items() if chances}
            table["tests"][name] = {**base, **row}
    for name in table["unlisted"].pop("signals"):
        table["tests"][name]["signal"] = True
    return table


def variant_of(**kinds: str) -> Variant:
    """Check and complete the kinds of an ignition.

    Raises:
        ValueError: a kind is missing, unknown, or two of them cannot go together.
    """
    known = model()["kinds"]
    switch = kinds.get("switch", "")
    if switch == "points":
        kinds = {"trigger": "points", "sensor": "none", "feed": "steady"} | kinds
    if switch == "capacitive":
        kinds = {"feed": "pulsed"} | kinds
    for kind in KINDS:
        values = [value for value in known[kind] if value != "ask"]
        if kind not in kinds:
            raise ValueError(f"Say --{kind} as one of {', '.join(values)}.")
        if kinds[kind] not in values:
            raise ValueError(f"'{kinds[kind]}' is no {kind}; use one of {', '.join(values)}.")
    variant = Variant(**{kind: kinds[kind] for kind in KINDS})
    by_points = [variant.switch == "points", variant.trigger == "points", variant.sensor == "none"]
    if any(by_points) and not all(by_points):
        raise ValueError(
            "Points are switch, trigger and sensor in one: use --switch points --trigger points "
            "--sensor none, or none of them."
        )
    if variant.switch == "points" and variant.distribution == "plugtop":
        raise ValueError("Points do not fire a coil on every plug; use --distribution distributor.")
    if variant.switch == "capacitive" and variant.feed == "steady":
        raise ValueError("A capacitive module pulses the coil; use --feed pulsed.")
    return variant


@dataclass(frozen=True)
class Chain:
    """Links and tests of one ignition, and the hypotheses over them.

    `sets` (h, l) bool: which links are bad in each hypothesis; `prior` (h,) sums to 1.
    """

    variant: Variant
    links: tuple[Link, ...]
    tests: Mapping[str, Test]
    second: float = SECOND_FAULT
    known: dict[tuple[Any, ...], Array] = field(default_factory=dict, repr=False, compare=False)
    """Tables and chances of answers that were worked out before."""

    @cached_property
    def index(self) -> Mapping[str, int]:
        return {link.id: i for i, link in enumerate(self.links)}

    @cached_property
    def listed(self) -> int:
        """Number of links that are in the list; they stand first."""
        return sum(not link.unlisted for link in self.links)

    @cached_property
    def sets(self) -> npt.NDArray[np.bool_]:
        """Each link alone, pairs of listed ones, listed ones that come and go, none."""
        n, m = len(self.links), self.listed
        rows: list[tuple[int, ...]] = [(i,) for i in range(n)]
        if self.second > 0:
            rows += combinations(range(m), 2)
        rows += [(i,) for i in range(m)]
        sets = np.zeros((len(rows) + 1, n), dtype=bool)
        for row, members in zip(sets, rows, strict=False):
            row[list(members)] = True
        return sets

    @cached_property
    def fleeting(self) -> slice:
        """Hypotheses of a fault that comes and goes; the last of all hypotheses is no fault."""
        return slice(len(self.sets) - 1 - self.listed, len(self.sets) - 1)

    @cached_property
    def shown(self) -> npt.NDArray[np.intp]:
        """Hypotheses of a fault outside the list that some test can show."""
        seen = {link for test in self.tests.values() for link in test.bad}
        return np.array(
            [i for i, x in enumerate(self.links) if x.unlisted and x.id in seen], dtype=np.intp
        )

    @cached_property
    def prior(self) -> Array:
        return self.prior_with(np.array([link.odds for link in self.links]))

    def prior_with(self, odds: Array) -> Array:
        """Prior over hypotheses, shape (h,), for other `odds` of the links, shape (l,)."""
        odds = odds / odds.sum()
        prior = np.where(self.sets, odds, 1.0).prod(axis=1)
        pairs = self.sets.sum(axis=1) == 2
        prior[self.fleeting] *= model()["fleeting"]
        prior[-1] = model()["nothing"]
        two = np.where(pairs, prior, 0.0)
        prior = np.where(pairs, 0.0, prior)
        prior /= prior.sum()
        if pairs.any():
            prior = (1 - self.second) * prior + self.second * two / two.sum()
        return np.asarray(prior)

    def below(self, test: str, mended: frozenset[str] = frozenset()) -> Array:
        """Chance of at most each outcome under each hypothesis, shape (h, outcomes).

        Noisy-MAX: the product, over leak and bad links, of each cause's own P(X <= k). Links in
        `mended` are good by now.
        """
        t = self.tests[test]
        below = np.tile(np.cumsum(t.good), (len(self.sets), 1))
        for link, chances in t.bad.items():
            if link in self.index and link not in mended:
                below[self.sets[:, self.index[link]]] *= np.cumsum(chances)
        return below

    def table(
        self, test: str, mended: frozenset[str] = frozenset(), up: tuple[str, int] | None = None
    ) -> Array:
        """Chance of each outcome of a test under each hypothesis, shape (h, outcomes).

        Args:
            mended: links that are good by now.
            up: (test, outcome) seen further up the same signal.

        With `up` the signal is the worst of what was seen there and of what is added on the way
        down. Since X = max(U, added), P(added <= k) = P(X <= k) / P(U <= k). The answer further
        up is trusted as far as `HANDED_DOWN`; for the rest it is as if it had not been given.
        """
        key = (test, mended, up)
        if key not in self.known:
            below = self.below(test, mended)
            table = np.diff(below, axis=1, prepend=0.0)
            if up is not None:
                added = below / np.maximum(self.below(up[0], mended), 1e-9)
                added = np.minimum.accumulate(added[:, ::-1], axis=1)[:, ::-1]
                leak = np.cumsum(self.tests[test].good)  # this test's own false alarms stay
                added = np.minimum(added, leak)
                added[:, : up[1]] = 0.0
                handed = np.diff(added, axis=1, prepend=0.0)
                table = HANDED_DOWN * handed + (1 - HANDED_DOWN) * table
            shows = model()["shows"]
            table[self.fleeting] = shows * table[self.fleeting] + (1 - shows) * table[-1]
            self.known[key] = table
        return self.known[key]

    def work(self, tests: Sequence[Test], paid: frozenset[str] = frozenset()) -> float:
        """Minutes of work of tests taken together, with the set-ups not yet made."""
        needed = {setup for test in tests for setup in test.setups} - paid
        return float(
            sum(test.minutes for test in tests)
            + sum(model()["setups"][setup]["minutes"] for setup in needed)
        )

    def cost(self, tests: Sequence[Test], paid: frozenset[str] = frozenset()) -> float:
        """What tests taken together cost, in minutes: handling, work, and their risk."""
        m = model()
        risk = m["risk"][max(test.hazard for test in tests)]
        return float(m["handling"] + self.work(tests, paid) + risk)


def chain_of(
    variant: Variant,
    *,
    board: bool = True,
    odds: Mapping[str, float] | None = None,
    minutes: Mapping[str, float] | None = None,
    second: float = SECOND_FAULT,
) -> Chain:
    """The chain of one kind of ignition.

    Args:
        board: whether there is a board for the live tests.
        odds: typed odds of links, instead of the table's.
        minutes: typed minutes of tests, instead of the table's.
        second: chance of two bad links.
    Raises:
        ValueError: an unknown link or test, or a number that cannot be.
    """
    odds, minutes, m = dict(odds or {}), dict(minutes or {}), model()
    if not 0 <= second < 1:
        raise ValueError(f"A chance of {second:g} for a second fault cannot be; type 0 to 0.9.")
    for what, typed, known in (("link", odds, m["links"]), ("test", minutes, m["tests"])):
        for name, number in typed.items():
            if name not in known:
                raise ValueError(f"There is no {what} '{name}'; --list shows them all.")
            if not (number > 0 and math.isfinite(number)):
                raise ValueError(f"{number:g} for {name} cannot be; type a number above 0.")
    links = tuple(
        Link(
            name, row["name"],
            odds.get(name, row.get("fewer", {}).get(variant.distribution, row["odds"])),
            row["confirm"], row["repair"],
        )
        for name, row in m["links"].items() if variant.has(row.get("only", {}))
    )  # fmt: skip
    there = {link.id for link in links}
    as_if = {
        name: next((x for x in row["like"] if x in there), "")
        for name, row in m["unlisted"].items()
        if not row["like"] or there.intersection(row["like"])
    }
    for name in as_if:
        row = m["unlisted"][name]
        links += (Link(name, row["name"], row["odds"], "", "", True),)

    def bad_of(row: Mapping[str, Any]) -> dict[str, tuple[float, ...]]:
        bad = {link: tuple(chances) for link, chances in row["bad"].items()}
        if row.get("signal"):
            bad |= {name: bad[link] for name, link in as_if.items() if link in bad}
        return bad

    tests = {
        name: Test(
            name, row["ask"], row["by"], row["hazard"], minutes.get(name, row["minutes"]),
            tuple(row["outcomes"]), _to_see(row["good"], _misread(row)),
            {link: _to_see(chances, _misread(row)) for link, chances in bad_of(row).items()},
            tuple(row["cautions"]), tuple(row.get("setup", "").split()), row.get("unit", ""),
            tuple(row.get("edges", ())), row.get("first", False), tuple(row.get("same", ())),
            tuple(row.get("after", ())), tuple(row.get("needs", ())),
            row.get("input", "") if row["by"] == "board" else "",
            misread=_misread(row),
        )
        for name, row in m["tests"].items()
        if variant.has(row.get("only", {})) and (board or row["by"] != "board")
    }  # fmt: skip
    return Chain(variant, links, tests, second)


def _misread(row: Mapping[str, Any]) -> float:
    """Chance that an answer to a test of the table is not what there was to see."""
    return float(model()["misread"]["board" if row["by"] == "board" else row["way"]])


def _to_see(told: Sequence[float], misread: float) -> tuple[float, ...]:
    """Chances of what there is to see, from the table's chances of what is told.

    What misreading alone explains is taken out, but never more than `IN_THE_PART` leaves.
    """
    row = np.array(told, np.float64)
    slip = misread / (len(row) - 1)
    seen = np.maximum((row - slip) / (1 - misread - slip), IN_THE_PART * row)
    return tuple((seen / seen.sum()).tolist())
