"""Plans: nothing that makes no sense reaches the drive, each refused in one sentence."""

import json

import pytest

from sparkwitness.bench import plan as bench_plan
from sparkwitness.bench.plan import Plan
from sparkwitness.decode import wire
from sparkwitness.errors import UserError

REFUSED = [
    ({"steps": [-100]}, "a step must be from 60 to 20000"),
    ({"steps": [25000]}, "a step must be from 60 to 20000"),
    ({"steps": [float("nan")]}, "a step must be from 60 to 20000"),
    ({"steps": ["fast"]}, "a step must be a number"),
    ({"steps": 900}, "steps must be a list"),
    ({"ramps": [[500, 500, 9]]}, "is a step: type it so"),
    ({"ramps": [[500, 99999, 9]]}, "a ramp's end must be"),
    ({"ramps": [[500, 900, 0]]}, "a ramp's length must be"),
    ({"ramps": [[500, 900]]}, "a ramp is [from rpm, to rpm, seconds]"),
    ({"steps": [], "ramps": []}, "the plan drives nothing"),
    ({"seconds": -1}, "seconds must be from 0.5"),
    ({"seconds": float("inf")}, "seconds must be from 0.5"),
    ({"cylinders": 0}, "cylinders must be from 1 to 16"),
    ({"cylinders": 4.5}, "cylinders must be a whole number"),
    ({"cylinders": True}, "cylinders must be a whole number"),
    ({"strokes": 3}, "strokes must be one of 2, 4"),
    ({"width_us": 0}, "width_us must be from 1 to 100000"),
    ({"width_us": 6000}, "do not fit between firings"),
    ({"cylinders": 12, "steps": [9000], "width_us": 50, "dead_time_us": 390}, "too long for"),
    ({"kind": "magneto"}, "kind must be one of inductive, capacitive"),
    ({"kind": "inductive", "fires_at": "start"}, "fires at the end of the dwell"),
    ({"kind": "capacitive", "fires_at": "middle"}, "fires_at must be one of start, end"),
    ({"active": "up"}, "active must be one of high, low"),
    ({"clamp_input": "crank"}, "clamp_input must be one of"),
    ({"soak_minutes": -5}, "soak_minutes must be from 0"),
    ({"soak_minutes": 5, "soak_rpm": 30000}, "soak_rpm must be from 60"),
    ({"limits": {"delay_us": {"least": 60, "most": 10}}}, "above its most"),
    ({"limits": {"delay_us": {"most": -10}}}, "the limit of delay_us must be from 0"),
    ({"limits": {"drop_out_percent": {"most": 101}}}, "must be from 0 to 100"),
    ({"limits": {"delay_us": {}}}, "neither least nor most"),
    ({"limits": {"delay": {"most": 10}}}, "there is no limit called delay; did you mean delay_us"),
    ({"limits": {"delay_us": 60}}, "must be like { least = 1, most = 2 }"),
    ({"limits": {"delay_us": {"max": 60}}}, "must be like"),
    ({"limits": {"rev_limit_rpm": {"least": 30000}}}, "must be from 0 to 20000"),
    ({"limits": [1]}, "limits must be a table"),
    ({"margins": {"delay_us": 0}}, "the margin of delay_us must be"),
    ({"margins": {"speed": 1}}, "there is no margin called speed"),
    ({"margins": {"delay_us": "5"}}, "the margin of delay_us must be a number, not '5'"),
    ({"limits": {"delay_us": {"most": "60"}}}, "limit of delay_us must be a number, not '60'"),
    ({"ramps": [5]}, "a ramp is [from rpm, to rpm, seconds], not 5"),
    ({"step": [900]}, "there is no entry called step; did you mean steps"),
    ({"clamp_falling": "yes"}, "clamp_falling must be true or false"),
    ({"title": 4}, "title must be text"),
]


@pytest.mark.parametrize(("values", "sentence"), REFUSED)
def test_what_makes_no_sense_is_refused_in_one_sentence(values, sentence):
    with pytest.raises(UserError) as refused:
        Plan.from_dict(values)
    assert sentence in refused.value.message
    assert "\n" not in refused.value.message


def test_a_plan_survives_json():
    plan = Plan.from_dict({
        "kind": "capacitive", "active": "low", "steps": [800.5, 1200], "ramps": [[500, 900, 4]],
        "limits": {"delay_us": {"most": 60}, "supply_v": {"least": 11, "most": 15}},
        "margins": {"delay_us": 2}, "width_us": 800,
    })  # fmt: skip
    assert Plan.from_dict(json.loads(json.dumps(plan.to_dict()))) == plan
    assert plan.fires_at == "start"
    assert plan.edge == "falling"


def test_a_plan_file(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text('kind = "inductive"\nsteps = [900]\n[limits]\ndelay_us = { most = 60 }\n')
    plan = Plan.from_dict(bench_plan.load(path), str(path))
    assert plan.limits["delay_us"].most == 60
    path.write_text("steps = [900")
    with pytest.raises(UserError, match=r"is not TOML"):
        bench_plan.load(path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UserError, match=r"is not TOML"):
        bench_plan.load(path)
    with pytest.raises(UserError, match="cannot read the plan"):
        bench_plan.load(tmp_path / "none.toml")


@pytest.mark.parametrize("cylinders", [1, 2, 6, 12, 16])
@pytest.mark.parametrize("strokes", [2, 4])
def test_every_drive_command_fits_the_wire(cylinders, strokes):
    plan = Plan.from_dict({
        "cylinders": cylinders, "strokes": strokes, "steps": [60, 20000], "width_us": 50,
        "ramps": [[60, 9000, 600]], "soak_minutes": 1, "dead_time_us": 20,
    })  # fmt: skip
    assert plan.pitch_deg == 180 * strokes / cylinders
    for segment in plan.segments:
        wire.encode("drive", 0, 0, **plan.drive(segment))


BOUNDS = {
    "cylinders": (1, 16), "seconds": (0.5, 3600.0), "repeats": (1, 50), "soak_rpm": (60.0, 20000.0),
    "soak_minutes": (0.0, 1440.0), "dead_time_us": (1.0, 400.0), "clamp_delay_us": (-1e4, 1e4),
    "u_clamp_delay_us": (0.0, 1e4), "u_clip_us": (0.0, 1e4), "supply_v": (0.0, 60.0),
    "temperature_c": (-60.0, 200.0), "width_us": (1.0, 100_000.0),
}  # fmt: skip
UNITS = {
    "cylinders": "", "seconds": " s", "repeats": "", "soak_rpm": " rpm", "soak_minutes": " minutes",
    "dead_time_us": " µs", "clamp_delay_us": " µs", "u_clamp_delay_us": " µs", "u_clip_us": " µs",
    "supply_v": " V", "temperature_c": " °C", "width_us": " µs",
}  # fmt: skip
# What is left at any of these is far from its own limits.
SLOW = {"steps": [60], "ramps": [], "width_us": 1000, "cylinders": 1, "dead_time_us": 20}


@pytest.mark.parametrize("name", BOUNDS)
def test_each_number_from_both_sides_of_both_its_bounds(name):
    """As the documentation of a plan gives them; common practice, no source."""
    low, high = BOUNDS[name]
    by = 1 if isinstance(low, int) else 1e-3
    for value in (low, high):
        assert getattr(Plan.from_dict({**SLOW, name: value}), name) == value
    for value in (low - by, high + by):
        with pytest.raises(
            UserError, match=f"{name} must be from {low:g} to {high:g}{UNITS[name]}, "
        ):
            Plan.from_dict({**SLOW, name: value})


LIMITS = {
    "delay_us": 1e4, "spread_us": 1e4, "drop_out_percent": 100, "double_percent": 100,
    "sparks_per_event": 200, "switch_over_rpm": 20000, "burst_window_deg": 360,
    "rev_limit_rpm": 20000, "supply_v": 60,
}  # fmt: skip


@pytest.mark.parametrize("name", bench_plan.QUANTITIES)
def test_each_limit_from_both_sides_of_both_its_bounds(name):
    most = LIMITS[name]
    whole = Plan.from_dict({"limits": {name: {"least": 0, "most": most}}}).limits[name]
    assert (whole.least, whole.most) == (0, most)
    same = Plan.from_dict({"limits": {name: {"least": 5, "most": 5}}}).limits[name]
    assert same.least == same.most == 5
    for end in ("least", "most"):
        for value in (-0.01, most + 0.01):
            with pytest.raises(UserError, match=f"the limit of {name} must be from 0 to"):
                Plan.from_dict({"limits": {name: {end: value}}})
    if name in bench_plan.DEFAULT_MARGINS:
        for value in (1e-6, most):
            assert Plan.from_dict({"margins": {name: value}}).margin(name) == value
        for value in (0.9e-6, most + 0.01):
            with pytest.raises(UserError, match=f"the margin of {name} must be from 1e-06 to"):
                Plan.from_dict({"margins": {name: value}})
    else:
        assert Plan().margin(name) is None


def test_what_fits_between_two_firings():
    """6000 rpm, 4 firings in two turns: 5 ms apart. 85 % of that is active, 30 % dead, at most."""
    fast = {"steps": [3000], "ramps": [[500, 6000, 20]]}
    assert Plan.from_dict({**fast, "width_us": 4250}).width_us == 4250
    with pytest.raises(UserError, match=r"4251 µs .* 5000 µs apart at 6000 rpm.* to 4250 µs"):
        Plan.from_dict({**fast, "width_us": 4251})
    with pytest.raises(UserError, match="5000 µs apart at 6000 rpm"):
        Plan.from_dict({"steps": [3000], "ramps": [[6000, 500, 20]], "width_us": 4251})
    # What it says to shorten to does fit, at any speed.
    for rpm in range(5810, 6000, 7):
        with pytest.raises(UserError) as refused:
            Plan.from_dict({"steps": [rpm], "ramps": [], "width_us": 5000})
        most = int(refused.value.message.partition("shorten it to ")[2].partition(" ")[0])
        assert most == int(0.85 * 30e6 / rpm)
        assert Plan.from_dict({"steps": [rpm], "ramps": [], "width_us": most})
    # 12 in one turn at 9000 rpm: 555.6 µs apart, 166.7 µs of them dead.
    many = {"steps": [9000], "ramps": [], "width_us": 50, "cylinders": 12, "strokes": 2}
    assert Plan.from_dict({**many, "dead_time_us": 166}).dead_time_us == 166
    with pytest.raises(UserError, match=r"dead time of 167 µs .* 556 µs apart at 9000 rpm"):
        Plan.from_dict({**many, "dead_time_us": 167})


def test_lengths_of_ramps_inputs_and_numbers_that_are_too_large():
    for seconds in (1, 600):
        assert Plan.from_dict({"ramps": [[500, 900, seconds]]}).ramps == ((500, 900, seconds),)
    for seconds in (0.99, 601):
        with pytest.raises(UserError, match="a ramp's length must be from 1 to 600 s"):
            Plan.from_dict({"ramps": [[500, 900, seconds]]})
    for rpm in (60, 20000):
        assert Plan.from_dict({**SLOW, "width_us": 50, "ramps": [[rpm, 900, 9]]}).ramps
        assert Plan.from_dict({**SLOW, "width_us": 50, "ramps": [[900, rpm, 9]]}).ramps
    for rpm in (59.9, 20000.1):
        for end, ramp in (("start", [rpm, 900, 9]), ("end", [900, rpm, 9])):
            with pytest.raises(UserError, match=f"a ramp's {end} must be from 60 to 20000"):
                Plan.from_dict({**SLOW, "width_us": 50, "ramps": [ramp]})
    assert Plan.from_dict({"clamp_input": "clamp_b"}).clamp_input == "clamp_b"
    for name in ("crank", "trigger"):
        with pytest.raises(UserError, match="one of clamp_a, clamp_b, not"):
            Plan.from_dict({"clamp_input": name})
    for huge in (10**301, -(10**301)):
        with pytest.raises(UserError, match="clamp_delay_us is far too large"):
            Plan.from_dict({"clamp_delay_us": huge})


def test_what_is_driven_in_which_order_and_how_long():
    plan = Plan.from_dict({
        "steps": [1000, 3000], "seconds": 2.5, "repeats": 3, "ramps": [[500, 900, 7]],
        "soak_minutes": 1.5, "soak_rpm": 2000.5, "active": "low", "kind": "capacitive",
        "fires_at": "end", "width_us": 1234.4, "cylinders": 6, "strokes": 2,
    })  # fmt: skip
    assert [(s.kind, s.rpm_from, s.rpm_to, s.seconds) for s in plan.segments] == [
        *[("step", n, n, 2.5) for n in (1000, 3000, 3000, 1000, 1000, 3000)],
        ("ramp", 500, 900, 7), ("soak", 2000.5, 2000.5, 90),
    ]  # fmt: skip
    assert [s.name for s in plan.segments[5:]] == ["3000 rpm", "500 → 900 rpm", "2000.5 rpm, soak"]
    drive = {"width_us": 1234, "firings": 6, "turns": 1, "active_low": 1, "teeth": 0, "missing": 0,
             "load": wire.ENUMS["load"]["capacitive"]}  # fmt: skip
    assert plan.drive(plan.segments[0]) == {
        "rpm_from": 1_000_000, "rpm_to": 1_000_000, "ramp_ms": 0, **drive
    }  # fmt: skip
    assert plan.drive(plan.segments[6]) == {
        "rpm_from": 500_000, "rpm_to": 900_000, "ramp_ms": 7000, **drive
    }  # fmt: skip
    assert plan.drive(plan.segments[7])["rpm_to"] == 2_000_500
    assert (plan.pitch_deg, plan.turns, plan.firings) == (60.0, 1, 6)


def test_what_is_sent_is_plain_and_each_number_is_one():
    plan = Plan.from_dict({"steps": [1000.0006], "ramps": [], "active": "low"})
    sent = json.dumps(plan.drive(plan.segments[0]), sort_keys=True)
    assert '"active_low": 1' in sent and '"rpm_from": 1000001' in sent
    for name in ("supply_v", "temperature_c"):
        with pytest.raises(UserError, match=f"{name} must be a number, not '12'"):
            Plan.from_dict({name: "12"})
        assert getattr(Plan.from_dict({name: None}), name) is None
        assert isinstance(getattr(Plan.from_dict({name: 12}), name), float)
    for value, says in ((2 * 10**300, "is far too large"), (15 * 10**299, "is far too large"),
                        (int(1e300), "must be from")):  # fmt: skip
        with pytest.raises(UserError, match=says):
            Plan.from_dict({"clamp_delay_us": value})
    assert Plan().clamp_falling is False


def test_what_just_fits_and_what_just_does_not():
    """3000 rpm, 4 in two turns: 10 ms apart, 8.5 ms active; 16 in two at 7500: 1 ms, 0.3 dead."""
    slow = {"steps": [3000], "ramps": []}
    assert Plan.from_dict({**slow, "width_us": 8500}).width_us == 8500
    with pytest.raises(UserError, match="do not fit between firings"):
        Plan.from_dict({**slow, "width_us": 8500.003})
    many = {"steps": [7500], "ramps": [], "cylinders": 16, "width_us": 100}
    assert Plan.from_dict({**many, "dead_time_us": 300}).dead_time_us == 300
    with pytest.raises(UserError, match="dead time"):
        Plan.from_dict({**many, "dead_time_us": 300.01})


def test_what_is_not_typed():
    """Our own choice. Without a word on the clamp no delay is taken off, and 2 µs of standard
    uncertainty stand for it; 0.5 µs for clipping it on anew, from memory."""
    plan = Plan()
    assert (plan.clamp_delay_us, plan.u_clamp_delay_us, plan.u_clip_us) == (0.0, 2.0, 0.5)
    assert (plan.width_us, plan.dead_time_us, plan.clamp_input) == (3000.0, 150.0, "clamp_a")
    assert (plan.seconds, plan.repeats, plan.soak_minutes, plan.soak_rpm) == (4.0, 1, 0.0, 3000.0)
    assert (plan.cylinders, plan.strokes, plan.clamp_falling) == (4, 4, False)
    assert plan.steps == (500, 1000, 2000, 3000, 4000, 5000, 6000)
    assert plan.ramps == ((500, 6500, 20), (6500, 500, 20))


def test_differences_that_do_not_matter():
    """Our own choice, written into each sample of a plan."""
    assert {n: Plan().margin(n) for n in bench_plan.QUANTITIES} == {
        "delay_us": 5.0, "spread_us": 3.0, "drop_out_percent": 1.0, "double_percent": 1.0,
        "sparks_per_event": 0.25, "switch_over_rpm": 100.0, "rev_limit_rpm": 100.0,
        "burst_window_deg": None, "supply_v": None,
    }  # fmt: skip


@pytest.mark.parametrize("kind", bench_plan.KINDS)
def test_remarks_of_a_sample_stand_below_each_other(kind):
    text = bench_plan.sample(kind).partition("# What is driven")[0]
    rows = [r for r in text.splitlines() if " = " in r]
    assert {r.index("#") for r in rows} == {28} and len(rows) == 7
