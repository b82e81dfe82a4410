"""Which test to ask next, which answers do not go together, and which one decides.

Sources:
- choice of the next test: expected information (J. de Kleer and B. C. Williams, Artificial
  Intelligence 32, 1987) over its cost in minutes (J. Kalagnanam and M. Henrion, UAI 1988, divide
  the other way round: cost over probability);
- contradiction: log2(P(e1) P(e2) ... / P(e1, e2 ...)) well above 0 (F. V. Jensen, B. Chamberlain,
  T. Nordahl and F. Jensen, UAI 1990).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import product
from operator import is_

import numpy as np

from sparkwitness.fault.belief import (
    belief,
    likelihood,
    link_chances,
    mended_by,
    no_link,
    outcomes_seen,
    standing,
    untested,
    upstream,
)
from sparkwitness.fault.chain import (
    SURE,
    Answer,
    Array,
    Chain,
    Event,
    Repair,
    Test,
)

LEAST_BITS = 0.16
"""A test expected to tell less than this is not worth asking."""


LEAST_AGAIN = 0.16
"""The same of a second look."""


NEAR = 0.8
"""Probability of a link from which on a second look that would make it sure is asked for."""


ENOUGH = 0.9
"""Probability of "nothing", or of "not in the list", at which no more is asked."""


PLAUSIBLE = 0.03
"""A link less likely than this may stay untested."""


CHEAP = 20.0
"""Minutes that a test may cost which is asked so that a plausible link is not left untested."""


QUICK = 10.0
"""The same, where something is known to be wrong."""


DECIDING = 0.8
"""An answer without which the named link falls below this decides, and is asked for twice."""


TRUST = 0.4
"""Slips by which the table outweighs what one search shows of a tester's care."""


SLIP = 0.68
"""Probability that an answer was taken wrong, above which it is asked for again."""


SUSPECT = 0.1
"""Answers this likely wrong, against the one that is most likely wrong, are to be looked at too."""


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


def expected_bits(joint: Array) -> float:
    """Mutual information of a table of joint chances that sums to 1, bits."""
    both = _entropy(joint.sum(axis=1)) + _entropy(joint.sum(axis=0))
    return max(0.0, both - _entropy(joint))


def ends(chain: Chain, p: Array, mended: frozenset[str] = frozenset()) -> Array:
    """What the search would come to under each hypothesis, shape (ends, h), one 1 in each column.

    Ends: each listed link, "comes and goes", "not in the list", "nothing". Of two bad links the
    likelier one would be named: to tell whether the other is bad too is worth no test before
    the first is mended.
    """
    left = chain.sets[:, : chain.listed].copy()
    left[:, [chain.index[x] for x in mended]] = False
    chances = link_chances(chain, p, mended)[: chain.listed].round(9)  # equals: the first of them
    end = np.where(left, chances, -np.inf).argmax(axis=1)
    end[~left.any(axis=1)] = chain.listed + 2
    end[chain.fleeting] = chain.listed
    end[chain.shown] = chain.listed + 1
    return np.asarray(end == np.arange(chain.listed + 3)[:, None], dtype=np.float64)


def outcome_table(chain: Chain, events: Sequence[Event], tests: Sequence[Test]) -> Array:
    """Chance of each combination of outcomes of some tests, given hypothesis and events.

    Returns:
        Shape (h, product of the numbers of outcomes); rows sum to 1.
    """
    mended = mended_by(events)
    seen = outcomes_seen([(e, m) for e, m in standing(events) if m == mended])
    if not any(t.id in chain.tests[name].after for t in tests for name, _ in seen):
        # Nothing answered lies further down the signal: each depends on those before it only.
        grown = [(seen, np.ones(len(chain.sets)))]
        for test in tests:
            grown = [
                ({**known, (test.id, mended): k}, column * table[:, k])
                for known, column in grown
                for table in [
                    chain.table(test.id, mended, upstream(chain, test.id, mended, known))
                    @ test.reading
                ]
                for k in range(len(test.outcomes))
            ]
        return np.stack([column for _, column in grown], axis=1)
    return _shares([
        likelihood(
            chain,
            [*events, *(Answer(t.id, k) for t, k in zip(tests, outcomes, strict=True))],
        )
        for outcomes in product(*(range(len(t.outcomes)) for t in tests))
    ])  # fmt: skip


def _shares(columns: Sequence[Array]) -> Array:
    """Side by side, each row in shares of its sum; what cannot be at all has none."""
    table = np.stack(columns, axis=1)
    total = table.sum(axis=1, keepdims=True)
    return np.asarray(np.divide(table, total, out=np.zeros_like(table), where=total > 0))


def choices(chain: Chain, events: Sequence[Event]) -> list[Choice]:
    """All that may still be asked, most bits per minute first.

    Besides each test alone: board tests on different inputs together, since one crank shows them.
    """
    before = likelihood(chain, events)
    p = chain.prior * before / (chain.prior @ before)
    closed, paid = closed_tests(chain, events), paid_setups(chain, events)
    left = [test for name, test in chain.tests.items() if name not in closed]
    each = ends(chain, p, mended_by(events)) * p
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
            expected_bits(each @ outcome_table(chain, events, group)),
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
    then the most bits per minute unless a safer test tells as much; then what could still show a
    plausible link; then second looks. None when one link has reached `sure` and all that it
    hinges on was seen twice, or when nothing left tells enough or "nothing" or "not in the list"
    is likely enough, and no plausible link is left that a cheap test could show.
    """
    found = choices(chain, events)
    if not mended_by(events):
        for choice in found:
            if choice.tests[0].first:
                return choice
    checked = {e.test for e in events if isinstance(e, Answer) and e.again}

    def once_more(name: str) -> Choice:
        tests = (chain.tests[name], *heard_with(chain, events, name))
        cost = chain.cost(tests, paid_setups(chain, events))
        return Choice(tests, math.nan, cost, again=True)

    doubt = contradiction(chain, events)
    if doubt is not None and doubt.suspects[0] not in checked:
        return once_more(doubt.suspects[0])
    p = belief(chain, events)
    chances = link_chances(chain, p, mended_by(events))[: chain.listed]
    if float(chances.max()) >= sure:
        leads, top, careless = leading(chain, events)
        decides = deciding(chain, events, leads, checked, careless)
        if decides or top >= sure:
            return once_more(decides) if decides else None
    enough = max(float(p[-1]), float(p[chain.shown].sum())) >= ENOUGH
    telling = [c for c in found if c.bits >= LEAST_BITS and not enough]
    if telling:
        return safest(telling)
    left = overlooked(chain, events, found)
    if left or enough:
        return left
    looks = [c for c in second_looks(chain, events) if c.bits >= LEAST_AGAIN]
    best = max(looks, key=lambda c: c.score, default=None)
    if best is None and float(chances.max()) >= NEAR:
        leads, _, careless = leading(chain, events)
        decides = deciding(chain, events, leads, checked, careless)
        last = [e for e in events if isinstance(e, Answer) and e.test == decides]
        if decides:
            told = leading(chain, [*events, replace(last[-1], again=True)])
            return once_more(decides) if told[:1] == (leads,) and told[1] >= sure else None
    return once_more(best.tests[0].id) if best else None


def heard_with(chain: Chain, events: Sequence[Event], name: str) -> tuple[Test, ...]:
    """Board tests answered once that a second crank for `name` takes again at no cost."""
    twice = {e.test for e in events if isinstance(e, Answer) and e.again}
    inputs = {chain.tests[name].input: chain.tests[name]} if chain.tests[name].input else {}
    for event, mended in reversed(standing(events) if inputs else ()):
        if isinstance(event, Answer) and event.outcome is not None and mended == mended_by(events):
            test = chain.tests[event.test]
            if test.input and test.id not in twice:
                inputs.setdefault(test.input, test)
    return tuple(test for test in inputs.values() if test.id != name)


def overlooked(chain: Chain, events: Sequence[Event], found: Sequence[Choice]) -> Choice | None:
    """The best of the cheap tests in `found` that would show a plausible link never looked at.

    Where it looks as if nothing were wrong. However little it tells, for the link is not likely:
    without it "nothing" would be said as if the link had been looked at. None: there is none such.
    """
    p, mended = belief(chain, events), mended_by(events)
    seen = outcomes_seen([(e, m) for e, m in standing(events) if m == mended])
    chances = link_chances(chain, p, mended)[: chain.listed]
    nothing, unlisted, _ = no_link(chain, p)
    most = CHEAP if nothing > max(float(chances.max()), unlisted) else QUICK
    blind = [
        i for i in (chain.index[x.id] for x in untested(chain, events, None))
        if chances[i] >= PLAUSIBLE
    ]  # fmt: skip

    def shows(test: Test) -> bool:
        table = chain.table(test.id, mended, upstream(chain, test.id, mended, seen))
        return any(
            np.abs(table[i] - table[-1]).sum() >= 1.0
            for i in blind if chain.links[i].id in test.bad
        )  # fmt: skip

    cheap = [c for c in found if len(c.tests) == 1 and c.minutes <= most and shows(c.tests[0])]
    best = max(cheap, key=lambda c: c.score, default=None)
    return safest([best, *found]) if best else None


def second_looks(chain: Chain, events: Sequence[Event]) -> list[Choice]:
    """Tests answered once since the last repair, and what they would tell when asked again."""
    mended, before = mended_by(events), likelihood(chain, events)
    p = chain.prior * before / (chain.prior @ before)
    each, paid = ends(chain, p, mended) * p, paid_setups(chain, events)
    given = [e for e in events if isinstance(e, Answer)]
    twice = {e.test for e in given if e.again}
    now = {e.test for e, m in standing(events) if isinstance(e, Answer) and m == mended}
    found = []
    for name in dict.fromkeys(e.test for e in given if e.outcome is not None):
        if name in now - twice:
            test = chain.tests[name]
            table = _shares([
                likelihood(chain, [*events, Answer(name, k, again=True)])
                for k in range(len(test.outcomes))
            ])  # fmt: skip
            cost = chain.cost((test,), paid)
            found.append(Choice((test,), expected_bits(each @ table), cost, again=True))
    return found


def leading(chain: Chain, events: Sequence[Event]) -> tuple[str, float, float]:
    """The likeliest link, its probability, and how careless the tester is taken for.

    Answers that do not go together, or change at a second look, speak of more wrong ones that
    nobody noticed: the slips to be expected from all answers, against those of the table, with
    one slip's worth of trust in the table (empirical Bayes; never more careful than the table).
    """
    slips = _slips(chain, [e for e, _ in standing(events)])
    known = sum(chain.tests[answer.test].misread for answer, _ in slips)
    careless = round(max(1.0, (TRUST + sum(x for _, x in slips)) / (TRUST + known)), 1)
    p = belief(chain, events, careless=careless)
    chances = link_chances(chain, p, mended_by(events))[: chain.listed]
    best = chances.argmax()
    return chain.links[best].id, float(chances[best]), careless


def deciding(
    chain: Chain,
    events: Sequence[Event],
    link: str,
    checked: Collection[str] = (),
    careless: float = 1.0,
) -> str | None:
    """The test, not `checked`, whose answer alone makes a link sure; None: there is none such."""
    mended, i = mended_by(events), chain.index[link]
    least: tuple[float, str | None] = (DECIDING, None)
    tests = {e.test for e, _ in standing(events) if isinstance(e, Answer) and e.outcome is not None}
    for test in sorted(tests.difference(checked)):
        rest = [e for e in events if not (isinstance(e, Answer) and e.test == test)]
        left = link_chances(chain, belief(chain, rest, careless=careless), mended)[i]
        least = min(least, (float(left), test), key=lambda x: x[0])
    return least[1]


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
    slips = _slips(chain, kept)
    found: dict[str, float] = {}
    for answer, one in slips:
        found[answer.test] = max(found.get(answer.test, 0.0), one)
    if len(slips) < 2 or (most := max(found.values())) < SLIP:
        return None
    suspects = sorted((x for x in found if found[x] >= SUSPECT * most), key=lambda x: -found[x])
    p = belief(chain, events)
    whole = float(chain.prior @ likelihood(chain, kept))
    right = float(chain.prior @ likelihood(chain, kept, trusted=lambda _: True))
    return Contradiction(
        1 - right / whole, tuple(suspects), tuple(found[x] for x in suspects),
        float(p[chain.sets.sum(axis=1) == 2].sum()),
    )  # fmt: skip


def _slips(chain: Chain, kept: Sequence[Event]) -> list[tuple[Answer, float]]:
    """Each answer with the probability that it was taken wrong, given all of them together."""
    whole = float(chain.prior @ likelihood(chain, kept))
    return [
        (e, 1 - float(chain.prior @ likelihood(chain, kept, trusted=partial(is_, e))) / whole)
        for e in kept if isinstance(e, Answer) and e.outcome is not None
    ]  # fmt: skip


def _entropy(p: Array) -> float:
    p = p[p > 0]
    return float(-np.sum(p * np.log2(p)))
