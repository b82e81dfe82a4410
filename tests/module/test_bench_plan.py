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
