"""What the search comes to: the link that is named, how surely, why, and how to confirm it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sparkwitness.fault.belief import (
    belief,
    link_chances,
    mended_by,
    no_link,
    standing,
    untested,
)
from sparkwitness.fault.chain import (
    SURE,
    Answer,
    Chain,
    Event,
    Link,
    Test,
)
from sparkwitness.fault.search import (
    Contradiction,
    closed_tests,
    contradiction,
    deciding,
    expected_bits,
    leading,
    outcome_table,
)


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
    best = chances.argmax()
    link, top = chain.links[best].id, float(chances[best])
    nothing, unlisted, comes_and_goes = no_link(chain, p)
    twice = [e for e in events if isinstance(e, Answer) and e.again and e.outcome is not None]
    surely = False
    if top >= sure:
        leads, trusted, careless = leading(chain, events)
        checked = {e.test for e in twice}
        surely = (leads, trusted >= sure) == (link, True)
        surely &= deciding(chain, events, link, checked, careless) is None
    if comes_and_goes >= 0.5:
        return Result("fleeting", link, comes_and_goes, False)
    if surely:
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
    equally likely to start with, and its chance; `untested`, other links that could be bad as well
    for all that the answers say.
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
    untested: tuple[Link, ...]


def robustness(
    chain: Chain, events: Sequence[Event], link: str, draws: int
) -> tuple[float, float, float]:
    """5 % and 95 % points of a link's chance over other beliefs, and how often it stays first.

    Each draw multiplies every link's odds by a log-normal factor (standard deviation ln 2, so
    nine in ten within a factor of 3) and blends every answer's likelihoods with up to 10 %
    of "says nothing", as a less careful tester would deserve. Same draws every time.
    """
    rng = np.random.default_rng(6)
    mended = mended_by(events)
    odds = np.array([x.odds for x in chain.links])
    i, found, first = chain.index[link], np.empty(draws), np.empty(draws, np.bool_)
    for k in range(draws):
        prior = chain.prior_with(odds * rng.lognormal(sigma=math.log(2.0), size=len(odds)))
        p = belief(chain, events, prior, float(rng.uniform(0.0, 0.10)))
        chances = link_chances(chain, p, mended)
        found[k], first[k] = chances[i], chances[: chain.listed].argmax() == i
    low, high = np.quantile(found, [0.05, 0.95])
    return float(low), float(high), float(first.mean())


def finding(chain: Chain, events: Sequence[Event], draws: int = 300) -> Finding:
    """What the events say: the most likely link, why, and how to confirm it."""
    p, mended = belief(chain, events), mended_by(events)
    chances = link_chances(chain, p, mended)
    order = np.argsort(-chances, kind="stable")
    best = chances[: chain.listed].argmax()
    named = chain.links[best]
    kind = result(chain, events).kind
    low, high, agree = robustness(chain, events, named.id, draws)
    flat = chain.prior_with(np.ones(len(chain.links)))
    even = link_chances(chain, belief(chain, events, flat), mended)[: chain.listed]
    others = tuple(
        (chain.links[i], float(chances[i]))
        for i in order[:6] if i != best and chances[i] >= 0.005
    )  # fmt: skip
    return Finding(
        named, float(chances[best]), low, high, agree,
        (chain.links[even.argmax()], float(even.max())), others,
        reasons(chain, events, named.id), confirming_test(chain, events, named.id),
        float(p[chain.sets.sum(axis=1) == 2].sum()), contradiction(chain, events),
        untested(chain, events, None if kind in ("nothing", "fleeting") else named.id),
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
        bits = expected_bits(two / 2)  # as if it were even between this link and the others
        narrow = len([x for x in test.bad if x in chain.index]) <= 3
        worth = bits * (2.0 if narrow else 1.0)
        if bits > 0.1 and (best is None or worth > best[0]):
            best = (worth, test)
    return best[1] if best else None


def _log_odds(p: float) -> float:
    p = min(max(p, 1e-12), 1 - 1e-12)
    return math.log2(p / (1 - p))
