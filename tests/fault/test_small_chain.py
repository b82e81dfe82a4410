"""The search on ignitions of a few made-up links and tests: each probability worked on paper.

Where a limit is meant, a number of the chain is moved until what is enumerated here lies close to
it on either side.
"""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.stats import entropy

from fault_parts import VARIANT, believed, bits, chain, chance, straddles, test
from sparkwitness.fault import belief, outcome, search
from sparkwitness.fault import model as ff
from sparkwitness.fault.chain import Chain

SAYS_A = test("says_a", bad={"A": (0.2, 0.8)})
THREE = chain({"A": 5.0, "B": 3.0, "C": 2.0}, SAYS_A)
# Alone 0.5, 0.3, 0.2; a fourth of that as one that comes and goes; 0.12 for nothing: 1.37.
ALONE = np.array([0.5, 0.3, 0.2, 0.125, 0.075, 0.05, 0.12]) / 1.37


def test_prior_of_three():
    assert THREE.prior == pytest.approx(ALONE)
    assert search.belief(THREE, []) == pytest.approx(ALONE)
    assert belief.link_chances(THREE, ALONE) == pytest.approx(np.array([0.625, 0.375, 0.25]) / 1.37)
    nothing, unlisted, fleeting = belief.no_link(THREE, THREE.prior)
    assert (nothing, unlisted, fleeting) == pytest.approx((0.12 / 1.37, 0.0, 0.25 / 1.37))
    # Outside of the list: one that a test can show, and one that none can.
    more = chain({"A": 8.0, "u1": 1.0, "u2": 1.0}, replace(SAYS_A, bad={"u1": (0.5, 0.5)}))
    total = 1 + 0.25 * 0.8 + 0.12
    assert belief.no_link(more, more.prior) == pytest.approx(
        ((0.1 + 0.12) / total, 0.1 / total, 0.2 / total)
    )


def test_what_was_said_twice():
    """Of what there is to see, 0.18 and 0.82 with A, 0.9 and 0.1 else; one in ten is misread, and
    who slipped says the same again in 3 of 10."""
    bad, again = ff.Answer("says_a", 1), ff.Answer("says_a", 1, again=True)
    good = ff.Answer("says_a", 0, again=True)

    def both(fine, poor):
        return fine * 0.1 * (0.3 + 0.7 * 0.1) + poor * 0.9 * 0.9

    def changed(fine, poor):
        return fine * 0.1 * 0.7 * 0.9 + poor * 0.9 * 0.1

    # What comes and goes is there at every other look: each look by itself.
    one = 0.54 * 0.1 + 0.46 * 0.9
    of_b = 0.9 * 0.1 * 0.37 + 0.1 * 0.81
    assert ff.likelihood(THREE, [bad, again]) == pytest.approx([
        both(0.18, 0.82), of_b, of_b,
        one * (0.54 * 0.37 + 0.46 * 0.9), *[0.18 * (0.9 * 0.37 + 0.1 * 0.9)] * 2, of_b,
    ])  # fmt: skip
    other = changed(0.9, 0.1)
    assert ff.likelihood(THREE, [bad, good]) == pytest.approx([
        changed(0.18, 0.82), other, other,
        one * (0.54 * 0.63 + 0.46 * 0.1), *[0.18 * (0.9 * 0.63 + 0.1 * 0.1)] * 2, other,
    ])  # fmt: skip
    # Of two answers that say nothing, each of two outcomes: one of four.
    blended = ff.likelihood(THREE, [bad, again], 0.2)
    assert blended[:2] == pytest.approx([0.8 * both(0.18, 0.82) + 0.05, 0.8 * of_b + 0.05])


@pytest.mark.parametrize("blend", [0.0, 0.2])
def test_a_repair_and_a_careless_tester(blend):
    """3 in 100 repairs act against the model; a blend of answers that say nothing: one in two."""
    said = ff.likelihood(THREE, [ff.Repair("A", True)], blend)
    right, wrong = ((1 - blend) * c + blend / 2 for c in (0.97, 0.03))
    assert said == pytest.approx([right, wrong, wrong, right, wrong, wrong, right])
    failed = ff.likelihood(THREE, [ff.Repair("A", False)], blend)
    assert failed == pytest.approx([wrong, right, right, wrong, right, right, wrong])
    twice = ff.likelihood(THREE, [ff.Repair("A", False), ff.Repair("A", False)])
    assert twice[1] == pytest.approx(0.97**2)
    said = ff.likelihood(THREE, [ff.Answer("says_a", 1)], blend)
    a, b = 0.18 * 0.1 + 0.82 * 0.9, 0.9 * 0.1 + 0.1 * 0.9
    assert said[:2] == pytest.approx([(1 - blend) * x + blend / 2 for x in (a, b)])
    doubled = ff.likelihood(THREE, [ff.Answer("says_a", 1)], careless=2.0)
    assert doubled[:2] == pytest.approx([0.18 * 0.2 + 0.82 * 0.8, 0.9 * 0.2 + 0.1 * 0.8])


@pytest.mark.parametrize(("chance", "left"), [(0.32, False), (0.34, True)])
def test_a_link_is_untested_while_its_odds_have_fallen_to_no_third(chance, left):
    """Seen fine: A makes that so many times as likely as nothing does, nobody misreads."""
    told = chain({"A": 1.0, "B": 1.0}, test("t", misread=0.0, bad={"A": (chance, 1 - chance)}))
    found = [x.id for x in ff.untested(told, [ff.Answer("t", 0)], None)]
    assert found == (["A", "B"] if left else ["B"])
    assert [x.id for x in ff.untested(told, [ff.Answer("t", 0), ff.Repair("B", False)], None)] == (
        ["A"] if left else []
    )


# The choice: what is enumerated here, against each limit


def test_a_test_that_tells_too_little_is_not_asked():
    """0.16 bits at the least."""
    told = []
    for x in np.linspace(0.1, 0.9, 41):
        made = chain({"A": 1.0, "B": 1.0}, test("t", bad={"A": (x, 1 - x)}, minutes=50.0))
        worth = bits(made, [], "t")
        told.append(worth)
        assert search.choices(made, [])[0].bits == pytest.approx(worth)
        choice = ff.next_test(made, [])
        assert (choice is not None) == (worth >= 0.16), x
    assert straddles(told, 0.16, 0.02)


def test_a_plausible_link_is_looked_at_where_that_is_cheap():
    """A test that tells little, of a link of a chance of 0.03 and more, in up to 10 minutes, or 20
    where nothing seems wrong; it must tell it from nothing by half at the least."""

    def asked(odds, minutes=3.0, shown=0.98, fine=1.0):
        made = chain(
            {"A": 100.0 * fine, "B": odds},
            test("a", misread=0.0, bad={"A": (0.02, 0.98)}),
            test("a2", misread=0.0, bad={"A": (0.02, 0.98)}),
            test("b", good=(0.98, 0.02), misread=0.0, minutes=minutes,
                 bad={"B": ((1 - shown) / 0.98, 1 - (1 - shown) / 0.98)}),
        )  # fmt: skip
        events = [ff.Answer(a, int(fine == 1.0)) for a in ("a", "a2")]
        p = believed(made, events)
        choice = ff.next_test(made, events, sure=0.999)
        chances = belief.link_chances(made, p)
        nothing = p[-1] > chances.max()
        return (
            (choice is not None and choice.tests[0].id == "b"),
            chances[1],
            nothing,
            (bits(made, events, "b")),
        )

    seen = []
    for odds in np.linspace(200.0, 320.0, 31):
        found, likely, nothing, worth = asked(odds)
        assert not nothing
        if worth < 0.16:
            seen.append(likely)
            assert found == (likely >= 0.03), odds
    assert straddles(seen, 0.03, 0.002)
    # The 6 minutes of handling count as well.
    assert asked(300.0, 4.0)[0] and not asked(300.0, 4.1)[0]
    # What is shown differs from nothing by 2 (x - 0.02) in all: half of 2 is enough.
    assert asked(300.0, shown=0.53)[0] and not asked(300.0, shown=0.51)[0]
    small = [asked(0.008, m, shown=0.6, fine=0.01) for m in (14.0, 14.1)]
    assert all(nothing and worth < 0.16 for _, _, nothing, worth in small)
    assert [found for found, *_ in small] == [True, False]


def test_answers_that_go_ill_together_from_a_slip_of_68_in_a_hundred_on():
    """Each says for sure that its own link is bad, and both cannot be: one was taken wrong."""
    seen = []
    for other in np.linspace(0.005, 0.16, 80):
        made = chain(
            {"A": 1.0, "B": 1.0},
            test("a", (0.99, 0.01), 0.1, bad={"A": (0.01, 0.99)}),
            test("b", (0.99, 0.01), float(other), bad={"B": (0.01, 0.99)}),
        )
        events = [ff.Answer("a", 1), ff.Answer("b", 1)]
        whole = float(made.prior @ chance(made, events))
        slips = []
        for e, f in (events, events[::-1]):
            t = made.tests[e.test]
            right = made.table(e.test)[:, 1] * t.reading[1, 1] * chance(made, [f])
            slips.append(1 - float(made.prior @ right) / whole)
        seen.append(max(slips))
        doubt = ff.contradiction(made, events)
        assert (doubt is not None) == (max(slips) >= 0.68), other
        if doubt is not None:
            order = sorted((0, 1), key=lambda k: -slips[k])
            order = [k for k in order if slips[k] >= 0.1 * max(slips)]
            assert doubt.suspects == tuple("ab"[k] for k in order)
            assert doubt.slips == pytest.approx([slips[k] for k in order])
    assert straddles(seen, 0.68, 0.02)


def test_how_careless_a_tester_is_taken_for():
    """(0.4 + slips seen) / (0.4 + slips of the table), to a tenth, and never below 1."""
    made = chain(
        {"A": 1.0, "B": 1.0, "C": 1.0},
        *(test(n.lower(), (0.99, 0.01), 0.1, bad={n: (0.01, 0.99)}) for n in "ABC"),
    )
    for said in product((0, 1), repeat=3):
        events = [ff.Answer(n, k) for n, k in zip("abc", said, strict=True)]
        whole = float(made.prior @ chance(made, events))
        slips = 0.0
        for e in events:
            right = made.table(e.test)[:, e.outcome] * 0.9
            rest = chance(made, [x for x in events if x is not e])
            slips += 1 - float(made.prior @ (right * rest)) / whole
        careless = round(max(1.0, (0.4 + slips) / (0.4 + 0.3)), 1)
        name, top, found = search.leading(made, events)
        assert found == careless
        p = made.prior * ff.likelihood(made, events, careless=careless)
        chances = belief.link_chances(made, p / p.sum())
        assert (name, top) == ("ABC"[int(chances.argmax())], pytest.approx(chances.max()))
    assert search.leading(made, [ff.Answer(n, 1) for n in "abc"])[2] > 2.0


def test_where_nothing_is_likely_enough_no_more_is_asked():
    """Each of four tests that surely show A was fine: what comes and goes is left, halved by each,
    0.25 / 16 against 0.12. A fifth moves it; a sixth would tell more than 0.16 bits all the same.
    """
    seen = []
    sure = {"good": (0.999, 0.001), "misread": 0.0, "bad": {"A": (0.0, 1.0)}}
    for x in np.linspace(0.3, 0.95, 66):
        made = chain(
            {"A": 1.0}, *(test(f"t{k}", **sure) for k in range(4)),
            test("t4", misread=0.0, good=(0.999, 0.001), bad={"A": (x, 1 - x)}),
            test("more", minutes=30.0, **sure),
        )  # fmt: skip
        events = [ff.Answer(f"t{k}", 0) for k in range(5)]
        nothing = float(believed(made, events)[-1])
        seen.append(nothing)
        assert nothing > 0.906 or bits(made, events, "more") > 0.16
        assert (ff.next_test(made, events) is not None) == (nothing < 0.9), x
    assert straddles(seen, 0.9, 0.005)


# What it comes to


def test_others_that_remain_from_half_a_per_cent_on():
    """A link of odds x has 1.25 x / 1.37 with what comes and goes of it."""
    for share, told in ((0.0051, True), (0.0049, False)):
        x = share * 1.37 / 1.25
        made = chain({"A": 1 - x, "B": x}, replace(SAYS_A, bad={"A": (0.2, 0.8)}))
        found = ff.finding(made, [], draws=2)
        assert [n.id for n, _ in found.others] == (["B"] if told else [])
        assert found.chance == pytest.approx(1.25 * (1 - x) / 1.37)
        assert found.evens == (found.link, pytest.approx(0.625 / 1.37))
    many = chain({c: 9.0 - k for k, c in enumerate("ABCDEFGH")}, SAYS_A)
    found = ff.finding(many, [], draws=2)
    assert [n.id for n, _ in found.others] == list("BCDEF")


def test_other_beliefs_to_start_from():
    """Two links alike: the logarithm of their odds is normal with ln 2 times the root of 2, so that
    5 % lie below 1 / (1 + exp(1.645 * 0.980)); each also comes and goes."""
    made = chain({"A": 1.0, "B": 1.0}, SAYS_A)
    low, high, agree = outcome.robustness(made, [], "A", 3000)
    end = 1 / (1 + np.exp(1.645 * np.sqrt(2) * np.log(2)))
    assert (low, high) == pytest.approx((end * 1.25 / 1.37, (1 - end) * 1.25 / 1.37), abs=0.012)
    assert agree == pytest.approx(0.5, abs=0.03)
    # One link: its chance moves by the blend alone, 0 to 0.1 of an answer that says nothing.
    alone = chain({"A": 1.0}, SAYS_A)
    low, high, agree = outcome.robustness(alone, [ff.Answer("says_a", 1)], "A", 3000)

    def at(blend):
        each = np.array([0.18 * 0.1 + 0.82 * 0.9, 0.54 * 0.1 + 0.46 * 0.9, 0.18])
        p = np.array([1.0, 0.25, 0.12]) * ((1 - blend) * each + blend / 2)
        return (p[0] + p[1]) / p.sum()

    assert (low, high) == pytest.approx((at(0.095), at(0.005)), abs=0.0008)
    assert agree == 1.0


def confirmed(*tests, links="ABCDE"):
    made = chain(dict.fromkeys(links, 1.0), *tests)
    p = made.prior
    worth = {}
    for t in tests:
        table, bad = made.table(t.id) @ t.reading, made.sets[:, 0]
        rows = [p[r] @ table[r] / p[r].sum() for r in (bad, ~bad)]
        mixed = (rows[0] + rows[1]) / 2
        worth[t.id] = (entropy(mixed, base=2)
                       - (entropy(rows[0], base=2) + entropy(rows[1], base=2)) / 2)  # fmt: skip
    found = outcome.confirming_test(made, [], "A")
    return None if found is None else found.id, worth


def test_a_narrow_test_confirms_better_than_one_of_many_links():
    """One that shows three links at most counts twice its bits."""
    wide_bad = dict.fromkeys("ABCD", (0.8, 0.2)) | {"A": (0.02, 0.98)}
    seen = []
    for x in np.linspace(0.2, 0.4, 41):
        narrow = test("n", bad={"A": (x, 1 - x), "B": (0.9, 0.1), "C": (0.9, 0.1)})
        name, worth = confirmed(narrow, test("w", bad=wide_bad))
        seen.append(worth["w"] / worth["n"])
        assert (name == "n") == (worth["w"] < 2 * worth["n"])
        # Of four links it would be as wide as the other.
        broad = replace(narrow, bad={**narrow.bad, "D": (0.9, 0.1)})
        name, worth = confirmed(broad, test("w", bad=wide_bad))
        assert (name == "n") == (worth["w"] < worth["n"])
        # Links that this ignition has not are no links of it.
        absent = replace(narrow, bad={**narrow.bad, "X": (0.9, 0.1), "Y": (0.9, 0.1)})
        name, worth = confirmed(absent, test("w", bad=wide_bad))
        assert (name == "n") == (worth["w"] < 2 * worth["n"])
    assert straddles(seen, 2.0, 0.1)


def test_a_test_confirms_from_a_tenth_of_a_bit_on():
    seen = []
    for x in np.linspace(0.2, 0.9, 71):
        name, worth = confirmed(test("t", bad={"A": (x, 1 - x)}))
        seen.append(worth["t"])
        assert (name == "t") == (worth["t"] > 0.1)
    assert straddles(seen, 0.1, 0.01)
    assert confirmed(test("t", bad={"B": (0.1, 0.9)}))[0] is None


def test_what_comes_and_goes_is_said_from_a_half_on():
    """Two looks that differ, of a test that is hardly ever misread."""
    seen = []
    for misread in np.linspace(0.005, 0.2, 40):
        made = chain({"A": 1.0}, test("t", (0.99, 0.01), float(misread), bad={"A": (0.01, 0.99)}))
        events = [ff.Answer("t", 1), ff.Answer("t", 0, again=True)]
        p = made.prior * ff.likelihood(made, events)
        share = float((p / p.sum())[made.fleeting].sum())
        seen.append(share)
        found = ff.result(made, events)
        assert (found.kind == "fleeting") == (share >= 0.5)
        told = [x.id for x in ff.finding(made, events, draws=2).untested]
        if found.kind == "fleeting":
            assert found.chance == pytest.approx(share) and not found.sure
        assert told == [x.id for x in ff.untested(
            made, events, None if found.kind in ("fleeting", "nothing") else "A"
        )]  # fmt: skip
    assert straddles(seen, 0.5, 0.03)


# Second looks


def doubted(misread):
    """A made-up test that names A when it says bad; one in so many is misread."""
    made = chain({"A": 1.0, "B": 1.0}, test("a", (0.99, 0.01), misread, bad={"A": (0.01, 0.99)}))
    return made, ff.Answer("a", 1)


@pytest.mark.parametrize("sure", [0.83, 0.9, 0.97])
def test_a_second_look_is_asked_for_where_it_would_make_sure(sure):
    """A link that is sure by one answer, and one of 0.8 and more that a second look makes sure."""
    likely, asked = [], set()
    for misread in np.linspace(0.01, 0.2, 96):
        made, bad = doubted(float(misread))
        once = float(belief.link_chances(made, believed(made, [bad]))[0])
        again = replace(bad, again=True)
        twice = ff.likelihood(made, [bad, again]) * made.prior
        twice = float(belief.link_chances(made, twice / twice.sum())[0])
        if search.leading(made, [bad, again])[2] > 1.0:
            break  # then more than the table's slips count
        likely.append(once)
        choice = ff.next_test(made, [bad], sure=sure)
        wanted = once >= sure or (once >= 0.8 and twice >= sure)
        assert (choice is not None) == wanted, misread
        asked.add(wanted)
        if choice is not None:
            assert choice.again and [t.id for t in choice.tests] == ["a"]
            assert not ff.result(made, [bad], sure).sure
            assert ff.next_test(made, [bad, again], sure=sure) is None
            found = ff.result(made, [bad, again], sure)
            assert (found.kind, found.link, found.sure) == ("link", "A", True)
            assert found.chance == pytest.approx(twice)
        # A look that could not be had makes nothing sure.
        assert not ff.result(made, [bad, ff.Answer("a", None, again=True)], sure).sure
    assert asked == {True, False}
    assert sure > 0.83 or straddles(likely, 0.8, 0.01)


def test_an_answer_decides_without_which_the_link_falls_below_eight_tenths():
    seen = []
    for misread in np.linspace(0.05, 0.2, 61):
        t = {"good": (0.99, 0.01), "bad": {"A": (0.01, 0.99)}}
        made = chain(
            {"A": 1.0, "B": 1.0},
            test("a", misread=float(misread), **t),
            test("b", misread=0.02, **t),
        )
        both = [ff.Answer("a", 1), ff.Answer("b", 1)]
        alone = [float(belief.link_chances(made, believed(made, [e]))[0]) for e in both]
        seen.append(alone[0])
        assert alone[0] < alone[1] > 0.9
        decides = search.deciding(made, both, "A")
        assert decides == ("b" if alone[0] < 0.8 else None)  # what is left without b is a's
        assert search.deciding(made, both, "A", {"b"}) is None
        assert search.deciding(made, [*both, ff.Repair("B", False)], "A", {"b"}) is None
    assert straddles(seen, 0.8, 0.01)


def test_a_second_crank_takes_what_was_heard_once():
    board = {"by": "board"}
    tests = [replace(test(n, bad={"A": (0.2, 0.8)}), input=i, **board)
             for n, i in (("k1", "crank"), ("k2", "clamp_a"), ("k3", "trigger"))]  # fmt: skip
    made = chain({"A": 1.0, "B": 1.0}, *tests, test("person", bad={"B": (0.2, 0.8)}))
    once = [ff.Answer(n, 1) for n in ("k1", "k2", "k3", "person")]
    twice = [*once, ff.Answer("k2", 1, again=True)]

    def heard(events, name):
        return [t.id for t in search.heard_with(made, events, name)]

    assert sorted(heard(once, "k1")) == ["k2", "k3"] and heard(twice, "k1") == ["k3"]
    assert heard(twice, "person") == []
    assert heard([*once, ff.Repair("B", False)], "k1") == []
    assert heard([ff.Answer("k1", 1), ff.Answer("k3", None)], "k1") == []
    # Of two on one input the one that was answered last: the clip is there yet.
    more = chain({"A": 1.0}, *tests, replace(tests[1], id="k4"))
    for order in (("k2", "k4"), ("k4", "k2")):
        events = [ff.Answer(n, 1) for n in ("k1", *order)]
        assert [t.id for t in search.heard_with(more, events, "k1")] == [order[1]]


def test_what_a_second_look_would_tell():
    """Bits of the second answer and the end, each chance being that of both answers over the
    first's; only of tests answered once since the last repair."""
    made = chain(
        {"A": 5.0, "B": 3.0}, test("a", bad={"A": (0.2, 0.8)}),
        test("b", misread=0.05, bad={"B": (0.3, 0.7)}),
    )  # fmt: skip
    events = [ff.Answer("a", 1), ff.Answer("b", 0)]
    before = ff.likelihood(made, events)
    p = made.prior * before / (made.prior @ before)
    for look in search.second_looks(made, events):
        (t,) = look.tests
        joint = np.zeros((4, 2))
        for k in (0, 1):
            after = ff.likelihood(made, [*events, ff.Answer(t.id, k, again=True)])
            each = p * after / before  # of both outcomes they sum to 1
            joint[:, k] = each[0], each[1], each[2] + each[3], each[4]
        joint /= joint.sum()
        flat = np.outer(joint.sum(1), joint.sum(0)).ravel()
        assert look.bits == pytest.approx(entropy(joint.ravel(), flat, base=2), rel=0.02)
        assert look.again and look.minutes == made.cost((t,))
    names = [[c.tests[0].id for c in search.second_looks(made, e)] for e in (
        events, [*events, ff.Answer("a", 1, again=True)], [*events, ff.Repair("B", False)],
        [ff.Answer("a", None), ff.Answer("b", 1)],
    )]  # fmt: skip
    assert names == [["a", "b"], ["b"], [], ["b"]]


@pytest.mark.parametrize(("said", "open_now"), [(0, True), (1, True), (2, False), (None, False)])
def test_what_needs_a_spark_waits_for_one(said, open_now):
    """A spark at every or at some firings; none, or not looked at, is not enough."""
    three = (0.8, 0.1, 0.1)
    made = chain(
        {"A": 1.0, "B": 1.0}, test("spark", three, bad={"A": (0.1, 0.1, 0.8)}),
        test("angle", needs=("spark",), bad={"B": (0.1, 0.9)}),
        test("other", bad={"B": (0.1, 0.9)}),
    )  # fmt: skip
    assert search.closed_tests(made, []) == {"angle"}
    closed = search.closed_tests(made, [ff.Answer("spark", said)])
    assert closed == {"spark"} | (set() if open_now else {"angle"})
    # After a repair it must be looked at anew, where the mended link bears on it.
    mended = search.closed_tests(made, [ff.Answer("spark", said), ff.Repair("A", False)])
    assert "angle" in mended and ("spark" in mended) == (said is None)


def test_what_was_seen_further_up_a_signal_is_handed_down():
    """P(added up to k) = P(seen up to k) / P(so further up), no better than this test's own
    false alarms let it be; trusted to 0.95. Of t2: 0.8 fine, by 0.3 with A, by 0.1 with B."""
    made = chain(
        {"A": 1.0, "B": 1.0}, test("t1", bad={"A": (0.2, 0.8)}),
        test("t2", (0.8, 0.2), after=("t1",), bad={"A": (0.3, 0.7), "B": (0.1, 0.9)}),
    )  # fmt: skip
    plain = np.array([0.8 * 0.3, 0.8 * 0.1, 0.8])  # with A, with B, with nothing
    for fine, handed in (
        # Fine further up: A would have shown there, 0.24 / 0.18 > 1; B not, 0.08 / 0.9.
        (True, np.array([0.8, 0.08 / 0.9, 0.8])),
        (False, np.zeros(3)),  # bad there is bad here
    ):
        table = made.table("t2", frozenset(), ("t1", 0 if fine else 1))
        wanted = 0.95 * handed + 0.05 * plain
        assert table[[0, 1, 4], 0] == pytest.approx(wanted)
        assert table.sum(axis=1) == pytest.approx(np.ones(5))
        # What comes and goes is there at every other look.
        assert table[2:4, 0] == pytest.approx(0.5 * wanted[:2] + 0.5 * wanted[2])
    given = [ff.Answer("t1", 0), ff.Answer("t2", 1)]
    t1, t2 = (made.tests[n].reading for n in ("t1", "t2"))
    up = np.array([0.18, 0.9, 0.9]) * t1[0, 0] + np.array([0.82, 0.1, 0.1]) * t1[1, 0]
    seen = made.table("t2", frozenset(), ("t1", 0))[[0, 1, 4]] @ t2[:, 1]
    assert ff.likelihood(made, given)[[0, 1, 4]] == pytest.approx(up * seen)
    # Mended, a link changes nothing any more.
    good = made.table("t2", frozenset({"A"}))
    assert good[0] == pytest.approx([0.8, 0.2])


def test_what_a_test_costs():
    """Handling 6 minutes, the work, each set-up once unless it is made, the worst hazard's risk."""
    m = ff.model()
    a = test("a", minutes=2.0, hazard=1, bad={"A": (0.2, 0.8)}, setups=("meter",))
    b = test("b", minutes=0.5, hazard=3, bad={"A": (0.2, 0.8)}, setups=("meter", "pull_plugs"))
    made = chain({"A": 1.0}, a, b)
    meter, plugs = (m["setups"][n]["minutes"] for n in ("meter", "pull_plugs"))
    assert (m["handling"], meter, plugs, m["risk"]) == (6, 1, 12, [0, 1, 3, 12])
    assert made.work((a,)) == 3.0 and made.work((a, b)) == 2.0 + 0.5 + 1 + 12
    assert made.work((a, b), frozenset({"meter"})) == 14.5
    assert made.cost((a,)) == 6 + 3 + 1 and made.cost((a, b)) == 6 + 15.5 + 12
    assert search.paid_setups(made, [ff.Answer("a", 1)]) == {"meter"}
    assert search.paid_setups(made, [ff.Answer("b", None)]) == frozenset()
    choice = search.Choice((a, b), 0.5, 20.0)
    assert choice.score == 0.025 and choice.hazard == 3


def test_reasons_that_speak_against_a_link_count_by_their_size():
    made = chain(
        {"A": 1.0, "B": 1.0}, test("weak", bad={"A": (0.6, 0.4)}),
        test("strong", misread=0.01, bad={"A": (0.05, 0.95)}),
    )  # fmt: skip
    events = [ff.Answer("weak", 1), ff.Answer("strong", 0)]
    found = outcome.reasons(made, events, "A")
    assert [r.event.test for r in found] == ["strong", "weak"]
    assert found[0].bits < -1 and 0 < found[1].bits < 2
    pairs = Chain(VARIANT, made.links, made.tests, second=0.1)
    told = ff.finding(pairs, events, draws=2)
    p = ff.belief(pairs, events)
    assert told.two == pytest.approx(p[3 - 1]) and pairs.sets[2].tolist() == [True, True]
