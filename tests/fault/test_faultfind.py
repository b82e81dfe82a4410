"""The fault search against its definitions, enumerated or from reference libraries, and the
command as a script and as a person uses it."""

import json
import os
import subprocess
import sys
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import entropy

from sparkwitness.cli import codes, main
from sparkwitness.errors import UserError
from sparkwitness.faces import fault_text, safety
from sparkwitness.fault import model as ff
from sparkwitness.fault import store
from sparkwitness.simulator.fleet import VARIANTS

DISTRIBUTOR = ff.variant_of(
    switch="inductive", trigger="pickup", sensor="coil", distribution="distributor", feed="steady"
)
CHAINS = [ff.chain_of(v, board=b) for v in VARIANTS for b in (True, False)]
KINDS = ["--switch", "inductive", "--trigger", "controller", "--sensor", "coil",
         "--distribution", "distributor", "--feed", "steady"]  # fmt: skip


def answer(chain: ff.Chain, test: str, outcome: str) -> ff.Answer:
    return ff.Answer(test, chain.tests[test].outcomes.index(outcome))


# --- the data table --------------------------------------------------------------------------


def test_table_is_whole() -> None:
    m = ff.model()
    assert len(m["risk"]) == 4 == len(fault_text.HAZARDS)
    for name, row in m["tests"].items():
        outcomes = len(row["outcomes"])
        assert outcomes >= 2 and len(set(row["outcomes"])) == outcomes, name
        for chances in [row["good"], *row["bad"].values()]:
            assert len(chances) == outcomes and sum(chances) == pytest.approx(1), name
            assert min(chances) >= 0, name
        assert min(row["good"]) > 0, f"{name}: an outcome that cannot be would end all doubt"
        assert set(row["bad"]) <= set(m["links"]), name
        assert row["by"] in ("board", "person") and 0 <= row["hazard"] <= 3, name
        for key in row["cautions"]:
            assert isinstance(getattr(safety, key), str), name
        for setup in row.get("setup", "").split():
            assert setup in m["setups"], name
        for other in [*row.get("after", ()), *row.get("same", ()), *row.get("needs", ())]:
            assert other in m["tests"], name
        if "unit" in row:
            assert len(row["edges"]) == outcomes - 1, name
        for kind, values in row.get("only", {}).items():
            assert set(values) <= set(m["kinds"][kind]), name


def test_a_worse_answer_never_speaks_for_a_good_link() -> None:
    """Every link listed with a test makes its best outcome less likely than no fault does."""
    for name, row in ff.model()["tests"].items():
        for link, chances in row["bad"].items():
            assert chances[0] < row["good"][0], (name, link)


def test_tests_near_danger_say_so() -> None:
    for name, row in ff.model()["tests"].items():
        if row["hazard"] >= 2:
            assert "CRANKING" in row["cautions"] or "LIVE_MODULE" in row["cautions"], name
        if "ohm" in name or "Resistance" in row["ask"]:
            assert "RESISTANCE" in row["cautions"], name


@pytest.mark.parametrize("chain", CHAINS, ids=lambda c: f"{c.variant.switch}-{len(c.tests)}")
def test_every_link_can_be_told_from_every_other(chain: ff.Chain) -> None:
    """For each pair of links there is a test that answers differently (by 20 points)."""
    single = range(chain.listed)
    for a, b in product(single, single):
        if a < b:
            best = max(np.abs(t[a] - t[b]).max() for t in map(chain.table, chain.tests))
            assert best > 0.2, (chain.links[a].id, chain.links[b].id)


def test_pulsed_feed_never_asks_for_steady_volts_at_the_coil() -> None:
    for chain in CHAINS:
        pulsed = chain.variant.feed == "pulsed"
        assert ("supply_walk" in chain.tests) != pulsed
        assert ("supply_walk_module" in chain.tests) == pulsed


def test_without_a_board_no_test_needs_one() -> None:
    by_hand = ff.chain_of(DISTRIBUTOR, board=False)
    assert {t.by for t in by_hand.tests.values()} == {"person"}


# --- probabilities ---------------------------------------------------------------------------


def _enumerated(chain: ff.Chain, test: ff.Test, bad: list[str]) -> list[float]:
    """Noisy-MAX by its definition (F. J. Díez 1993): each cause shows an outcome of its own, the
    test shows the worst of them; all combinations summed."""
    causes = [test.good, *(test.bad[x] for x in bad if x in test.bad)]
    chances = [0.0] * len(test.outcomes)
    for shown in product(range(len(test.outcomes)), repeat=len(causes)):
        chances[max(shown)] += float(np.prod([c[k] for c, k in zip(causes, shown, strict=True)]))
    return chances


@pytest.mark.parametrize("chain", CHAINS[::4], ids=lambda c: c.variant.switch)
def test_tables_follow_the_definition_of_noisy_max(chain: ff.Chain) -> None:
    for name, test in chain.tests.items():
        table = chain.table(name)
        for k, (members, row) in enumerate(zip(chain.sets, table, strict=True)):
            bad = [chain.links[i].id for i in np.flatnonzero(members)]
            wanted = np.array(_enumerated(chain, test, bad))
            if chain.fleeting.start <= k < chain.fleeting.stop:  # there at every other look
                wanted = 0.5 * wanted + 0.5 * np.array(_enumerated(chain, test, []))
            assert row == pytest.approx(wanted, abs=1e-12), (name, bad)


def test_prior_splits_into_one_and_two() -> None:
    chain = ff.chain_of(DISTRIBUTOR, second=0.08)
    two = chain.sets.sum(axis=1) == 2
    assert chain.prior.sum() == pytest.approx(1)
    assert chain.prior[two].sum() == pytest.approx(0.08)
    odds = np.array([x.odds for x in chain.links])
    alone = chain.prior[: len(odds)]
    assert alone / alone.sum() == pytest.approx(odds / odds.sum())
    assert chain.prior[chain.fleeting] == pytest.approx(0.25 * alone[: chain.listed])
    assert chain.prior[-1] == pytest.approx(0.12 * alone.sum())


def test_bayes_by_hand() -> None:
    """A blown fuse and its rivals, worked on paper from the table's numbers."""
    chain = ff.chain_of(DISTRIBUTOR, second=0.0)
    p = ff.belief(chain, [answer(chain, "fuse_look", "blown, or no click")])
    # good = [0.98, 0.02], fuse alone = [0.08, 0.92], told; 14 looks in 100 are misread. What there
    # is to see: (told - 0.14) / 0.72, at least 0.3 told, brought to sum 1:
    #   good (7/6, 0.006) -> blown 0.006 / 1.172..;  fuse (0.024, 13/12) -> whole 0.024 / 1.107..
    good, whole = 0.006 / (7 / 6 + 0.006), 0.024 / (13 / 12 + 0.024)
    seen = 1 - (1 - good) * whole  # the worst of both
    no = 0.86 * good + 0.14 * (1 - good)
    yes = 0.86 * seen + 0.14 * (1 - seen)
    total = sum(x.odds for x in chain.links)
    share = {x.id: x.odds / total for x in chain.links}
    listed = sum(share[x.id] for x in chain.links if not x.unlisted)
    fuse = share["fuse"] * (yes + 0.25 * (yes + no) / 2)
    rest = no * (1 - share["fuse"] + 0.25 * (listed - share["fuse"]) + 0.12)
    by_hand = fuse / (fuse + rest)
    assert ff.link_chances(chain, p)[chain.index["fuse"]] == pytest.approx(by_hand)


def test_expected_bits_are_the_mutual_information_of_outcome_and_end() -> None:
    """Against scipy's relative entropy of the joint chances from the product of their margins."""
    chain = ff.chain_of(DISTRIBUTOR)
    odds = {x.id: x.odds for x in chain.links}
    shown = {link for t in chain.tests.values() for link in t.bad}
    ends = []
    for k, members in enumerate(chain.sets):
        bad = [chain.links[i] for i in np.flatnonzero(members)]
        if chain.fleeting.start <= k < chain.fleeting.stop:
            ends.append("comes and goes")
        elif bad and not bad[0].unlisted:  # of two the likelier one
            ends.append(max(bad, key=lambda x: odds[x.id]).id)
        else:
            ends.append("not in the list" if bad and bad[0].id in shown else "nothing")
    names = sorted(set(ends))
    assert len(names) == chain.listed + 3
    for choice in ff.choices(chain, []):
        if len(choice.tests) == 1:
            table = chain.table(choice.tests[0].id) @ choice.tests[0].reading
            joint = np.zeros((len(names), table.shape[1]))
            for end, p, row in zip(ends, chain.prior, table, strict=True):
                joint[names.index(end)] += p * row
            product_of_margins = np.outer(joint.sum(axis=1), joint.sum(axis=0))
            wanted = entropy(joint.ravel(), product_of_margins.ravel(), base=2)
            assert choice.bits == pytest.approx(wanted, abs=1e-9)


def test_what_a_signal_lacks_is_handed_down() -> None:
    """No pulse from the pick-up: that no edge and no spark follow tells nothing more."""
    chain = ff.chain_of(DISTRIBUTOR)
    start = [answer(chain, "crank_pulses", "none")]
    below = ("primary_edges", "clamp_coil_lead", "clamp_plug_lead")
    more = [*start, *(answer(chain, name, "none") for name in below)]
    before = ff.link_chances(chain, ff.belief(chain, start))
    after = ff.link_chances(chain, ff.belief(chain, more))
    assert after == pytest.approx(before, abs=0.02)
    # But a spark further down contradicts it.
    spark = [*start, answer(chain, "clamp_plug_lead", "every firing")]
    assert ff.contradiction(chain, spark) is not None


def test_order_of_answers_does_not_matter() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    events = [
        answer(chain, "clamp_plug_lead", "none"), answer(chain, "crank_pulses", "steady"),
        answer(chain, "coil_ohm", "both inside the limits"),
        answer(chain, "clamp_coil_lead", "every firing"),
    ]  # fmt: skip
    assert ff.belief(chain, events) == pytest.approx(ff.belief(chain, events[::-1]))


# --- choice ----------------------------------------------------------------------------------


def test_air_and_fuel_come_first() -> None:
    for chain in CHAINS:
        choice = ff.next_test(chain, [])
        assert choice is not None and choice.tests[0].id == "air_fuel"


def test_safest_prefers_the_safe_test_that_tells_as_much() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    safe, risky = chain.tests["fuse_look"], chain.tests["coil_swap"]
    best = ff.Choice((risky,), 0.8, 1.0)
    assert ff.safest([best, ff.Choice((safe,), 0.8, 100.0)]).tests == (safe,)
    assert ff.safest([best, ff.Choice((safe,), 0.79, 1.0)]).tests == (risky,)


def test_cannot_test_is_not_asked_again_and_changes_no_belief() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    events: list[ff.Event] = [ff.Answer("air_fuel", None)]
    assert ff.belief(chain, events) == pytest.approx(chain.prior)
    for _ in range(len(chain.tests)):
        choice = ff.next_test(chain, events, sure=0.999)
        if choice is None:
            break
        names = [t.id for t in choice.tests]
        assert not set(names) & {e.test for e in events if isinstance(e, ff.Answer)}
        events += [ff.Answer(name, None) for name in names]
    else:
        pytest.fail("the search goes on for ever")


def test_the_same_signal_is_not_asked_twice_and_timing_only_with_a_spark() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    first = answer(chain, "primary_edges", "every firing")
    asked = {c.tests[0].id for c in ff.choices(chain, [first]) if len(c.tests) == 1}
    assert not asked & {"primary_lamp", "rev_counter"} and "spark_angle" not in asked
    spark = answer(chain, "clamp_plug_lead", "every firing")
    asked = {c.tests[0].id for c in ff.choices(chain, [spark]) if len(c.tests) == 1}
    assert "spark_angle" in asked and "spark_plug_lead" not in asked


def test_one_crank_takes_one_test_per_input() -> None:
    chain = CHAINS[[c.variant.trigger for c in CHAINS].index("controller")]
    for choice in ff.choices(chain, []):
        inputs = [t.input for t in choice.tests]
        assert len(choice.tests) == 1 or len(set(inputs)) == len(inputs)
    assert any(len(c.tests) > 2 for c in ff.choices(chain, []))


def test_a_repair_that_does_not_help_clears_the_link_and_reopens_its_tests() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    events: list[ff.Event] = [
        answer(chain, "air_fuel", "air and fuel are there"),
        answer(chain, "fuse_look", "blown, or no click"),
        answer(chain, "supply_walk", "at fuse or relay"),
        answer(chain, "clamp_plug_lead", "none"),
    ]
    i = chain.index["fuse"]
    assert ff.link_chances(chain, ff.belief(chain, events))[i] > 0.5
    mended = [*events, ff.Repair("fuse", False)]
    p = ff.belief(chain, mended)
    assert ff.link_chances(chain, p, ff.mended_by(mended))[i] == 0
    pairs = chain.sets.sum(axis=1) == 2
    with_fuse = chain.sets[:, i]
    # The fuse was seen blown, so "fuse and something else" is now far likelier than at the start.
    assert p[pairs & with_fuse].sum() > 20 * chain.prior[pairs & with_fuse].sum()
    assert {"fuse_look", "clamp_plug_lead"}.isdisjoint(ff.closed_tests(chain, mended))
    assert "air_fuel" in ff.closed_tests(chain, mended)


# --- contradiction ---------------------------------------------------------------------------


def test_contradictory_answers_are_noticed_and_both_named() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    events = [
        answer(chain, "supply_walk", "at fuse or relay"),
        answer(chain, "clamp_plug_lead", "every firing"),
    ]
    doubt = ff.contradiction(chain, events)
    assert doubt is not None
    assert set(doubt.suspects) == {"supply_walk", "clamp_plug_lead"}
    assert doubt.slip > 0.5 and max(doubt.slips) <= doubt.slip
    choice = ff.next_test(chain, events)
    assert choice is not None and not choice.again, "air and fuel still come first"
    events.insert(0, answer(chain, "air_fuel", "air and fuel are there"))
    choice = ff.next_test(chain, events)
    assert choice is not None and choice.again and choice.tests[0].id in doubt.suspects


def test_a_rare_fault_is_no_contradiction() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    events = [
        answer(chain, "air_fuel", "air and fuel are there"),
        answer(chain, "clamp_plug_lead", "every firing"),
        answer(chain, "spark_angle", "far off"),
    ]
    assert ff.contradiction(chain, events) is None
    assert ff.finding(chain, events, draws=20).link.id == "timing"


def test_an_answer_given_anew_replaces_the_old_one_and_a_second_look_stands_beside_it() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    wrong = answer(chain, "supply_walk", "at fuse or relay")
    right = answer(chain, "supply_walk", "nowhere (a ballast resistor's drop is right)")
    spark = answer(chain, "clamp_plug_lead", "every firing")
    fuse = chain.index["fuse"]
    corrected = ff.belief(chain, [wrong, spark, right])
    assert corrected == pytest.approx(ff.belief(chain, [right, spark]))
    looked = [
        float(ff.link_chances(chain, ff.belief(chain, [wrong, spark, *more]))[fuse])
        for more in ([replace(right, again=True)], [], [replace(wrong, again=True)])
    ]
    assert looked[0] < looked[1] < looked[2]
    # Two looks that differ speak for a fault that comes and goes.
    here, gone = (answer(chain, "crank_pulses", x) for x in ("none", "steady"))
    one = ff.belief(chain, [here])[chain.fleeting].sum()
    assert ff.belief(chain, [here, replace(gone, again=True)])[chain.fleeting].sum() > 2 * one
    first = answer(chain, "air_fuel", "air and fuel are there")
    events: list[ff.Event] = [first, wrong, spark]
    asked: list[str] = []
    while (choice := ff.next_test(chain, events)) is not None and choice.again:
        name = choice.tests[0].id
        asked.append(name)
        old = next(e for e in events if isinstance(e, ff.Answer) and e.test == name)
        events.append(ff.Answer(name, old.outcome, again=True))
    assert sorted(asked) == sorted(set(asked)) and asked


def test_no_link_is_sure_while_one_slip_could_have_named_it() -> None:
    """Every answer without which the link would fall below 80 % is asked for twice, and a second
    look that cannot be had leaves it unsure."""
    chain = ff.chain_of(DISTRIBUTOR)
    truth = {"supply_walk": "nowhere (a ballast resistor's drop is right)", "coil_ohm": "both",
             "module_bench": "the module is bad", "crank_pulses": "steady",
             "supply_cranking": "9.6 V or more"}  # fmt: skip

    def ask(again: bool) -> tuple[list[ff.Event], list[str]]:
        events: list[ff.Event] = []
        twice: list[str] = []
        while (choice := ff.next_test(chain, events, 0.92)) is not None:
            for test in choice.tests:
                said = truth.get(test.id)
                outcome = (
                    next(k for k, x in enumerate(test.outcomes) if x.startswith(said)) if said
                    else 0 if test.id in ("air_fuel", "cap_look") else len(test.outcomes) - 1
                )  # fmt: skip
                there = again or not choice.again
                events.append(ff.Answer(test.id, outcome if there else None, again=choice.again))
                twice += [test.id] * choice.again
        return events, twice

    events, twice = ask(again=True)
    ends = ff.result(chain, events, 0.92)
    assert ends.sure and ends.link == "module" and "module_bench" in twice
    i = chain.index["module"]
    for test in {e.test for e in events if isinstance(e, ff.Answer)} - set(twice):
        rest = [e for e in events if isinstance(e, ff.Answer) and e.test != test]
        assert ff.link_chances(chain, ff.belief(chain, rest))[i] >= 0.8, test
    assert not ff.result(chain, ask(again=False)[0], 0.92).sure


def test_a_second_look_that_cannot_be_had_makes_nothing_sure() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    walk = answer(chain, "supply_walk", "at fuse or relay")
    events: list[ff.Event] = [answer(chain, "air_fuel", "air and fuel are there"), walk]
    events += [answer(chain, "clamp_plug_lead", "none"), answer(chain, "primary_edges", "none")]
    assert ff.link_chances(chain, ff.belief(chain, events))[chain.index["fuse"]] > 0.75
    assert not ff.result(chain, events, 0.75).sure
    assert not ff.result(chain, [*events, ff.Answer("supply_walk", None, again=True)], 0.75).sure
    assert ff.result(chain, [*events, replace(walk, again=True)], 0.75).sure


def test_a_plausible_link_that_no_answer_speaks_of_is_looked_at_before_nothing_is_said() -> None:
    """Sparks at every plug: of their angle nobody knows, and it is asked for, little as it tells.
    With the answer "far off", twice, it is the link that is named."""
    chain = ff.chain_of(DISTRIBUTOR)
    events: list[ff.Event] = []
    while (choice := ff.next_test(chain, events)) is not None:
        off = [t.id for t in choice.tests] == ["spark_angle"]
        events += [ff.Answer(t.id, int(off), again=choice.again) for t in choice.tests]
    asked = [e.test for e in events if isinstance(e, ff.Answer)]
    assert "clamp_plug_lead" in asked and "spark_angle" in asked
    assert ff.result(chain, events).link == "timing"
    before = [e for e in events if isinstance(e, ff.Answer) and e.test != "spark_angle"]
    assert "timing" in [x.id for x in ff.untested(chain, before, None)]
    fine = [*before, ff.Answer("spark_angle", 0)]
    assert ff.result(chain, fine).kind == "nothing"
    assert "timing" not in [x.id for x in ff.untested(chain, fine, None)]


def test_what_a_dead_signal_hides_is_told_as_not_tested() -> None:
    """Nothing at the coil: what lies behind it may be bad as well, for all that was seen."""
    chain = ff.chain_of(DISTRIBUTOR)
    events = [
        answer(chain, "supply_walk", "at fuse or relay"), answer(chain, "clamp_plug_lead", "none"),
        answer(chain, "coil_ohm", "both inside the limits"),
        answer(chain, "cap_look", "cap, rotor and lead good"),
    ]  # fmt: skip
    hidden = {x.id for x in ff.untested(chain, events, "fuse")}
    assert {"module", "pickup", "leads", "plugs", "timing"} <= hidden
    assert hidden.isdisjoint({"fuse", "coil_primary", "cap_rotor", "coil_lead"})


def test_a_second_crank_takes_all_that_the_board_heard() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    events: list[ff.Event] = [ff.Answer("air_fuel", 0), ff.Answer("supply_cranking", 2)]
    events += [ff.Answer("crank_pulses", 0), ff.Answer("clamp_plug_lead", 0)]
    choice = ff.next_test(chain, events)
    while choice is not None and not choice.again:
        events += [ff.Answer(t.id, 0) for t in choice.tests]
        choice = ff.next_test(chain, events)
    assert choice is not None and choice.tests[0].id == "supply_cranking"
    others = {t.id for t in choice.tests[1:]}
    assert {"crank_pulses", "clamp_plug_lead"} <= others and len(choice.tests) <= 5


# --- result ----------------------------------------------------------------------------------


def test_finding_carries_its_interval_its_reasons_and_what_even_odds_say() -> None:
    chain = ff.chain_of(DISTRIBUTOR)
    events = [
        answer(chain, "air_fuel", "air and fuel are there"),
        answer(chain, "crank_pulses", "none"),
        answer(chain, "supply_walk", "nowhere (a ballast resistor's drop is right)"),
    ]
    found = ff.finding(chain, events)
    assert found.link.id == "pickup"
    assert found.low <= found.chance <= found.high <= 1 and found.agree > 0.9
    assert found.reasons[0].event == events[1] and found.reasons[0].bits > 3
    assert found.confirm is not None and "pickup" in found.confirm.bad
    assert found.evens[0].id == "pickup"
    assert ff.finding(chain, events) == found, "the same events give the same result"


def test_typed_odds_and_minutes_change_the_search() -> None:
    plain = ff.chain_of(DISTRIBUTOR)
    typed = ff.chain_of(DISTRIBUTOR, odds={"leads": 200}, minutes={"plugs_leads": 0.1})
    i = plain.index["leads"]
    assert ff.link_chances(typed, typed.prior)[i] > 0.5 > ff.link_chances(plain, plain.prior)[i]
    assert typed.cost((typed.tests["plugs_leads"],)) < plain.cost((plain.tests["plugs_leads"],))


@pytest.mark.parametrize(
    ("kinds", "says"),
    [
        ({}, "Say --switch"),
        ({"switch": "steam"}, "is no switch"),
        ({"switch": "points", "trigger": "controller", "distribution": "leads"}, "Points are"),
        ({"switch": "points", "distribution": "plugtop"}, "every plug"),
        ({"switch": "capacitive", "trigger": "pickup", "sensor": "coil",
          "distribution": "leads", "feed": "steady"}, "pulses the coil"),
    ],
)  # fmt: skip
def test_impossible_ignitions_get_one_sentence(kinds: dict[str, str], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        ff.variant_of(**kinds)


# --- stored runs -----------------------------------------------------------------------------

_events = st.lists(
    st.one_of(
        st.sampled_from(list(ff.chain_of(DISTRIBUTOR).tests.values())).flatmap(
            lambda t: st.builds(
                ff.Answer, st.just(t.id),
                st.one_of(st.none(), st.integers(0, len(t.outcomes) - 1)),
                st.one_of(st.none(), st.floats(0, 15)), st.just("typed"), st.text(max_size=5),
                st.booleans(),
            )
        ),
        st.builds(
            ff.Repair, st.sampled_from([x.id for x in ff.chain_of(DISTRIBUTOR).links]),
            st.booleans(), st.text(max_size=5),
        ),
    ),
    max_size=12,
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(_events)
def test_a_run_comes_back_as_it_was_stored(events: list[ff.Event]) -> None:
    run = ff.Run(DISTRIBUTOR, True, tuple(events), {"fuse": 3.0}, {}, 0.95, 0.1, "now", {"a": 1})
    again = ff.run_from_dict(json.loads(json.dumps(ff.run_to_dict(run))))
    assert again == run
    p = ff.belief(run.chain(), run.events)
    assert p.sum() == pytest.approx(1) and np.isfinite(p).all() and (p >= 0).all()


@pytest.mark.parametrize(
    ("damage", "says"),
    [
        (lambda d: d.clear(), "is not a stored"),
        (lambda d: d.update(version=99), "version 99"),
        (lambda d: d.pop("ignition"), "missing or damaged"),
        (lambda d: d["ignition"].update(switch="steam"), "is no switch"),
        (lambda d: d["events"].append({"kind": "answer", "test": "nonsense"}), "no test"),
        (lambda d: d["events"][0].update(outcome="purple"), "no outcome"),
        (lambda d: d["events"].append(7), "missing or damaged"),
    ],
)
def test_a_damaged_run_is_refused_in_one_sentence_and_left_alone(
    tmp_path: Path, damage: Any, says: str
) -> None:
    run = ff.Run(DISTRIBUTOR, False, (ff.Answer("fuse_look", 0),))
    data = ff.run_to_dict(run)
    damage(data)
    path = tmp_path / "run.json"
    path.write_text(json.dumps(data))
    before = path.read_bytes()
    result = CliRunner().invoke(main, ["findfault", "--resume", str(path), "--json"])
    assert result.exit_code == 1 and says in result.output
    assert path.read_bytes() == before
    assert result.output.count("\n") == 1


def test_a_failed_write_leaves_the_old_run_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.json"
    run = ff.Run(DISTRIBUTOR, False)
    store.store(path, run)
    before = path.read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UserError, match="No space left"):
        store.store(path, run.with_event(ff.Answer("fuse_look", 0)))
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path], "no half-written file stays behind"


# --- the command -----------------------------------------------------------------------------


def _call(*words: str) -> tuple[int, Any]:
    result = CliRunner().invoke(main, ["findfault", *words, "--json"])
    return result.exit_code, json.loads(result.stdout)


def test_a_script_can_walk_through_a_search(tmp_path: Path) -> None:
    """By hand, one call per answer, each from the stored file alone."""
    path = str(tmp_path / "run.json")
    truth = {
        "air_fuel": "air and fuel are there", "supply_walk": "nowhere", "cap_look": "cap or rotor",
        "coil_ohm": "both", "primary_lamp": "flickers evenly", "supply_cranking_meter": 10.4,
        "spark_coil_lead": "a strong spark", "spark_plug_lead": "none",
        "plugs_leads": "plugs wet", "controller_lines": "skip",
    }  # fmt: skip
    code, state = _call(*KINDS, "--by-hand", "--store", path, "--sure", "0.92")
    asked: list[str] = []
    while state["next"] is not None and len(asked) < 12:
        assert code == codes.NOTHING
        name = state["next"]["tests"][0]["test"]
        asked.append(name)
        code, state = _call("--resume", path, "--say", f"{name}={truth.get(name, 'skip')}")
    assert state["over"] and state["finding"]["link"] == "cap_rotor" and state["finding"]["sure"]
    assert code == 0 and asked[0] == "air_fuel"
    code, state = _call("--resume", path, "--mended", "cap_rotor", "--starts")
    assert code == 0 and state["starts"] and state["next"] is None
    assert "measure" in state["finding"]["then"]


def test_answers_from_a_file_end_the_search_in_one_call(tmp_path: Path) -> None:
    chain = ff.chain_of(ff.variant_of(switch="points", distribution="distributor"), board=False)
    table = {name: test.outcomes[0] for name, test in chain.tests.items()}
    table["points_look"] = "burnt"
    dead = ("primary_lamp", "spark_coil_lead", "spark_plug_lead", "rev_counter")
    table |= {name: chain.tests[name].outcomes[-1] for name in dead}
    table |= {f"{name} again": said for name, said in table.items()}
    file = tmp_path / "answers.json"
    file.write_text(json.dumps(table))
    code, state = _call("--switch", "points", "--distribution", "distributor", "--by-hand",
                        "--store", str(tmp_path / "r.json"), "--answers", str(file))  # fmt: skip
    asked = [e["test"] for e in state["run"]["events"]]
    assert "points_look" in asked and state["finding"]["link"] in ("points", "condenser")
    assert code in (0, codes.NOTHING, codes.NOT_SURE)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--switch", "inductive"], "Say --trigger"),
        ([*KINDS, "--by-hand", "--say", "nonsense=a"], "there is no test"),
        ([*KINDS, "--by-hand", "--say", "points_look=a"], "is no test for this kind"),
        ([*KINDS, "--by-hand", "--say", "fuse_look=green"], "is no answer"),
        ([*KINDS, "--by-hand", "--say", "battery_rest=-40"], "cannot be"),
        ([*KINDS, "--by-hand", "--say", "battery_rest=nan"], "cannot be"),
        ([*KINDS, "--by-hand", "--odds", "fuse"], "NAME=NUMBER"),
        ([*KINDS, "--by-hand", "--odds", "fuse=-1"], "above 0"),
        ([*KINDS, "--by-hand", "--odds", "warp=1"], "no link"),
        ([*KINDS, "--by-hand", "--mended", "warp"], "has no link"),
        ([*KINDS, "--by-hand", "--starts"], "goes with --mended"),
        ([*KINDS, "--by-hand", "--port", "x"], "give one of"),
        ([*KINDS, "--by-hand", "--reference", "wobble"], "is not known"),
        (["--resume", "/nowhere/run.json"], "cannot read"),
        ([*KINDS, "--by-hand", "--answers", "/nowhere.json"], "cannot read"),
    ],
)
def test_nonsense_gets_one_sentence(tmp_path: Path, words: list[str], says: str) -> None:
    store = [] if "--resume" in words else ["--store", str(tmp_path / "r.json")]
    result = CliRunner().invoke(main, ["findfault", *words, *store])
    assert result.exit_code in (1, 2) and says in result.output
    assert "Traceback" not in result.output


def test_an_existing_run_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "r.json"
    path.write_text("precious")
    result = CliRunner().invoke(main, ["findfault", *KINDS, "--by-hand", "--store", str(path)])
    assert result.exit_code == 1 and "--resume" in result.output
    assert path.read_text() == "precious"


def test_list_shows_links_and_tests() -> None:
    result = CliRunner().invoke(main, ["findfault", *KINDS, "--by-hand", "--list"])
    assert result.exit_code == 0
    assert "cap_rotor" in result.output and "coil_ohm" in result.output


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")
def test_a_person_finds_a_bad_ground_and_undoes_a_slip(tmp_path: Path) -> None:
    """The real program on a real terminal, typed at as a technician would."""
    import pty
    import select

    store = tmp_path / "r.json"
    master, slave = pty.openpty()
    kinds = ["--switch", "inductive", "--trigger", "pickup", "--sensor", "coil",
             "--distribution", "distributor", "--feed", "steady"]  # fmt: skip
    process = subprocess.Popen(
        [sys.executable, "-c", "from sparkwitness.cli import main; main()", "findfault", *kinds,
         "--by-hand", "--sure", "0.92", "--store", str(store)],
        stdin=slave, stdout=slave, stderr=slave, close_fds=True,
    )  # fmt: skip
    os.close(slave)
    heard = b""

    def until(words: str) -> None:
        nonlocal heard
        while words.encode() not in heard:
            ready, _, _ = select.select([master], [], [], 60)
            assert ready, f"waited for {words!r}, heard {heard[-2000:].decode()}"
            heard += os.read(master, 4096)
        heard = heard.split(words.encode(), 1)[1]

    def say(text: str) -> None:
        os.write(master, text.encode() + b"\n")

    try:
        until("turn the engine over")
        say("")
        until("Before you go near it")
        until("q quit:")
        say("purple")
        until("is no answer")
        until("q quit:")
        say("b")  # a slip
        until("Now: elsewhere")
        until("q quit:")
        say("u")
        until("Taken back: air_fuel")
        until("q quit:")
        say("a")
        until("Where is")
        until("q quit:")
        say("w")
        until("ground")
        until("q quit:")
        say("b")
        until("a number in V")
        say("1.4")
        until("once more, in another way")
        until("q quit:")
        say("b")
        until("once more, in another way")
        until("a number in V")
        say("1.3")
        until("Found: ground")
        until("not tested")
        until("before you buy")
        until("q quit:")
        say("m")
        until("Which link")
        say("")
        until("start now?")
        say("y")
        until("sparkwitness measure")
        assert process.wait(30) == 0
    finally:
        process.kill()
        os.close(master)
    stored = json.loads(store.read_text())
    assert [e.get("test") for e in stored["events"]] == [
        "air_fuel", "supply_walk", "ground_drop", "supply_walk", "ground_drop", None
    ]  # fmt: skip
    assert stored["events"][2]["reading"] == 1.4


def test_outcome_tables_agree_with_the_whole_likelihood() -> None:
    """The short cut against Bayes' rule spelt out: P(outcome | events) = P(both) / P(events)."""
    for variant in VARIANTS[::3]:
        chain = ff.chain_of(variant)
        events: list[ff.Event] = [ff.Answer("air_fuel", 0), ff.Answer("coil_ohm", 0)]
        before = ff.likelihood(chain, events)
        for choice in ff.choices(chain, events):
            outcomes = product(*(range(len(t.outcomes)) for t in choice.tests))
            both = [
                ff.likelihood(
                    chain,
                    [*events, *(ff.Answer(t.id, k) for t, k in zip(choice.tests, o, strict=True))],
                )
                for o in outcomes
            ]
            table = np.stack(both, axis=1) / before[:, None]
            assert ff.outcome_table(chain, events, choice.tests) == pytest.approx(table)
