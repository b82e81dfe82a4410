"""Which link of the ignition chain lost the spark: model and search, no I/O but its data table.

The model (`faultchain.toml`) says which links an ignition of a given kind has, how often each is
the culprit, and what every test shows when a link is bad. A hypothesis is a set of one or two bad
links. Everything below is a pure function of the chain and the list of events (answers, repairs),
so a stored run gives the same result when it is read again.

Sources:
- several bad links, one test: noisy-MAX (F. J. Díez, UAI 1993; leaky noisy-OR, M. Henrion, 1989);
- choice of the next test: expected information (J. de Kleer and B. C. Williams, Artificial
  Intelligence 32, 1987) over its cost in minutes (J. Kalagnanam and M. Henrion, UAI 1988, divide
  the other way round: cost over probability);
- a repair after which the engine still does not start: D. Heckerman, J. S. Breese and
  K. Rommelse, Communications of the ACM 38(3), 1995;
- contradiction: log2(P(e1) P(e2) ... / P(e1, e2 ...)) well above 0 (F. V. Jensen, B. Chamberlain,
  T. Nordahl and F. Jensen, UAI 1990).
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from importlib import resources
from itertools import combinations, product
from typing import Any

import numpy as np
import numpy.typing as npt

from sparkwitness.fault.electrical import LEAST_24_V

Array = npt.NDArray[np.float64]

SECOND_FAULT = 0.05
"""Chance that two links are bad at once; common practice, no source."""

FAILED_REPAIR = 0.03
"""Chance that the engine acts against the model after a repair (bad new part, wrong reading)."""

SURE = 0.90
"""Probability at which the search stops and names the link, unless typed in."""

LEAST_BITS = 0.1
"""A test expected to tell less than this is not worth asking."""

STICKS = 0.3
"""Chance that one who looks again makes the same mistake again; common practice, no source."""

IN_THE_PART = 0.3
"""Share of the table's false alarms and misses that a second look does not cure: they are in the
part (an old crack, a fault that shows only when hot); common practice, no source."""

DECIDING = 0.5
"""An answer without which the named link falls below this decides, and is asked for twice."""

HANDED_DOWN = 0.95
"""How far an answer further up a signal is trusted when the next one down is judged."""

SLIP = 0.5
"""Probability that an answer was taken wrong, above which it is asked for again."""

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
    misread: float = 0.0

    @cached_property
    def reading(self) -> Array:
        """Chance of each answer (columns) to what there was to see (rows)."""
        n = len(self.outcomes)
        return np.where(np.eye(n, dtype=bool), 1 - self.misread, self.misread / max(1, n - 1))

    def outcome_of(self, number: float) -> int:
        """Index of the outcome that holds a typed number in `unit`.

        Raises:
            ValueError: the test takes no number, or the number cannot be.
        """
        if not self.edges:
            raise ValueError(f"{self.id} takes no number; answer with one of its outcomes.")
        if not math.isfinite(number) or not -1.0 <= number <= 100.0:
            raise ValueError(f"{number:g} {self.unit} cannot be; type 0 to 100 {self.unit}.")
        if self.unit == "V" and self.edges[0] > 5 and number >= LEAST_24_V:
            number /= 2  # a 24 V system: two batteries in series
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
    _tables: dict[tuple[Any, ...], Array] = field(default_factory=dict, repr=False)

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
        if key not in self._tables:
            below = self.below(test, mended)
            table = np.diff(below, axis=1, prepend=0.0)
            if up is not None:
                added = np.minimum(below / np.maximum(self.below(up[0], mended), 1e-9), 1.0)
                added = np.minimum.accumulate(added[:, ::-1], axis=1)[:, ::-1]
                leak = np.cumsum(self.tests[test].good)  # this test's own false alarms stay
                added = np.minimum(added, leak)
                added[:, : up[1]] = 0.0
                handed = np.diff(added, axis=1, prepend=0.0)
                table = HANDED_DOWN * handed + (1 - HANDED_DOWN) * table
            table = table / table.sum(axis=1, keepdims=True)
            shows = model()["shows"]
            table[self.fleeting] = shows * table[self.fleeting] + (1 - shows) * table[-1]
            self._tables[key] = table
        return self._tables[key]

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
    for name, row in m["unlisted"].items():
        links += (Link(name, row["name"], row["odds"], "", "", True),)
    as_if = {
        name: next((x for x in row["like"] if any(x == link.id for link in links)), "")
        for name, row in m["unlisted"].items()
    }

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
            _misread(row),
        )
        for name, row in m["tests"].items()
        if variant.has(row.get("only", {})) and (board or row["by"] != "board")
        and any(link.id in row["bad"] for link in links)
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
    slip = misread / max(1, len(row) - 1)
    seen = np.maximum((row - slip) / (1 - misread - slip), IN_THE_PART * row)
    return tuple((seen / seen.sum()).tolist())


# --- belief ----------------------------------------------------------------------------------


def standing(events: Sequence[Event]) -> list[tuple[Event, frozenset[str]]]:
    """The events that count, each with the links mended before it.

    An answer given anew between the same repairs replaces the earlier ones, in place; one that
    was looked at again stands beside them.
    """
    kept: list[tuple[Event, frozenset[str]]] = []
    mended: frozenset[str] = frozenset()
    for event in events:
        if isinstance(event, Repair):
            kept.append((event, mended))
            mended = mended | {event.link}
            continue
        same = [
            i for i, (old, before) in enumerate(kept)
            if isinstance(old, Answer) and old.test == event.test and before == mended
        ]  # fmt: skip
        if same and not event.again:
            kept[same[0]] = (event, mended)
            for i in reversed(same[1:]):
                del kept[i]
        else:
            kept.append((event, mended))
    return kept


def likelihood(
    chain: Chain,
    events: Sequence[Event],
    blend: float = 0.0,
    trusted: Callable[[Answer], bool] = lambda _: False,
) -> Array:
    """Chance of all events under each hypothesis, shape (h,).

    Args:
        blend: part of each answer's chance that says nothing, 0 to 1: a less careful tester.
        trusted: answers that were surely taken right: the chance is of that as well.
    """
    kept = standing(events)
    seen = _seen(kept)
    chance = np.ones(len(chain.sets))
    answers: dict[tuple[str, frozenset[str]], list[Answer]] = {}
    for event, mended in kept:
        if isinstance(event, Repair):
            left = chain.sets.copy()
            left[:, [chain.index[x] for x in mended | {event.link}]] = False
            right = left.any(axis=1) != event.starts
            each = np.where(right, 1.0 - FAILED_REPAIR, FAILED_REPAIR)
            chance = chance * ((1 - blend) * each + blend / 2)
        elif event.outcome is not None:
            answers.setdefault((event.test, mended), []).append(event)
    for (test, mended), given in answers.items():
        table = chain.table(test, mended, _upstream(chain, test, mended, seen))
        rows = [_read(chain.tests[test], given[:i], e, trusted(e)) for i, e in enumerate(given)]
        each = table @ np.prod(rows, axis=0)
        # What comes and goes may be there at one look and not at the next.
        each[chain.fleeting] = np.prod([table[chain.fleeting] @ row for row in rows], axis=0)
        chance = chance * ((1 - blend) * each + blend / table.shape[1] ** len(given))
    return chance


def _read(test: Test, before: Sequence[Answer], answer: Answer, trusted: bool) -> Array:
    """Chance of an answer given what there was to see, shape (outcomes,)."""
    k = answer.outcome
    assert k is not None
    if trusted:
        return np.where(np.arange(len(test.outcomes)) == k, 1 - test.misread, 0.0)
    chance = test.reading[:, k]
    if before:
        last = before[-1].outcome
        slipped = np.arange(len(chance)) != last
        again = STICKS * float(k == last) + (1 - STICKS) * chance
        chance = np.where(slipped, again, chance)
    return np.asarray(chance)


_Seen = dict[tuple[str, frozenset[str]], int | None]


def _seen(kept: Sequence[tuple[Event, frozenset[str]]]) -> _Seen:
    """Each test's outcome; None where two looks at it differ."""
    seen: _Seen = {}
    for e, mended in kept:
        if isinstance(e, Answer) and e.outcome is not None:
            key = (e.test, mended)
            seen[key] = e.outcome if seen.get(key, e.outcome) == e.outcome else None
    return seen


def _upstream(
    chain: Chain,
    test: str,
    mended: frozenset[str],
    seen: Mapping[tuple[str, frozenset[str]], int | None],
) -> tuple[str, int] | None:
    """The nearest answered test further up the same signal, with its outcome."""
    for name in chain.tests[test].after:
        outcome = seen.get((name, mended))
        if outcome is not None:
            return name, outcome
    return None


def belief(
    chain: Chain, events: Sequence[Event], prior: Array | None = None, blend: float = 0.0
) -> Array:
    """Probability of each hypothesis after the events, shape (h,)."""
    p = (chain.prior if prior is None else prior) * likelihood(chain, events, blend)
    return np.asarray(p / p.sum())


def mended_by(events: Sequence[Event]) -> frozenset[str]:
    return frozenset(e.link for e in events if isinstance(e, Repair))


def link_chances(chain: Chain, p: Array, mended: frozenset[str] = frozenset()) -> Array:
    """Probability that each link is bad and not mended, shape (l,); sums to 1 or more."""
    chances = p @ chain.sets.astype(np.float64)
    chances[[chain.index[x] for x in mended]] = 0.0
    return np.asarray(chances)


# --- choice of the next test -----------------------------------------------------------------


@dataclass(frozen=True)
class Choice:
    """What could be asked next: one test, or several the board takes in one crank.

    `bits` expected from all of them together; `minutes` they cost.
    """

    tests: tuple[Test, ...]
    bits: float
    minutes: float
    again: bool = False

    @property
    def score(self) -> float:
        return self.bits / self.minutes

    @property
    def hazard(self) -> int:
        return max(test.hazard for test in self.tests)


def closed_tests(chain: Chain, events: Sequence[Event]) -> set[str]:
    """Tests not to be asked: answered, cannot be done, or the same thing was seen by other means.

    A repair reopens the answered tests that see the mended link.
    """
    cannot: set[str] = set()
    seen: set[str] = set()
    for event in events:
        if isinstance(event, Repair):
            seen = {name for name in seen if event.link not in chain.tests[name].bad}
        elif event.outcome is None:
            cannot.add(event.test)
        else:
            seen |= {event.test, *chain.tests[event.test].same} & chain.tests.keys()
    spark = {
        event.test: event.outcome < 2
        for event, before in standing(events)
        if isinstance(event, Answer) and event.outcome is not None and before == mended_by(events)
    }
    early = {
        name for name, test in chain.tests.items()
        if test.needs and not any(spark.get(need, False) for need in test.needs)
    }  # fmt: skip
    return cannot | seen | early


def paid_setups(chain: Chain, events: Sequence[Event]) -> frozenset[str]:
    """Set-ups already made for an answered test."""
    return frozenset(
        setup
        for event in events
        if isinstance(event, Answer) and event.outcome is not None
        for setup in chain.tests[event.test].setups
    )


def expected_bits(table: Array, p: Array) -> float:
    """Mutual information between a test's outcome and the hypothesis, bits."""
    mean = p @ table
    return max(0.0, _entropy(mean) - float(p @ _entropies(table)))


def outcome_table(
    chain: Chain, events: Sequence[Event], tests: Sequence[Test], before: Array | None = None
) -> Array:
    """Chance of each combination of outcomes of some tests, given hypothesis and events.

    Args:
        before: `likelihood` of the events, if known.
    Returns:
        Shape (h, product of the numbers of outcomes); rows sum to 1.
    """
    mended = mended_by(events)
    seen = _seen([(e, m) for e, m in standing(events) if m == mended])
    if not any(t.id in chain.tests[name].after for t in tests for name, _ in seen):
        # Nothing answered lies further down the signal: each depends on those before it only.
        grown = [(seen, np.ones(len(chain.sets)))]
        for test in tests:
            grown = [
                ({**known, (test.id, mended): k}, column * table[:, k])
                for known, column in grown
                for table in [
                    chain.table(test.id, mended, _upstream(chain, test.id, mended, known))
                    @ test.reading
                ]
                for k in range(len(test.outcomes))
            ]
        return np.stack([column for _, column in grown], axis=1)
    before = likelihood(chain, events) if before is None else before
    columns = [
        likelihood(
            chain,
            [*events, *(Answer(t.id, k) for t, k in zip(tests, outcomes, strict=True))],
        )
        for outcomes in product(*(range(len(t.outcomes)) for t in tests))
    ]
    table = np.stack(columns, axis=1) / np.maximum(before, 1e-300)[:, None]
    return np.asarray(table / table.sum(axis=1, keepdims=True))


def choices(chain: Chain, events: Sequence[Event]) -> list[Choice]:
    """All that may still be asked, most bits per minute first.

    Besides each test alone: board tests on different inputs together, since one crank shows them.
    """
    before = likelihood(chain, events)
    p = chain.prior * before / (chain.prior @ before)
    closed, paid = closed_tests(chain, events), paid_setups(chain, events)
    left = [test for name, test in chain.tests.items() if name not in closed]
    groups: list[tuple[Test, ...]] = [(test,) for test in left]
    inputs: dict[str, list[Test]] = {}
    for test in left:
        if test.input:
            inputs.setdefault(test.input, []).append(test)
    if len(inputs) > 1:
        groups += product(*inputs.values())
    found = [
        Choice(
            group,
            expected_bits(outcome_table(chain, events, group, before), p),
            chain.cost(group, paid),
        )
        for group in groups
    ]
    return sorted(found, key=lambda c: -c.score)


def safest(found: Sequence[Choice]) -> Choice:
    """The best choice, but never one for which a safer one tells as much.

    Args:
        found: sorted best first, not empty.
    """
    best = found[0]
    while True:
        safer = [c for c in found if c.hazard < best.hazard and c.bits >= best.bits]
        if not safer:
            return best
        best = safer[0]


def next_test(chain: Chain, events: Sequence[Event], sure: float = SURE) -> Choice | None:
    """What to ask next, or None when the search is over.

    Order: tests marked first (air, then fuel); an answer that contradicts the others, once more;
    then the most bits per minute unless a safer test tells as much. None when one link has
    reached `sure`, or when no test left tells anything.
    """
    found = choices(chain, events)
    if not mended_by(events):
        for choice in found:
            if choice.tests[0].first:
                return choice
    checked = {e.test for e in events if isinstance(e, Answer) and e.again}

    def once_more(name: str) -> Choice:
        tests = (chain.tests[name],)
        cost = chain.cost(tests, paid_setups(chain, events))
        return Choice(tests, math.nan, cost, again=True)

    doubt = contradiction(chain, events)
    if doubt is not None and doubt.suspects[0] not in checked:
        return once_more(doubt.suspects[0])
    p = belief(chain, events)
    chances = link_chances(chain, p, mended_by(events))
    found = [c for c in found if c.bits >= LEAST_BITS]
    if float(chances[: chain.listed].max()) >= sure:
        decides = deciding(chain, events, chain.links[int(chances.argmax())].id)
        return once_more(decides) if decides and decides not in checked else None
    if max(float(p[-1]), float(chances[chain.listed :].sum())) >= sure:
        return None
    if found:
        return safest(found)
    # Nothing new tells enough: what the leading link rests on may be looked at again.
    decides = deciding(chain, events, chain.links[int(chances[: chain.listed].argmax())].id)
    return once_more(decides) if decides and decides not in checked else None


def deciding(chain: Chain, events: Sequence[Event], link: str) -> str | None:
    """The test whose answer alone makes a link sure; None: there is none such."""
    mended, i = mended_by(events), chain.index[link]
    least: tuple[float, str | None] = (DECIDING, None)
    for event, _ in standing(events):
        if isinstance(event, Answer) and event.outcome is not None:
            rest = [e for e in events if not (isinstance(e, Answer) and e.test == event.test)]
            left = float(link_chances(chain, belief(chain, rest), mended)[i])
            least = min(least, (left, event.test), key=lambda x: x[0])
    return least[1]


# --- contradiction ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Contradiction:
    """Answers that do not go together.

    `slip`, probability that at least one answer was taken wrong; `suspects`, tests to look at
    again, most likely wrong first, with `slips`, their probabilities; `two`, probability that two
    links are bad, which would explain it.
    """

    slip: float
    suspects: tuple[str, ...]
    slips: tuple[float, ...]
    two: float


def contradiction(chain: Chain, events: Sequence[Event]) -> Contradiction | None:
    """Whether some answer was more likely taken wrong than not, given all of them together.

    The chance of the whole set of answers, over all hypotheses, is compared with the chance of
    the same set and that answer taken right.
    """
    kept = [e for e, _ in standing(events)]
    answers = [e for e in kept if isinstance(e, Answer) and e.outcome is not None]
    if len(answers) < 2:
        return None
    whole = float(chain.prior @ likelihood(chain, kept))

    def slip(trusted: Callable[[Answer], bool]) -> float:
        return 1 - float(chain.prior @ likelihood(chain, kept, trusted=trusted)) / whole

    found: dict[str, float] = {}
    for answer in answers:
        one = slip(lambda e, answer=answer: e is answer)  # type: ignore[misc]
        found[answer.test] = max(found.get(answer.test, 0.0), one)
    most = max(found.values())
    if most < SLIP:
        return None
    suspects = sorted((x for x in found if found[x] >= 0.2 * most), key=lambda x: -found[x])
    p = belief(chain, events)
    return Contradiction(
        slip(lambda _: True), tuple(suspects), tuple(found[x] for x in suspects),
        float(p[chain.sets.sum(axis=1) == 2].sum()),
    )  # fmt: skip


# --- result ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Result:
    """What the search comes to.

    kind: "link", one link, with probability `sure` and its deciding answer seen twice; "likely",
    a link short of that; "nothing", "unlisted", "fleeting": more likely than any one link.
    `link` is the most likely one, `chance` of the kind.
    """

    kind: str
    link: str
    chance: float
    sure: bool


def result(chain: Chain, events: Sequence[Event], sure: float = SURE) -> Result:
    """What the search comes to so far."""
    p = belief(chain, events)
    chances = link_chances(chain, p, mended_by(events))[: chain.listed]
    best = int(chances.argmax())
    link, top = chain.links[best].id, float(chances[best])
    comes_and_goes = float(p[chain.fleeting].sum())
    shown = {link for test in chain.tests.values() for link in test.bad}
    rest = {x.id: float(p[chain.index[x.id]]) for x in chain.links[chain.listed :]}
    unlisted = sum(chance for link, chance in rest.items() if link in shown)
    nothing = float(p[-1]) + sum(rest.values()) - unlisted  # no test could show it
    checked = {e.test for e in events if isinstance(e, Answer) and e.again}
    name = deciding(chain, events, link) if top >= sure else None
    if comes_and_goes >= 0.5:
        return Result("fleeting", link, comes_and_goes, False)
    if top >= sure and (name is None or name in checked):
        return Result("link", link, top, True)
    kind, chance = max(
        (("nothing", nothing), ("unlisted", unlisted), ("likely", top)), key=lambda x: x[1]
    )
    return Result(kind, link, chance, False)


@dataclass(frozen=True)
class Reason:
    """An answer and how many bits it speaks for (or against) the named link, all else given."""

    event: Event
    bits: float


@dataclass(frozen=True)
class Finding:
    """The result so far.

    `chance` of the named link, with `low` and `high` over other beliefs to start from (see
    `robustness`); `others`, (link, chance) of those that remain, most likely first; `agree`, part
    of those other beliefs that name the same link; `evens`, the link named when all links are
    equally likely to start with, and its chance.
    """

    link: Link
    chance: float
    low: float
    high: float
    agree: float
    evens: tuple[Link, float]
    others: tuple[tuple[Link, float], ...]
    reasons: tuple[Reason, ...]
    confirm: Test | None
    two: float
    contradiction: Contradiction | None


def robustness(
    chain: Chain, events: Sequence[Event], link: str, draws: int = 300
) -> tuple[float, float, float]:
    """5 % and 95 % points of a link's chance over other beliefs, and how often it stays first.

    Each draw multiplies every link's odds by a log-normal factor (standard deviation ln 2, so
    nine in ten within a factor of 3) and blends every answer's likelihoods with up to 10 %
    of "says nothing", as a less careful tester would deserve. Same draws every time.
    """
    rng = np.random.default_rng(6)
    mended = mended_by(events)
    odds = np.array([x.odds for x in chain.links])
    i, found, first = chain.index[link], np.empty(draws), 0
    for k in range(draws):
        prior = chain.prior_with(odds * np.exp(rng.normal(0.0, math.log(2.0), len(odds))))
        p = belief(chain, events, prior, float(rng.uniform(0.0, 0.10)))
        chances = link_chances(chain, p, mended)
        found[k], first = chances[i], first + int(chances.argmax() == i)
    low, high = np.quantile(found, [0.05, 0.95])
    return float(low), float(high), first / draws


def finding(chain: Chain, events: Sequence[Event], draws: int = 300) -> Finding:
    """What the events say: the most likely link, why, and how to confirm it."""
    p, mended = belief(chain, events), mended_by(events)
    chances = link_chances(chain, p, mended)
    order = np.argsort(-chances, kind="stable")
    named = chain.links[int(order[0])]
    low, high, agree = robustness(chain, events, named.id, draws)
    flat = chain.prior_with(np.ones(len(chain.links)))
    even = link_chances(chain, belief(chain, events, flat), mended)
    others = tuple(
        (chain.links[int(i)], float(chances[i])) for i in order[1:6] if chances[i] >= 0.005
    )
    return Finding(
        named, float(chances[order[0]]), low, high, agree,
        (chain.links[int(even.argmax())], float(even.max())), others,
        reasons(chain, events, named.id), confirming_test(chain, events, named.id),
        float(p[chain.sets.sum(axis=1) == 2].sum()), contradiction(chain, events),
    )  # fmt: skip


def reasons(chain: Chain, events: Sequence[Event], link: str) -> tuple[Reason, ...]:
    """Every answer with its weight for one link, strongest first.

    Weight of evidence, log2 of the change it makes to the link's odds when all other answers are
    known (I. J. Good, 1950).
    """
    kept, mended, i = [e for e, _ in standing(events)], mended_by(events), chain.index[link]
    after = _log_odds(float(link_chances(chain, belief(chain, kept), mended)[i]))
    found = []
    for event in kept:
        if isinstance(event, Answer) and event.outcome is None:
            continue
        rest = belief(chain, [e for e in kept if e is not event])
        found.append(Reason(event, after - _log_odds(float(link_chances(chain, rest, mended)[i]))))
    return tuple(sorted(found, key=lambda r: -abs(r.bits)))


def confirming_test(chain: Chain, events: Sequence[Event], link: str) -> Test | None:
    """The test not yet asked that best tells this link from the others that remain, if any."""
    closed = closed_tests(chain, events)
    p, bad = belief(chain, events), chain.sets[:, chain.index[link]]
    best: tuple[float, Test] | None = None
    for name, test in chain.tests.items():
        if name in closed or link not in test.bad or p[bad].sum() <= 0 or p[~bad].sum() <= 0:
            continue
        table = outcome_table(chain, events, (test,))
        two = np.stack([p[row] @ table[row] / p[row].sum() for row in (bad, ~bad)])
        bits = expected_bits(two, np.array([0.5, 0.5]))
        narrow = len([x for x in test.bad if x in chain.index]) <= 3
        worth = bits * (2.0 if narrow else 1.0)
        if bits > 0.1 and (best is None or worth > best[0]):
            best = (worth, test)
    return best[1] if best else None


# --- stored runs -----------------------------------------------------------------------------

FORMAT, VERSION = "sparkwitness fault finding", 1


@dataclass(frozen=True)
class Run:
    """One fault-finding run as it is stored; the finding is computed from it, never stored.

    `engine`: what the live tests were told of the engine, as plain values.
    """

    variant: Variant
    board: bool
    events: tuple[Event, ...] = ()
    odds: Mapping[str, float] = field(default_factory=dict)
    minutes: Mapping[str, float] = field(default_factory=dict)
    sure: float = SURE
    second: float = SECOND_FAULT
    started: str = ""
    engine: Mapping[str, Any] = field(default_factory=dict)

    def chain(self) -> Chain:
        return chain_of(
            self.variant, board=self.board, odds=self.odds, minutes=self.minutes,
            second=self.second,
        )  # fmt: skip

    def with_event(self, event: Event) -> Run:
        return replace(self, events=(*self.events, event))


def run_to_dict(run: Run) -> dict[str, Any]:
    """A run as JSON-ready data."""
    events = [
        {"kind": "answer", "test": e.test,
         "outcome": None if e.outcome is None else model()["tests"][e.test]["outcomes"][e.outcome],
         "reading": e.reading, "how": e.how, "time": e.time, "again": e.again}
        if isinstance(e, Answer)
        else {"kind": "repair", "link": e.link, "starts": e.starts, "time": e.time}
        for e in run.events
    ]  # fmt: skip
    return {
        "format": FORMAT, "version": VERSION, "started": run.started,
        "ignition": {kind: getattr(run.variant, kind) for kind in KINDS},
        "board": run.board, "sure": run.sure, "second": run.second,
        "odds": dict(run.odds), "minutes": dict(run.minutes), "engine": dict(run.engine),
        "events": events,
    }  # fmt: skip


def run_from_dict(data: Any) -> Run:
    """A run from stored data.

    Raises:
        ValueError: it is not such a run, or a newer version, or something in it cannot be.
    """
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise ValueError("it is not a stored fault-finding run")
    if data.get("version") != VERSION:
        raise ValueError(f"it is of version {data.get('version')}, this program reads {VERSION}")
    try:
        run = Run(
            variant_of(**data["ignition"]), bool(data["board"]), (),
            {str(k): float(v) for k, v in data["odds"].items()},
            {str(k): float(v) for k, v in data["minutes"].items()},
            float(data["sure"]), float(data["second"]), str(data["started"]), dict(data["engine"]),
        )  # fmt: skip
        if not 0.5 <= run.sure < 1:
            raise ValueError(f"it wants to be sure at {run.sure:g}, which must be 0.5 to 0.999")
        chain = run.chain()
        for row in data["events"]:
            run = run.with_event(_event_from(chain, row))
    except (KeyError, TypeError, AttributeError, OverflowError) as error:
        raise ValueError(f"part of it is missing or damaged ({error})") from None
    return run


def _event_from(chain: Chain, row: Mapping[str, Any]) -> Event:
    if row["kind"] == "repair":
        if row["link"] not in chain.index:
            raise ValueError(f"this ignition has no link '{row['link']}'")
        return Repair(row["link"], bool(row["starts"]), str(row["time"]))
    if row["test"] not in chain.tests:
        raise ValueError(f"this ignition has no test '{row['test']}'")
    outcomes = chain.tests[row["test"]].outcomes
    if row["outcome"] is not None and row["outcome"] not in outcomes:
        raise ValueError(f"{row['test']} has no outcome '{row['outcome']}'")
    outcome = None if row["outcome"] is None else outcomes.index(row["outcome"])
    reading = None if row["reading"] is None else float(row["reading"])
    return Answer(
        row["test"], outcome, reading, str(row["how"]), str(row["time"]), bool(row["again"])
    )


def _entropy(p: Array) -> float:
    return float(-np.sum(p * np.log2(np.where(p > 0, p, 1.0))))


def _entropies(table: Array) -> Array:
    return np.asarray(-np.sum(table * np.log2(np.where(table > 0, table, 1.0)), axis=1))


def _log_odds(p: float) -> float:
    p = min(max(p, 1e-12), 1 - 1e-12)
    return math.log2(p / (1 - p))


def started(run: Run) -> bool:
    """A repair of this run made the engine start."""
    return any(isinstance(e, Repair) and e.starts for e in run.events)


def chances(chain: Chain, run: Run) -> Any:
    """Probability of each link of the chain to be bad now, float64[links]."""
    return link_chances(chain, belief(chain, run.events), mended_by(run.events))


def open_bits(chain: Chain, run: Run) -> float:
    """Entropy of what is believed now, bits."""
    p = belief(chain, run.events)
    return float(-(p[p > 0] * np.log2(p[p > 0])).sum())
