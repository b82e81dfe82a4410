"""The table of links and tests made anew: what is filled in, taken over and refused, by hand."""

from dataclasses import replace

import numpy as np
import pytest

from fault_parts import chain, test
from sparkwitness.fault import chain as table
from sparkwitness.fault import model as ff

FIXED = {"switch": "inductive", "trigger": "pickup", "sensor": "coil", "feed": "steady"}


def made(**kinds):
    """A variant, its chain and their tests, all made here."""
    return table.chain_of(table.variant_of(**{**FIXED, "distribution": "distributor", **kinds}))


POINTS = {"switch": "points", "trigger": "points", "sensor": "none"}


def test_what_each_answer_is_read_for():
    """One in ten is misread, as any of the others alike; never worse than chance."""
    three = test("t", (0.8, 0.1, 0.1), misread=0.1)
    for careless, right in ((1.0, 0.9), (2.0, 0.8), (6.0, 0.4), (7.0, 1 / 3), (99.0, 1 / 3)):
        found = three.reading_by(careless)
        assert found == pytest.approx(np.where(np.eye(3, dtype=bool), right, (1 - right) / 2))
    assert three.reading == pytest.approx(three.reading_by(1.0))


@pytest.mark.parametrize(
    ("edges", "number", "outcome"),
    [
        ((12.2, 11.5), 12.2, 0), ((12.2, 11.5), 12.19, 1), ((12.2, 11.5), 11.5, 1),
        ((12.2, 11.5), 11.49, 2), ((12.2, 11.5), 16.0, 0), ((12.2, 11.5), 24.4, 0),
        ((12.2, 11.5), 24.3, 1), ((12.2, 11.5), 22.9, 2), ((0.3, 1.0), 0.3, 0),
        ((0.3, 1.0), 0.31, 1), ((0.3, 1.0), 1.0, 1), ((0.3, 1.0), 17.0, 2),
        # Volts of a 12 V system from 5 V on: a drop, or a sensor's 5 V, has no second battery.
        ((5.0, 4.0), 9.9, 0), ((5.0, 18.0), 17.0, 1), ((5.5, 9.0), 16.5, 1), ((5.5, 9.0), 18.1, 2),
        ((5.5, 9.0), 15.9, 2), ((4.5, 18.0), 17.0, 1), ((3.0,), 2.9, 0), ((3.0,), 3.0, 0),
        ((3.0,), 3.1, 1), ((3.0,), -1.0, 0), ((3.0,), 100.0, 1),
    ],
)  # fmt: skip
def test_a_number_finds_its_outcome(edges, number, outcome):
    one = replace(test("t"), unit="V", edges=edges)
    assert one.outcome_of(number) == outcome
    for wrong in (-1.01, 100.01, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="type 0 to 100 V"):
            one.outcome_of(wrong)


def test_ohms_are_of_no_second_battery():
    assert replace(test("t"), unit="ohm", edges=(12.2, 11.5)).outcome_of(20.0) == 0
    assert replace(test("t"), unit="ohm", edges=(30.0, 25.0)).outcome_of(26.0) == 1
    with pytest.raises(ValueError, match="takes no number"):
        test("t").outcome_of(1.0)


def test_rows_that_are_like_others():
    """A test taken over with what differs; a link with no chances is none of its."""
    model = table.model.__wrapped__()["tests"]
    assert model["primary_lamp"]["good"] == [0.93, 0.05, 0.02]
    assert model["primary_lamp"]["bad"] == model["primary_edges"]["bad"]
    assert model["primary_lamp"]["after"] == model["primary_edges"]["after"]
    gapped, clamp = model["spark_plug_lead"], model["clamp_plug_lead"]
    assert gapped["bad"] == {k: v for k, v in clamp["bad"].items() if k != "plugs"}
    assert clamp["bad"]["plugs"] == [0.45, 0.20, 0.35] and gapped["hazard"] == 3
    hall = model["crank_pulses_hall"]["bad"]
    assert hall["battery"] == [0.75, 0.13, 0.12] and hall["pickup"] == [0.03, 0.20, 0.77]
    assert not any("like" in row for row in model.values())
    signals = [name for name, row in model.items() if row.get("signal")]
    assert "clamp_coil_lead" in signals and "battery_rest" not in signals


def test_kinds_that_are_filled_in_and_that_go_ill_together():
    assert table.variant_of(switch="points", distribution="distributor") == table.Variant(
        "points", "points", "none", "distributor", "steady"
    )
    cdi = {"switch": "capacitive", "trigger": "pickup", "sensor": "coil", "distribution": "plugtop"}
    assert table.variant_of(**cdi).feed == "pulsed"
    assert table.variant_of(**FIXED, distribution="plugtop").distribution == "plugtop"
    assert table.variant_of(**POINTS, distribution="leads").feed == "steady"
    assert table.variant_of(**POINTS, feed="pulsed", distribution="leads").feed == "pulsed"
    for kinds, says in (
        ({"distribution": "leads", **{k: v for k, v in FIXED.items() if k != "feed"}}, "--feed"),
        ({**cdi, "feed": "steady"}, "use --feed pulsed"),
        ({**FIXED, "distribution": "ask"}, "is no distribution"),
        ({**FIXED, "distribution": "leads", "sensor": "none"}, "or none of them"),
        ({**FIXED, "distribution": "leads", "trigger": "points"}, "or none of them"),
        ({**POINTS, "trigger": "pickup", "distribution": "leads"}, "or none of them"),
        ({**POINTS, "distribution": "plugtop"}, "on every plug"),
    ):
        with pytest.raises(ValueError, match=says):
            table.variant_of(**kinds)


def test_links_of_a_kind_and_their_odds():
    """Those outside of the list come last, as if one of the links that is there were bad."""
    rows = table.model()["links"]
    found = made()
    listed = [x for x in found.links if not x.unlisted]
    assert [x.id for x in listed] == [
        n for n, row in rows.items()
        if found.variant.has(row.get("only", {}))
    ]  # fmt: skip
    assert found.links[: found.listed] == tuple(listed)
    for x in listed:
        fewer = rows[x.id].get("fewer", {})
        assert x.odds == fewer.get("distributor", rows[x.id]["odds"])
    unlisted = {x.id: x.odds for x in found.links if x.unlisted}
    # No controller and no points: nothing keeps a trigger from the module.
    assert unlisted == {"supply": 9, "count": 6, "switch": 9, "high": 9, "run": 9}
    points = made(**POINTS)
    assert {x.id for x in points.links if x.unlisted} == {
        "supply", "trigger", "switch", "high", "run",
    }  # fmt: skip
    typed = table.chain_of(found.variant, odds={"coil_lead": 7.5}, minutes={"coil_ohm": 2.5})
    assert (
        typed.links[typed.index["coil_lead"]].odds == 7.5 and typed.tests["coil_ohm"].minutes == 2.5
    )
    assert found.second == 0.1 and table.chain_of(found.variant, second=0.25).second == 0.25


def test_what_a_test_shows_of_what_is_not_listed():
    """On the signal it is as the link that it is like; a test that looks at the part sees none."""
    for kinds, name, like in (
        ({}, "switch", "module"), (POINTS, "switch", "points"), (POINTS, "trigger", "points"),
        ({"trigger": "controller"}, "trigger", "controller"), ({}, "high", "coil_secondary"),
    ):  # fmt: skip
        found = made(**kinds)
        edges = found.tests["clamp_coil_lead"].bad
        assert edges[name] == edges[like]
        for test_id, one in found.tests.items():
            assert (name in one.bad) == (
                like in one.bad and bool(table.model()["tests"][test_id].get("signal"))
            )
    assert "run" not in {link for t in made().tests.values() for link in t.bad}


def test_tests_of_a_kind_with_and_without_the_board():
    found = made()
    assert "clamp_coil_lead" in found.tests and "points_look" not in found.tests
    assert "clamp_coil_lead" not in made(distribution="leads").tests
    assert [n for n, t in found.tests.items() if t.first] == ["air_fuel"]
    by_hand = table.chain_of(found.variant, board=False)
    assert set(found.tests) - set(by_hand.tests) == {
        n for n, t in found.tests.items() if t.by == "board"
    }
    assert found.tests["clamp_plug_lead"].input == "clamp_b" and not found.tests["coil_ohm"].input
    misread = {n: found.tests[n].misread for n in ("crank_pulses", "fuse_look", "battery_rest",
                                                   "spark_plug_lead", "coil_swap")}  # fmt: skip
    assert misread == {"crank_pulses": 0.06, "fuse_look": 0.14, "battery_rest": 0.09,
                       "spark_plug_lead": 0.12, "coil_swap": 0.09}  # fmt: skip


@pytest.mark.parametrize(
    ("told", "misread", "parts"),
    [
        ((0.9, 0.1), 0.1, (0.8 / 0.8, 0.3 * 0.1)),
        ((0.6, 0.4), 0.1, (0.5 / 0.8, 0.3 / 0.8)),
        ((0.5, 0.3, 0.2), 0.1, (0.45 / 0.85, 0.25 / 0.85, 0.15 / 0.85)),
        ((0.96, 0.03, 0.01), 0.06, (0.93 / 0.91, 0.3 * 0.03, 0.3 * 0.01)),
    ],
)
def test_what_there_is_to_see_is_what_is_told_less_what_is_misread(told, misread, parts):
    """Told = (1 - m) seen + m / (n - 1) of the others; at least 0.3 of it is in the part."""
    found = table._to_see(told, misread)
    assert found == pytest.approx(np.array(parts) / sum(parts))
    if min(parts) > 0.3 * min(told):  # then it is told as in the table again
        n = len(told)
        slips = np.where(np.eye(n, dtype=bool), 1 - misread, misread / (n - 1))
        assert np.array(found) @ slips == pytest.approx(told)


def test_what_is_further_up_a_signal_has_as_many_outcomes():
    """An outcome is handed down by its place among them."""
    rows = table.model()["tests"]
    for name, row in rows.items():
        assert {len(rows[a]["outcomes"]) for a in row.get("after", ())} <= {len(row["outcomes"])}, (
            name
        )


@pytest.mark.parametrize("second", [-0.01, 1.0])
def test_a_share_of_second_faults_that_cannot_be(second):
    variant = made().variant
    with pytest.raises(ValueError, match=r"type 0 to 0\.9"):
        table.chain_of(variant, second=second)
    assert table.chain_of(variant, second=0.0).sets.sum(axis=1).max() == 1
    assert table.chain_of(variant, second=0.99).prior.sum() == pytest.approx(1.0)
    for odds, minutes, says in (
        ({"nothing": 1.0}, {}, "no link"), ({}, {"nothing": 1.0}, "no test"),
        ({"feed": 0.0}, {}, "above 0"), ({"feed": float("inf")}, {}, "above 0"),
        ({}, {"coil_ohm": -1.0}, "above 0"),
    ):  # fmt: skip
        with pytest.raises(ValueError, match=says):
            table.chain_of(variant, odds=odds, minutes=minutes)


def test_odds_as_shares():
    """Of three links; pairs are the product of their shares, a tenth in all."""
    three = replace(
        chain({"A": 5.0, "B": 3.0, "C": 2.0}, test("t", bad={"A": (0.2, 0.8)})), second=0.1
    )
    two = np.array([0.15, 0.10, 0.06])
    alone = np.array([0.5, 0.3, 0.2, 0.125, 0.075, 0.05, 0.12])
    assert three.prior[[0, 1, 2, 6, 7, 8, 9]] == pytest.approx(0.9 * alone / alone.sum())
    assert three.prior[3:6] == pytest.approx(0.1 * two / two.sum())
    assert three.sets[3:6].tolist() == [
        [True, True, False],
        [True, False, True],
        [False, True, True],
    ]
    assert ff.SURE == 0.95
