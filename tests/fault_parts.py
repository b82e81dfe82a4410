"""Ignitions of a few made-up links and tests, and what is enumerated over them with plain sums."""

import numpy as np
from scipy.stats import entropy

from sparkwitness.fault import model as ff
from sparkwitness.fault.chain import Chain, Link

VARIANT = ff.variant_of(
    switch="inductive", trigger="pickup", sensor="coil", distribution="distributor", feed="steady"
)


def link(name, odds, unlisted=False):
    return Link(name, name, odds, "", "", unlisted)


def test(name, good=(0.9, 0.1), misread=0.1, minutes=4.0, hazard=0, bad=None, **more):
    outcomes = ("fine", "poor", "bad")[: len(good)]
    return ff.Test(
        name, name, "person", hazard, minutes, outcomes, good, bad or {}, misread=misread, **more
    )


test.__test__ = False


def chain(links, *tests):
    """Links by name and odds; those with a u are not in the list."""
    made = tuple(link(n, o, n.startswith("u")) for n, o in links.items())
    return Chain(VARIANT, made, {t.id: t for t in tests}, second=0.0)


def chance(made, events):
    total = np.ones(len(made.sets))
    for e in events:
        t = made.tests[e.test]
        shown = made.table(e.test)
        total *= sum(shown[:, k] * t.reading[k, e.outcome] for k in range(shown.shape[1]))
    return total


def believed(made, events):
    p = made.prior * chance(made, events)
    return p / p.sum()


def straddles(values, limit, close=0.03):
    """There are values on either side, close to it."""
    return any(0 < v - limit < close for v in values) and any(0 < limit - v < close for v in values)


def bits(made, events, name):
    """Mutual information of the outcome and what the search comes to; each link is an end."""
    p, t = believed(made, events), made.tests[name]
    table = made.table(name) @ t.reading
    n = made.listed
    ends = [np.flatnonzero(row).tolist() for row in made.sets]
    ends = [e[0] if e and k < len(made.sets) - 1 - n else n if e else n + 1
            for k, e in enumerate(ends)]  # fmt: skip
    joint = np.zeros((n + 2, table.shape[1]))
    for e, q, row in zip(ends, p, table, strict=True):
        joint[e] += q * row
    return entropy(joint.ravel(), np.outer(joint.sum(1), joint.sum(0)).ravel(), base=2)
