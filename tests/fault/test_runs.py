"""Stored searches: what comes back, what is refused, where they lie, what is left open in bits."""

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fault_parts import chain as chain_of
from fault_parts import test
from sparkwitness.errors import UserError
from sparkwitness.fault import model as ff
from sparkwitness.fault import runs, store

DISTRIBUTOR = ff.variant_of(
    switch="inductive", trigger="pickup", sensor="coil", distribution="distributor", feed="steady"
)
RUN = ff.Run(
    DISTRIBUTOR, True, (ff.Answer("fuse_look", 1), ff.Repair("fuse", False)), {"fuse": 3.0},
    {"fuse_look": 2.0}, 0.9, 0.05, "2026-11-27T12:00:00+00:00", {"a": 1},
)  # fmt: skip


def read(**changes):
    return ff.run_from_dict({**ff.run_to_dict(RUN), **changes})


def test_a_run_as_data():
    data = ff.run_to_dict(RUN)
    assert data["events"] == [
        {"kind": "answer", "test": "fuse_look", "outcome": "blown, or no click", "reading": None,
         "how": "typed", "time": "", "again": False},
        {"kind": "repair", "link": "fuse", "starts": False, "time": ""},
    ]  # fmt: skip
    assert (data["sure"], data["second"], data["odds"], data["minutes"], data["engine"]) == (
        0.9, 0.05, {"fuse": 3.0}, {"fuse_look": 2.0}, {"a": 1},
    )  # fmt: skip
    assert data["board"] is True and data["started"].startswith("2026") and read() == RUN
    chain = RUN.chain()
    assert chain.second == 0.05 and chain.tests["fuse_look"].minutes == 2.0
    assert chain.links[chain.index["fuse"]].odds == 3.0
    assert not any(t.by == "board" for t in read(board=False).chain().tests.values())
    bare = ff.Run(DISTRIBUTOR, True)
    assert (bare.sure, bare.second, bare.events, bare.odds) == (0.95, 0.1, (), {})


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"sure": 0.5}, ""), ({"sure": 0.999}, ""), ({"sure": 0.499}, "sure at 0.499"),
        ({"sure": 1.0}, "sure at 1, which"), ({"sure": 1.5}, "sure at 1.5"),
        ({"second": 0.0}, ""), ({"second": 0.99}, ""), ({"second": 1.0}, "chance of 1"),
        ({"second": -0.01}, "chance of -0.01"), ({"odds": {"fuse": 0.0}}, "0 for fuse"),
        ({"odds": {"fuse": float("inf")}}, "inf for fuse"), ({"minutes": {"x": 1}}, "no test 'x'"),
        ({"events": [{"kind": "repair", "link": "x", "starts": 1, "time": ""}]}, "no link 'x'"),
        ({"events": [{"kind": "repair", "link": "fuse", "starts": 1, "time": ""}]}, ""),
        ({"version": 2}, "version 2, this program reads 1"),
    ],
)  # fmt: skip
def test_numbers_of_a_stored_run_from_both_sides(changes, says):
    if says:
        with pytest.raises(ValueError, match=says):
            read(**changes)
    else:
        assert read(**changes)


def test_what_is_open_in_bits():
    """Eight links alike, alone: 3 bits; with the answers the chances that are left."""
    chain = RUN.chain()
    p = ff.belief(chain, RUN.events)
    by_hand = -sum(x * np.log2(x) for x in p.tolist() if x > 0)
    assert runs.open_bits(chain, RUN) == pytest.approx(by_hand) and by_hand > 1
    assert ff.chances(chain, RUN)[chain.index["fuse"]] == 0.0  # mended
    assert ff.chances(chain, RUN).sum() >= 1 - p[-1] - p[chain.listed : len(chain.links)].sum() - (
        p[chain.sets[:, chain.index["fuse"]]].sum()
    )
    # Seen fine by a test that is never misread, A is ruled out: 0.5, what comes and goes, nothing.
    sure = chain_of({"A": 1.0}, test("t", (1.0, 0.0), 0.0, bad={"A": (0.0, 1.0)}))
    left = np.array([0.25 * 0.5, 0.12])
    left /= left.sum()
    bits = -float((left * np.log2(left)).sum())
    seen = ff.Run(DISTRIBUTOR, True, (ff.Answer("t", 0),))
    assert runs.open_bits(sure, seen) == pytest.approx(bits)
    assert not runs.started(RUN) and runs.started(RUN.with_event(ff.Repair("fuse", True)))
    assert not runs.started(ff.Run(DISTRIBUTOR, True))


def test_each_search_has_a_file_of_its_own(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(store.platformdirs, "user_data_dir", lambda name: str(tmp_path / name))
    first = store.default_path("2026-11-27T12:00:00+0000")
    assert first == tmp_path / "sparkwitness" / "findfault" / "2026-11-27T120000.json"
    assert not first.parent.exists()
    store.store(first, RUN)
    assert store.load(first) == RUN
    store.store(first, RUN.with_event(ff.Answer("fuse_look", 0)))  # written over, in its folder
    assert len(store.load(first).events) == 3
    second = store.default_path("2026-11-27T12:00:00+0000")
    assert second.name == "2026-11-27T120000-2.json"
    store.store(second, RUN)
    assert store.default_path("2026-11-27T12:00:00+0000").name == "2026-11-27T120000-3.json"
    assert first.read_text(encoding="utf-8").startswith('{\n "format"')
    (tmp_path / "file").write_text("x")
    with pytest.raises(UserError):
        store.store(tmp_path / "file" / "run.json", RUN)
    for text, says in (("[1", "it is not JSON"), ("[" * 100_000, "it is not JSON"),
                       ("[]", "it is not a stored")):  # fmt: skip
        first.write_text(text)
        with pytest.raises(UserError, match=says):
            store.load(first)
    first.write_bytes(b"\xff\xfe\x00{")
    with pytest.raises(UserError, match="it is not text"):
        store.load(first)


def test_all_of_a_search_is_on_the_disk_before_it_takes_the_old_ones_place(tmp_path, monkeypatch):
    """Letters as they are typed, and each handed over before the disk is waited for."""
    seen = []
    monkeypatch.setattr(store.os, "fsync", lambda fd: seen.append(os.fstat(fd).st_size))
    path = tmp_path / "run.json"
    store.store(path, replace(RUN, engine={"name": "Käfer, 12 Ω"}))
    text = path.read_text(encoding="utf-8")
    assert "Käfer, 12 Ω" in text and text.endswith("}\n")
    assert seen[0] == len(text.encode())
