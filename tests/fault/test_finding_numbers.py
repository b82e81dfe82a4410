"""What a search says in numbers: each chance, weight and slip, enumerated anew with plain loops."""

from math import log2

import numpy as np
import pytest

from sparkwitness.fault import model as ff
from sparkwitness.fault import outcome, search

DISTRIBUTOR = ff.variant_of(
    switch="inductive", trigger="pickup", sensor="coil", distribution="distributor", feed="steady"
)
CHAIN = ff.chain_of(DISTRIBUTOR)


def answer(test: str, said: str) -> ff.Answer:
    return ff.Answer(test, CHAIN.tests[test].outcomes.index(said))


AGAINST = (answer("supply_walk", "at fuse or relay"), answer("clamp_plug_lead", "every firing"))
AIR = answer("air_fuel", "air and fuel are there")
FOUND = (
    AIR, answer("crank_pulses", "none"),
    answer("supply_walk", "nowhere (a ballast resistor's drop is right)"),
)  # fmt: skip


def chance(events, right=(), blend=0.0):
    """Of the answers under each hypothesis; of those in `right`, and of taking them right.

    Each test here has no other before it that was answered, so that each stands alone.
    """
    total = np.ones(len(CHAIN.sets))
    for event in events:
        test = CHAIN.tests[event.test]
        assert not {e.test for e in events} & set(test.after)
        shown = CHAIN.table(event.test)
        if event in right:
            each = shown[:, event.outcome] * (1 - test.misread)
        else:
            each = sum(shown[:, k] * test.reading[k, event.outcome] for k in range(shown.shape[1]))
        total = total * ((1 - blend) * each + blend / len(test.outcomes))
    return total


def of_links(p):
    return p / p.sum() @ CHAIN.sets.astype(float)


def test_answers_that_go_ill_together():
    """Each slip: one less the share of the answers' chance in which that one was taken right."""
    whole = float(CHAIN.prior @ chance(AGAINST))
    slips = {
        e.test: 1 - float(CHAIN.prior @ chance(AGAINST, (e,))) / whole for e in AGAINST
    }  # fmt: skip
    any_of = 1 - float(CHAIN.prior @ chance(AGAINST, AGAINST)) / whole
    found = search.contradiction(CHAIN, AGAINST)
    assert found.slip == pytest.approx(any_of)
    assert dict(zip(found.suspects, found.slips, strict=True)) == pytest.approx(slips)
    assert list(found.slips) == sorted(found.slips, reverse=True)
    p = CHAIN.prior * chance(AGAINST)
    two = sum(p[h] for h in range(len(p)) if CHAIN.sets[h].sum() == 2) / p.sum()
    assert found.two == pytest.approx(two)
    assert search.contradiction(CHAIN, AGAINST[:1]) is None


def test_a_finding_in_numbers():
    found = ff.finding(CHAIN, FOUND, draws=50)
    links = of_links(CHAIN.prior * chance(FOUND))
    order = sorted(range(len(links)), key=lambda k: -links[k])
    assert found.link.id == CHAIN.links[order[0]].id
    assert found.chance == pytest.approx(links[order[0]])
    assert [x.id for x, _ in found.others] == [
        CHAIN.links[k].id for k in order[1:6] if links[k] >= 0.005
    ]
    assert [c for _, c in found.others] == pytest.approx(
        [links[k] for k in order[1:6] if links[k] >= 0.005]
    )
    even = of_links(CHAIN.prior_with(np.ones(len(CHAIN.links))) * chance(FOUND))
    assert (found.evens[0].id, found.evens[1]) == (
        CHAIN.links[int(even.argmax())].id, pytest.approx(even.max()),
    )  # fmt: skip


def test_the_weight_of_each_answer_in_bits():
    """log2 of what it does to the odds of the link when the others are known (Good, 1950)."""
    k = CHAIN.index["pickup"]

    def odds(events) -> float:
        p = of_links(CHAIN.prior * chance(events))[k]
        return log2(p / (1 - p))

    wanted = {e.test: odds(FOUND) - odds([x for x in FOUND if x is not e]) for e in FOUND}
    found = outcome.reasons(CHAIN, FOUND, "pickup")
    assert {r.event.test: r.bits for r in found} == pytest.approx(wanted)
    sizes = [abs(r.bits) for r in found]
    assert sizes == sorted(sizes, reverse=True)
    unasked = ff.Answer("fuse_look", None)
    assert len(outcome.reasons(CHAIN, (*FOUND, unasked), "pickup")) == len(FOUND)


def test_a_links_chance_over_other_beliefs():
    """Other draws of the same beliefs: odds by a factor of ln 2 deviation, a tenth says nothing."""
    k, rng, chances, first = CHAIN.index["pickup"], np.random.default_rng(1234), [], 0
    own = np.array([x.odds for x in CHAIN.links])
    for _ in range(800):
        prior = CHAIN.prior_with(own * 2.0 ** rng.normal(0, 1, len(own)))
        links = of_links(prior * chance(FOUND, blend=rng.uniform(0, 0.1)))
        chances.append(links[k])
        first += links[: CHAIN.listed].argmax() == k
    low, high, agree = outcome.robustness(CHAIN, FOUND, "pickup", 400)
    assert (low, high) == pytest.approx(np.quantile(chances, [0.05, 0.95]), abs=0.05)
    assert agree == pytest.approx(first / 800, abs=0.05)


def test_the_answer_on_which_a_link_rests():
    """That without which its chance is the least, and less than a half."""
    k = CHAIN.index["pickup"]
    without = {
        e.test: of_links(CHAIN.prior * chance([x for x in FOUND if x is not e]))[k] for e in FOUND
    }
    least = min(without, key=lambda t: without[t])
    assert without[least] < 0.5 and search.deciding(CHAIN, FOUND, "pickup") == least
    assert search.deciding(CHAIN, FOUND[:1], "module") in (None, "air_fuel")


def test_odds_of_nothing_and_of_all_stay_numbers():
    assert outcome._log_odds(0.0) == pytest.approx(log2(1e-12), rel=1e-6)
    assert outcome._log_odds(1.0) == pytest.approx(-log2(1e-12), rel=1e-4)
    assert outcome._log_odds(0.8) == pytest.approx(2.0)
