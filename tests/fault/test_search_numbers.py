"""What the search asks, in which order and when it ends: made-up ignitions, worked on paper."""

from dataclasses import replace
from math import isnan, nextafter

import numpy as np
import pytest

from fault_parts import believed, chain, straddles, test
from sparkwitness.fault import belief, outcome, search
from sparkwitness.fault import model as ff

NONE: frozenset[str] = frozenset()
SAYS_A = test("says_a", bad={"A": (0.2, 0.8)})
SURE = {"good": (0.99, 0.01), "misread": 0.01}


def said(name, outcome=1, again=False):
    return ff.Answer(name, outcome, again=again)


def board(name, input, **more):
    return replace(test(name, **more), by="board", input=input)


# What counts


def test_events_that_stand():
    """An answer given anew takes the place of all of the same time between repairs."""
    a0, a1, a2, b1 = said("a", 0), said("a", 1), said("a", 0, again=True), said("b")
    mend, more = ff.Repair("A", False), ff.Repair("B", False)
    one, two = frozenset("A"), frozenset("AB")
    assert belief.standing([a0, b1, a1]) == [(a1, NONE), (b1, NONE)]
    assert belief.standing([a0, a2, b1]) == [(a0, NONE), (a2, NONE), (b1, NONE)]
    assert belief.standing([a0, a2, b1, a2, a1]) == [(a1, NONE), (b1, NONE)]
    assert belief.standing([a0, mend, a1, more, a0, a1]) == [
        (a0, NONE), (mend, NONE), (a1, one), (more, one), (a1, two),
    ]  # fmt: skip
    assert belief.outcomes_seen(belief.standing([a1, a2, b1])) == {
        ("a", NONE): None,
        ("b", NONE): 1,
    }


def test_chances_of_what_is_mended_are_none():
    made = chain({"A": 5.0, "B": 3.0, "C": 2.0}, SAYS_A)
    p = np.array([0.3, 0.2, 0.1, 0.06, 0.05, 0.04, 0.25])
    assert belief.link_chances(made, p, frozenset("B")) == pytest.approx([0.36, 0.0, 0.14])


@pytest.mark.parametrize(("share", "left"), [(0.233, False), (0.241, True)])
def test_what_a_misread_answer_leaves_untested(share, left):
    """Read as fine: (0.1 + 0.8 * 0.9 s) / 0.82 against 0.33, s being 0.237 there."""
    made = chain({"A": 1.0, "B": 1.0}, test("t", bad={"A": (share, 1 - share)}))
    assert (0.1 + 0.72 * share) / 0.82 > 0.33 if left else (0.1 + 0.72 * share) / 0.82 < 0.33
    found = [x.id for x in belief.untested(made, [said("t", 0)], None)]
    assert found == (["A", "B"] if left else ["B"])
    # Without pairs there is no hypothesis of a second link, and one that comes and goes is none.
    assert belief.untested(made, [], "A") == ()


# What each hypothesis comes to, and what a test tells of it


def test_ends_of_three_listed_and_two_others():
    """Links as A, B, C, one outside of the list that shows and one that does not; three that come
    and go; nothing. Of two the likelier is named, and of two alike the first."""
    made = chain(
        {"A": 5.0, "B": 3.0, "C": 3.0, "u1": 1.0, "u2": 1.0},
        test("t", bad={"A": (0.2, 0.8), "u2": (0.2, 0.8)}),
    )
    assert search.ends(made, made.prior).argmax(axis=0).tolist() == [0, 1, 2, 5, 4, 3, 3, 3, 5]
    assert search.ends(made, made.prior, frozenset("B")).argmax(axis=0).tolist() == [
        0, 5, 2, 5, 4, 3, 3, 3, 5,
    ]  # fmt: skip
    pairs = replace(made, second=0.1)
    for p, mended, named in (
        (pairs.prior, "", [0, 0, 1]),  # of A B, A C, B C
        (pairs.prior[[1, 0, 2, *range(3, 12)]], "", [1, 0, 1]),  # B likelier than A
        (pairs.prior, "A", [1, 2, 1]),
    ):
        end = search.ends(pairs, p, frozenset(mended))
        assert end.argmax(axis=0)[5:8].tolist() == named
        assert end.shape == (6, 12) and end.sum(axis=0).tolist() == [1.0] * 12


def test_a_test_further_up_than_one_that_was_answered():
    """P(t1 = k | t2) = P(t1 = k) P(t2 | t1 = k), in shares; t3 is of another signal."""
    made = chain(
        {"A": 1.0, "B": 1.0}, test("t1", bad={"A": (0.2, 0.8)}),
        test("t2", (0.8, 0.2), after=("t1",), bad={"A": (0.3, 0.7), "B": (0.1, 0.9)}),
        test("t3", bad={"B": (0.1, 0.9)}),
    )  # fmt: skip
    t1, t2 = made.tests["t1"], made.tests["t2"]
    both = np.stack([
        made.table("t1")[[0, 1, 4]] @ t1.reading[:, k]
        * (made.table("t2", NONE, ("t1", k))[[0, 1, 4]] @ t2.reading[:, 1])
        for k in (0, 1)
    ], axis=1)  # fmt: skip
    for events in ([said("t2")], [said("t2"), said("t3")], [said("t3", 0), said("t2")]):
        found = search.outcome_table(made, events, (t1,))
        assert found[[0, 1, 4]] == pytest.approx(both / both.sum(axis=1, keepdims=True))
    # Answered before a repair it is no answer of now: each stands by itself.
    found = search.outcome_table(made, [said("t2"), ff.Repair("A", False)], (t1,))
    assert found == pytest.approx(made.table("t1", frozenset("A")) @ t1.reading)
    # Further down, what was seen further up is handed on, but not from before a repair.
    up = made.table("t2", NONE, ("t1", 0))
    assert search.outcome_table(made, [said("t1", 0)], (t2,)) == pytest.approx(up @ t2.reading)
    found = search.outcome_table(made, [said("t1", 0), ff.Repair("B", False)], (t2,))
    assert found == pytest.approx(made.table("t2", frozenset("B")) @ t2.reading)


def test_what_cannot_be_is_no_answer_of():
    """Seen fine for sure, A is not bad: what would be seen then is in no table. Else t2 is fine in
    0.9 where t1 was, and where t1 was not in 0.05 of that; t1 is fine in 0.18 with B, else in 0.9.
    """
    made = chain(
        {"A": 1.0, "B": 1.0}, test("t1", misread=0.0, bad={"B": (0.2, 0.8)}),
        test("t2", misread=0.0, after=("t1",), bad={"A": (0.0, 1.0)}),
    )  # fmt: skip
    found = search.outcome_table(made, [said("t2", 0)], (made.tests["t1"],))
    assert found[0].tolist() == [0.0, 0.0] and np.isfinite(found).all()
    both = np.array([[0.18 * 0.9, 0.82 * 0.045], [0.9 * 0.9, 0.1 * 0.045]])
    assert found[[1, 4]] == pytest.approx(both / both.sum(axis=1, keepdims=True))
    assert all(np.isfinite(look.bits) for look in search.second_looks(made, [said("t2", 0)]))


def test_bits_of_a_table_with_empty_places():
    """Each of two outcomes names one of two ends: 1 bit; of three ends, two alike: 1.5 bits."""
    assert search.expected_bits(np.diag([0.5, 0.5])) == pytest.approx(1.0)
    assert search.expected_bits(np.diag([0.5, 0.25, 0.25])) == pytest.approx(1.5)
    assert search.expected_bits(np.full((2, 2), 0.25)) == 0.0


# What may be asked


def test_choices_of_one_crank_in_their_order():
    """Board tests on different inputs go together: k1 and k2 on one, k3 on another."""
    tests = [
        board("k1", "crank", bad={"A": (0.2, 0.8)}), board("k2", "crank", bad={"B": (0.2, 0.8)}),
        board("k3", "trigger", bad={"A": (0.1, 0.9)}), test("p", bad={"B": (0.1, 0.9)}),
    ]  # fmt: skip
    made = chain({"A": 2.0, "B": 1.0}, *tests)
    found = search.choices(made, [])
    names = [tuple(t.id for t in c.tests) for c in found]
    assert sorted(names) == sorted([("k1",), ("k2",), ("k3",), ("p",), ("k1", "k3"), ("k2", "k3")])
    scores = [c.bits / c.minutes for c in found]
    assert scores == sorted(scores, reverse=True) and len(set(scores)) == 6
    one_input = chain({"A": 2.0, "B": 1.0}, *tests[:2], tests[3])
    assert sorted(c.tests[0].id for c in search.choices(one_input, [])) == ["k1", "k2", "p"]


@pytest.mark.parametrize(
    ("answers", "waits"),
    [([], True), ([("s1", 0)], False), ([("s2", 1)], False), ([("s1", 2), ("s2", 2)], True),
     ([("s1", 2), ("s2", 0)], False)],
)  # fmt: skip
def test_either_of_two_that_show_a_spark_is_enough(answers, waits):
    three = (0.8, 0.1, 0.1)
    made = chain(
        {"A": 1.0, "B": 1.0}, *(test(s, three, bad={"A": (0.1, 0.1, 0.8)}) for s in ("s1", "s2")),
        test("angle", needs=("s1", "s2"), bad={"B": (0.1, 0.9)}),
    )  # fmt: skip
    events = [said(*each) for each in answers]
    assert ("angle" in search.closed_tests(made, events)) == waits


def test_a_safer_one_that_tells_as_much_is_taken():
    """Best first; the safer must tell as many bits as the one it replaces, step by step."""
    made = [
        search.Choice((test(n, hazard=h),), bits, minutes)
        for n, h, bits, minutes in (
            ("risky", 3, 0.8, 1.0), ("some", 2, 0.8, 2.0), ("safe", 1, 0.9, 4.0),
            ("safest", 0, 0.85, 5.0), ("as safe", 1, 1.0, 9.0),
        )
    ]  # fmt: skip
    assert search.safest(made).tests[0].id == "safe"  # 0.85 is less than what that tells
    assert search.safest(made[:2]).tests[0].id == "some"
    assert search.safest([made[0], made[4], made[2]]).tests[0].id == "as safe"
    assert search.safest([made[0], search.Choice((test("n"),), 0.79, 1.0)]).tests[0].id == "risky"


# The order of the questions


def test_what_is_marked_first_comes_first_until_a_repair():
    made = chain(
        {"A": 1.0, "B": 1.0, "C": 1.0},
        test("air", minutes=30.0, first=True, bad={"A": (0.6, 0.4)}),
        test("t", bad={"A": (0.02, 0.98)}, **SURE),
    )  # fmt: skip
    assert [t.id for t in ff.next_test(made, []).tests] == ["air"]
    assert [t.id for t in ff.next_test(made, [ff.Repair("B", False)]).tests] == ["t"]


def test_a_contradiction_is_looked_at_before_all_else():
    """Each says for sure that its own link is bad; b is misread the more often. Once b was looked
    at again the search goes on, whether it still is to blame or not."""
    tests = [
        test(n.lower(), (0.99, 0.01), m, bad={n: (0.01, 0.99)})
        for n, m in (("A", 0.05), ("B", 0.15))
    ]
    made = chain({"A": 1.0, "B": 1.0, "C": 1.0}, *tests, test("c", bad={"C": (0.01, 0.99)}, **SURE))
    events = [said("a"), said("b")]
    doubt = search.contradiction(made, events)
    assert doubt is not None and doubt.suspects == ("b", "a")
    choice = ff.next_test(made, events)
    assert choice.again and isnan(choice.bits) and [t.id for t in choice.tests] == ["b"]
    assert choice.minutes == made.cost((tests[1],))
    for second, still in ((0, True), (1, False)):
        after = [*events, said("b", second, again=True)]
        doubt = search.contradiction(made, after)
        assert (doubt is not None and doubt.suspects[0] == "b") == still
        choice = ff.next_test(made, after)
        assert not choice.again and [t.id for t in choice.tests] == ["c"]


def test_one_answer_alone_goes_ill_with_nothing():
    """Of a link so unlikely 9 in 10 such answers are slips; it takes a second one to be told."""
    tests = [test(n, (0.999, 0.001), bad={"A": (0.001, 0.999)}) for n in ("a", "b", "c")]
    made = chain({"A": 1.0, "B": 100.0}, *tests)
    assert search._slips(made, [said("a")])[0][1] > 0.85
    assert search.contradiction(made, []) is None
    assert search.contradiction(made, [said("a")]) is None
    assert search.contradiction(made, [said("a"), said("b", None)]) is None
    for fine in (["b"], ["b", "c"]):
        found = search.contradiction(made, [said("a"), *(said(n, 0) for n in fine)])
        assert found is not None and found.suspects == ("a",) and found.slip > 0.9


def test_the_end_exactly_at_sure():
    """A link as likely as `sure`, seen twice, ends the search; a hair less and it goes on."""
    made = chain(
        {"A": 1.0, "B": 1.0}, test("a", (0.99, 0.01), 0.05, bad={"A": (0.01, 0.99)}),
        test("more", bad={"B": (0.01, 0.99)}, **SURE),
    )  # fmt: skip
    events = [said("a"), said("a", again=True)]
    top = float(belief.link_chances(made, belief.belief(made, events))[0])
    assert search.leading(made, events) == ("A", top, 1.0)
    assert search.deciding(made, events, "A", {"a"}) is None
    for sure, ends in ((top, True), (nextafter(top, 1.0), False)):
        choice = ff.next_test(made, events, sure=sure)
        assert (choice is None) == ends
        found = ff.result(made, events, sure)
        assert found.sure == ends and found.kind == ("link" if ends else "likely")
    assert [t.id for t in choice.tests] == ["more"]


def test_a_second_look_that_makes_exactly_sure():
    made = chain({"A": 1.0, "B": 1.0}, test("a", (0.99, 0.01), 0.05, bad={"A": (0.01, 0.99)}))
    once, twice = [said("a")], [said("a"), said("a", again=True)]
    top = search.leading(made, twice)[1]
    assert float(belief.link_chances(made, believed(made, once))[0]) < top
    # Where the look tells few bits it is asked for all the same, if it would make sure.
    (look,) = search.second_looks(made, once)
    for least, sure, asked in (
        (9.0, top, True), (9.0, nextafter(top, 1.0), False), (0.0, nextafter(top, 1.0), True),
    ):  # fmt: skip
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(search, "LEAST_AGAIN", least)
            choice = ff.next_test(made, once, sure=sure)
        assert (choice is not None) == asked and look.bits < 9.0


def test_of_what_was_said_it_is_the_last_answer_of_the_one_that_decides():
    """a decides, b says little and was answered after it, before a repair of another link."""
    made = chain(
        {"A": 1.0, "B": 1.0}, test("a", (0.99, 0.01), 0.05, bad={"A": (0.01, 0.99)}),
        test("b", bad={"B": (0.85, 0.15)}),
    )  # fmt: skip
    events = [said("a"), said("b", 0)]
    assert search.deciding(made, events, "A") == "a"
    sure = search.leading(made, [*events, said("a", again=True)])[1]
    assert sure > search.leading(made, events)[1] >= 0.8
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(search, "LEAST_AGAIN", 9.0)
        choice = ff.next_test(made, events, sure=sure)
        assert choice.again and [t.id for t in choice.tests] == ["a"]
        # Nothing decides where two tests say the same.
        alike = chain({"A": 1.0, "B": 1.0}, *(test(n, (0.99, 0.01), 0.1, bad={"A": (0.01, 0.99)})
                                              for n in ("a", "b")))  # fmt: skip
        both = [said("a"), said("b")]
        assert search.deciding(alike, both, "A") is None
        assert ff.next_test(alike, both, sure=0.9999) is None


def test_second_looks_from_016_bits_on_the_best_first():
    """Of two answers that differ, alike else, the one that is quicker to look at again."""
    seen = []
    for misread in np.linspace(0.005, 0.03, 26):
        made = chain(
            {"A": 1.0, "B": 1.0},
            *(test(n, misread=float(misread), minutes=m, bad={"A": (0.02, 0.98)})
              for n, m in (("slow", 9.0), ("quick", 1.0), ("slower", 10.0))),
        )  # fmt: skip
        events = [said("slow", 0), said("quick"), said("slower", None)]
        looks = search.second_looks(made, events)
        assert [c.tests[0].id for c in looks] == ["slow", "quick"]
        seen.append(looks[1].bits)
        assert search.contradiction(made, events) is None and looks[1].score > looks[0].score
        choice = ff.next_test(made, events)
        assert (choice is not None) == (looks[1].bits >= 0.16), looks
        assert choice is None or (choice.again and choice.tests == looks[1].tests)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(search, "LEAST_AGAIN", 0.0)
            assert ff.next_test(made, events).tests == looks[1].tests
    assert straddles(seen, 0.16, 0.01)


def test_the_best_of_the_cheap_tests_shows_a_link_that_was_never_looked_at():
    """Two that show B, of the same bits: the quicker one; one that tells it from nothing by half
    and no more still shows it."""
    for minutes, first in (((1.0, 3.0), "b1"), ((3.0, 1.0), "b2")):
        made = chain(
            {"A": 100.0, "B": 300.0},
            *(test(n, misread=0.0, bad={"A": (0.02, 0.98)}) for n in ("a", "a2")),
            *(test(n, good=(1.0, 0.0), misread=0.0, minutes=m, bad={"B": (0.5, 0.5)})
              for n, m in zip(("b1", "b2"), minutes, strict=True)),
        )  # fmt: skip
        events = [said("a"), said("a2")]
        choice = search.overlooked(made, events, search.choices(made, events))
        assert [t.id for t in choice.tests] == [first]
        likely = float(belief.link_chances(made, belief.belief(made, events))[1])
        for limit, shows in ((likely, True), (nextafter(likely, 1.0), False)):
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(search, "PLAUSIBLE", limit)
                found = search.overlooked(made, events, search.choices(made, events))
            assert (found is not None) == shows
    # One crank for two, however much it tells for its time, is not the one test that was missed.
    b1, b2 = made.tests["b1"], made.tests["b2"]
    found = [search.Choice((b1, b2), 0.15, 2.0), search.Choice((b2,), 0.01, 5.0)]
    assert search.overlooked(made, events, found) == found[1]
    poorer = chain(
        dict.fromkeys("AB", 1.0), test("b", (1.0, 0.0), misread=0.0, bad={"B": (0.51, 0.49)})
    )
    assert search.overlooked(poorer, [], search.choices(poorer, [])) is None


def test_where_something_not_in_the_list_is_likely_a_test_must_be_quick():
    """B 0.05 and a fourth of that as one that comes and goes, nothing 0.12: likelier than B, but
    not than the 0.95 of what is not in the list. 10 minutes then, not 20."""
    odds = {"B": 0.05, "u": 0.95}
    made = chain(odds, *(test(n, bad={n: (0.01, 0.99)}) for n in odds))
    nothing, unlisted, _ = belief.no_link(made, made.prior)
    assert unlisted > nothing > float(belief.link_chances(made, made.prior)[0]) > 0.03
    for minutes, asked in ((10.0, True), (10.1, False)):
        found = [search.Choice((made.tests["B"],), 0.01, minutes)]
        assert (search.overlooked(made, [], found) is not None) == asked


def test_what_was_seen_before_a_repair_hands_nothing_down():
    """Bad further up, t2 is bad whatever else is; after a repair t1 is not known any more."""
    made = chain(
        {"A": 5.0, "B": 5.0}, test("t1", misread=0.0, bad={"A": (0.1, 0.9)}),
        test("t2", misread=0.0, after=("t1",), bad={"B": (0.1, 0.9)}),
    )  # fmt: skip
    up, alone = made.table("t2", NONE, ("t1", 1)), made.table("t2")
    assert abs(up[1] - up[-1]).sum() < 0.1 and abs(alone[1] - alone[-1]).sum() > 1.0
    found = [search.Choice((made.tests["t2"],), 0.01, 5.0)]
    assert search.overlooked(made, [said("t1")], found) is None
    assert search.overlooked(made, [said("t1"), ff.Repair("A", False)], found) == found[0]


def test_of_equal_ones_the_first_by_name_decides():
    """Eight answers alike: without any one of them the chance is the same."""
    names = [f"t{k}" for k in range(8)]
    made = chain({"A": 1.0, "B": 20.0}, *(test(n, misread=0.3, bad={"A": (0.4, 0.6)})
                                         for n in reversed(names)))  # fmt: skip
    events = [said(n) for n in reversed(names)]
    assert search.deciding(made, events, "A") == "t0"
    assert search.deciding(made, events, "A", {"t0", "t1"}) == "t2"


def test_each_limit_counts_itself():
    """Where a number is exactly the limit it is as if it lay above."""
    made = chain({"A": 5.0, "B": 3.0}, replace(SAYS_A, minutes=50.0))
    (choice,) = search.choices(made, [])
    answered = [said("says_a")]
    top = float(belief.link_chances(made, belief.belief(made, answered))[0])
    (look,) = search.second_looks(made, answered)
    sure = search.leading(made, [*answered, said("says_a", again=True)])[1]
    for name, value, events, more in (
        ("LEAST_BITS", choice.bits, [], {}),
        ("LEAST_AGAIN", look.bits, answered, {}),
        ("NEAR", top, answered, {"sure": sure}),
    ):
        for limit, asked in ((value, True), (nextafter(value, 1.0), False)):
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(search, name, limit)
                assert (ff.next_test(made, events, **more) is not None) == asked, name
    nothing = float(made.prior[-1])
    for limit, asked in ((nothing, False), (nextafter(nothing, 1.0), True)):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(search, "ENOUGH", limit)
            assert (ff.next_test(made, []) is not None) == asked
    ill = chain(
        {"A": 1.0, "B": 1.0}, *(test(n.lower(), (0.99, 0.01), m, bad={n: (0.01, 0.99)})
                                for n, m in (("A", 0.02), ("B", 0.1))),
    )  # fmt: skip
    both = [said("a"), said("b")]
    slips = {e.test: s for e, s in search._slips(ill, both)}
    for name, value, there in (
        ("SLIP", slips["b"], ("b", "a")), ("SUSPECT", slips["a"] / slips["b"], ("b", "a")),
    ):  # fmt: skip
        for limit, held in ((value, True), (nextafter(value, 1.0), False)):
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(search, name, limit)
                doubt = search.contradiction(ill, both)
                assert (doubt is not None and doubt.suspects == there) == held, name


# What it comes to


@pytest.mark.parametrize(
    ("odds", "answers", "kind"),
    [({"A": 1.0, "u": 0.05}, 0, "likely"), ({"A": 0.05, "u": 1.0}, 0, "unlisted"),
     ({"A": 0.6, "u": 0.4}, 2, "nothing")],
)  # fmt: skip
def test_the_likeliest_of_nothing_of_what_is_not_listed_and_of_a_link(odds, answers, kind):
    """0.12 for nothing, a fourth of A as one that comes and goes, seen at every other look. Seen
    fine, 2 in 100 are misread; where nothing is bad, all is fine."""
    made = chain(odds, *(test(n, (1.0, 0.0), 0.02, bad={n: (0.0, 1.0)}) for n in odds))
    a, u = (x / sum(odds.values()) for x in odds.values())
    parts = np.array([a, u, a / 4, 0.12])
    if answers:
        parts *= 0.98 * np.array([0.02, 0.02, 0.5, 0.98])
    sums = {"likely": parts[0] + parts[2], "unlisted": parts[1], "nothing": parts[3]}
    assert max(sums, key=lambda k: sums[k]) == kind
    found = ff.result(made, [said(n, 0) for n in list(odds)[:answers]])
    assert (found.kind, found.link, found.sure) == (kind, "A", False)
    assert found.chance == pytest.approx(sums[kind] / parts.sum())


def test_where_nothing_seems_wrong_all_that_was_not_looked_at_is_told():
    """A fine twice: 0.95 · 0.02² and 0.25 · 0.95 · 0.5² are left of it, of nothing 0.12 · 0.98².
    B was never looked at; without pairs there is no hypothesis of it beside another link."""
    fine = {"good": (1.0, 0.0), "misread": 0.02, "bad": {"A": (0.0, 1.0)}}
    made = chain({"A": 0.95, "B": 0.05}, test("a", **fine), test("a2", **fine))
    events = [said("a", 0), said("a2", 0)]
    assert ff.result(made, events).kind == "nothing"
    assert [x.id for x in ff.finding(made, events, draws=2).untested] == ["B"]


def test_what_confirms_a_link_is_open_yet_and_bears_on_it():
    """Of two alike the first; none that was answered, none where the link is sure or cleared."""
    alike = [test(n, bad={"A": (0.1, 0.9)}) for n in ("t1", "t2")]
    made = chain({"A": 1.0, "B": 1.0}, *alike)
    assert outcome.confirming_test(made, [], "A").id == "t1"
    assert outcome.confirming_test(made, [said("t1", 0)], "A").id == "t2"
    assert outcome.confirming_test(made, [said("t1"), said("t2")], "A") is None
    assert outcome.confirming_test(made, [], "B") is None
    flat = {"good": (1.0, 0.0), "misread": 0.0}
    clear = chain(
        {"A": 1.0}, test("a", **flat, bad={"A": (0.0, 1.0)}), test("more", bad={"A": (0.1, 0.9)})
    )
    with np.errstate(all="raise"):  # sure: nothing is fine so, and nothing is left to tell it from
        assert outcome.confirming_test(clear, [said("a")], "A") is None
    gone = chain(
        {"A": 1.0, "B": 1.0}, test("a", **flat, bad={"A": (0.0, 1.0)}),
        test("mended", **flat, bad={"A": (0.0, 1.0)}), test("more", bad={"A": (0.1, 0.9)}),
    )  # fmt: skip
    assert outcome.confirming_test(gone, [said("a", 0)], "A") is not None  # it may come and go
    assert outcome.reasons(made, [said("t1", None)], "A") == ()
