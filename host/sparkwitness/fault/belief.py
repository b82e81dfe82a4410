"""What answers and repairs say about the links: probabilities of all hypotheses.

A repair after which the engine still does not start: D. Heckerman, J. S. Breese and K. Rommelse,
Communications of the ACM 38(3), 1995.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from sparkwitness.fault.chain import (
    FAILED_REPAIR,
    Answer,
    Array,
    Chain,
    Event,
    Link,
    Repair,
)

STICKS = 0.3
"""Chance that one who looks again makes the same mistake again; common practice, no source."""


LITTLE = 0.33
"""Factor on a link's odds above which what the answers say for the link is too little."""


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
    careless: float = 1.0,
) -> Array:
    """Chance of all events under each hypothesis, shape (h,).

    Args:
        blend: part of each answer's chance that says nothing, 0 to 1: a less careful tester.
        trusted: answers that were surely taken right: the chance is of that as well.
        careless: times the table's chances of a wrong answer.
    """
    chance = np.ones(len(chain.sets))
    for each in factors(chain, events, blend, trusted, careless).values():
        chance = chance * each
    return chance


def factors(
    chain: Chain,
    events: Sequence[Event],
    blend: float = 0.0,
    trusted: Callable[[Answer], bool] = lambda _: False,
    careless: float = 1.0,
) -> dict[tuple[str, frozenset[str]], Array]:
    """The parts of `likelihood`: of each repair and of all answers to one test between repairs.

    Keyed by link or test, and the links mended before.
    """
    kept = standing(events)
    seen = outcomes_seen(kept)
    found: dict[tuple[str, frozenset[str]], Array] = {}
    answers: dict[tuple[str, frozenset[str]], list[Answer]] = {}
    for event, mended in kept:
        if isinstance(event, Repair):
            left = chain.sets.copy()
            left[:, [chain.index[x] for x in mended | {event.link}]] = False
            right = left.any(axis=1) != event.starts
            each = np.where(right, 1.0 - FAILED_REPAIR, FAILED_REPAIR)
            key = (event.link, mended)
            found[key] = found.get(key, 1.0) * ((1 - blend) * each + blend / 2)
        elif event.outcome is not None:
            answers.setdefault((event.test, mended), []).append(event)
    for (test, mended), given in answers.items():
        up = upstream(chain, test, mended, seen)
        said = tuple((e.outcome, trusted(e)) for e in given)
        each = _of_answers(chain, test, mended, up, said, careless)
        nothing = len(chain.tests[test].outcomes) ** -len(given)
        found[test, mended] = (1 - blend) * each + blend * nothing if blend else each
    return found


def _of_answers(
    chain: Chain,
    test: str,
    mended: frozenset[str],
    up: tuple[str, int] | None,
    said: tuple[tuple[int | None, bool], ...],
    careless: float,
) -> Array:
    """Chance of what was `said` of one test, in turn, under each hypothesis, shape (h,)."""
    key = (test, mended, up, said, careless)
    if key not in chain.known:
        table = chain.table(test, mended, up)
        looks = [k for k, _ in said]
        reading = chain.tests[test].reading_by(careless)
        rows = [_read(reading, looks[:i], k, sure) for i, (k, sure) in enumerate(said)]
        each = table @ np.prod(rows, axis=0)
        # What comes and goes may be there at one look and not at the next.
        each[chain.fleeting] = np.prod([table[chain.fleeting] @ row for row in rows], axis=0)
        chain.known[key] = each
    return chain.known[key]


def _read(reading: Array, before: Sequence[int | None], k: int | None, trusted: bool) -> Array:
    """Chance of answer `k` given what there was to see, shape (outcomes,)."""
    assert k is not None
    chance = reading[:, k]
    if trusted:
        return np.where(np.arange(len(chance)) == k, chance, 0.0)
    if before:
        slipped = np.arange(len(chance)) != before[-1]
        again = STICKS * float(k == before[-1]) + (1 - STICKS) * chance
        chance = np.where(slipped, again, chance)
    return np.asarray(chance)


_Seen = dict[tuple[str, frozenset[str]], int | None]


def outcomes_seen(kept: Sequence[tuple[Event, frozenset[str]]]) -> _Seen:
    """Each test's outcome; None where two looks at it differ."""
    seen: _Seen = {}
    for e, mended in kept:
        if isinstance(e, Answer) and e.outcome is not None:
            key = (e.test, mended)
            seen[key] = e.outcome if seen.get(key, e.outcome) == e.outcome else None
    return seen


def upstream(
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
    chain: Chain,
    events: Sequence[Event],
    prior: Array | None = None,
    blend: float = 0.0,
    careless: float = 1.0,
) -> Array:
    """Probability of each hypothesis after the events, shape (h,)."""
    p = chain.prior if prior is None else prior
    p = p * likelihood(chain, events, blend, careless=careless)
    return np.asarray(p / p.sum())


def mended_by(events: Sequence[Event]) -> frozenset[str]:
    return frozenset(e.link for e in events if isinstance(e, Repair))


def link_chances(chain: Chain, p: Array, mended: frozenset[str] = frozenset()) -> Array:
    """Probability that each link is bad and not mended, shape (l,); sums to 1 or more."""
    chances = p @ chain.sets.astype(np.float64)
    chances[[chain.index[x] for x in mended]] = 0.0
    return np.asarray(chances)


def no_link(chain: Chain, p: Array) -> tuple[float, float, float]:
    """Probabilities that nothing is wrong, that it is not in the list, that it comes and goes.

    What is not in the list and no test could show counts as nothing.
    """
    unlisted = float(p[chain.shown].sum())
    nothing = float(p[-1] + p[chain.listed : len(chain.links)].sum()) - unlisted
    return nothing, unlisted, float(p[chain.fleeting].sum())


def untested(chain: Chain, events: Sequence[Event], beside: str | None) -> tuple[Link, ...]:
    """Listed links of which the answers say little: their odds have not fallen to `LITTLE`.

    Args:
        beside: the link that is taken for bad; None: none is.
    """
    said = np.ones(len(chain.sets))
    for (name, _), each in factors(chain, events).items():
        if name in chain.tests:
            said *= each
    sets = chain.sets.copy()
    sets[chain.fleeting] = False
    row = {frozenset(np.flatnonzero(bad).tolist()): k for k, bad in enumerate(sets)}
    taken = frozenset(() if beside is None else (chain.index[beside],))
    also = ((i, row.get(taken | {i})) for i in range(chain.listed) if i not in taken)
    return tuple(
        chain.links[i] for i, k in also
        if k is not None and said[k] > LITTLE * said[row[taken]]
        and chain.links[i].id not in mended_by(events)
    )  # fmt: skip
