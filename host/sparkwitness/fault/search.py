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
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from sparkwitness.fault.belief import (
    belief,
    likelihood,
    link_chances,
    mended_by,
    outcomes_seen,
    standing,
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

LEAST_BITS = 0.2
"""A test expected to tell less than this is not worth asking."""


ENOUGH = 0.7
"""Probability of "nothing", or of "not in the list", at which no more is asked."""


DECIDING = 0.75
"""An answer without which the named link falls below this decides, and is asked for twice."""


SLIP = 0.5
"""Probability that an answer was taken wrong, above which it is asked for again."""


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
    chances = link_chances(chain, p, mended)[: chain.listed]
    end = np.where(left, chances + 1e-9, 0.0).argmax(axis=1)
    end[~left.any(axis=1)] = chain.listed + 2
    end[chain.fleeting] = chain.listed
    end[chain.shown] = chain.listed + 1
    return np.asarray(end == np.arange(chain.listed + 3)[:, None], dtype=np.float64)


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
            expected_bits(each @ outcome_table(chain, events, group, before)),
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
    chances = link_chances(chain, p, mended_by(events))[: chain.listed]
    leads = chain.links[int(chances.argmax())].id
    if float(chances.max()) < sure:
        if max(float(p[-1]), float(p[chain.shown].sum())) >= ENOUGH:
            return None
        found = [c for c in found if c.bits >= LEAST_BITS]
        if found:
            return safest(found)
    # Sure, or nothing new tells enough: what the leading link rests on is looked at again.
    decides = deciding(chain, events, leads, checked)
    return once_more(decides) if decides else None


def deciding(
    chain: Chain, events: Sequence[Event], link: str, checked: Collection[str] = ()
) -> str | None:
    """The test, not `checked`, whose answer alone makes a link sure; None: there is none such."""
    mended, i = mended_by(events), chain.index[link]
    least: tuple[float, str | None] = (DECIDING, None)
    tests = {e.test for e, _ in standing(events) if isinstance(e, Answer) and e.outcome is not None}
    for test in sorted(tests.difference(checked)):
        rest = [e for e in events if not (isinstance(e, Answer) and e.test == test)]
        left = float(link_chances(chain, belief(chain, rest), mended)[i])
        least = min(least, (left, test), key=lambda x: x[0])
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


def _entropy(p: Array) -> float:
    return float(-np.sum(p * np.log2(np.where(p > 0, p, 1.0))))
