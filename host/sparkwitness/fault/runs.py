"""A search as it is stored: what was typed, asked and mended; the finding is computed from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from sparkwitness.fault.belief import (
    belief,
    link_chances,
    mended_by,
)
from sparkwitness.fault.chain import (
    KINDS,
    SECOND_FAULT,
    SURE,
    Answer,
    Chain,
    Event,
    Repair,
    Variant,
    chain_of,
    model,
    variant_of,
)

FORMAT, VERSION = "sparkwitness fault finding", 1


@dataclass(frozen=True)
class Run:
    """One fault-finding run as it is stored; the finding is computed from it, never stored.

    `engine`: what the live tests were told of the engine, as plain values.
    """

    variant: Variant
    board: bool
    events: tuple[Event, ...] = ()
    odds: Mapping[str, float] = field(default_factory=dict)
    minutes: Mapping[str, float] = field(default_factory=dict)
    sure: float = SURE
    second: float = SECOND_FAULT
    started: str = ""
    engine: Mapping[str, Any] = field(default_factory=dict)

    def chain(self) -> Chain:
        return chain_of(
            self.variant, board=self.board, odds=self.odds, minutes=self.minutes,
            second=self.second,
        )  # fmt: skip

    def with_event(self, event: Event) -> Run:
        return replace(self, events=(*self.events, event))


def run_to_dict(run: Run) -> dict[str, Any]:
    """A run as JSON-ready data."""
    events = [
        {"kind": "answer", "test": e.test,
         "outcome": None if e.outcome is None else model()["tests"][e.test]["outcomes"][e.outcome],
         "reading": e.reading, "how": e.how, "time": e.time, "again": e.again}
        if isinstance(e, Answer)
        else {"kind": "repair", "link": e.link, "starts": e.starts, "time": e.time}
        for e in run.events
    ]  # fmt: skip
    return {
        "format": FORMAT, "version": VERSION, "started": run.started,
        "ignition": {kind: getattr(run.variant, kind) for kind in KINDS},
        "board": run.board, "sure": run.sure, "second": run.second,
        "odds": dict(run.odds), "minutes": dict(run.minutes), "engine": dict(run.engine),
        "events": events,
    }  # fmt: skip


def run_from_dict(data: Any) -> Run:
    """A run from stored data.

    Raises:
        ValueError: it is not such a run, or a newer version, or something in it cannot be.
    """
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise ValueError("it is not a stored fault-finding run")
    if data.get("version") != VERSION:
        raise ValueError(f"it is of version {data.get('version')}, this program reads {VERSION}")
    try:
        run = Run(
            variant_of(**data["ignition"]), bool(data["board"]), (),
            {str(k): float(v) for k, v in data["odds"].items()},
            {str(k): float(v) for k, v in data["minutes"].items()},
            float(data["sure"]), float(data["second"]), str(data["started"]), dict(data["engine"]),
        )  # fmt: skip
        if not 0.5 <= run.sure < 1:
            raise ValueError(f"it wants to be sure at {run.sure:g}, which must be 0.5 to 0.999")
        chain = run.chain()
        for row in data["events"]:
            run = run.with_event(_event_from(chain, row))
    except (KeyError, TypeError, AttributeError, OverflowError) as error:
        raise ValueError(f"part of it is missing or damaged ({error})") from None
    return run


def _event_from(chain: Chain, row: Mapping[str, Any]) -> Event:
    if row["kind"] == "repair":
        if row["link"] not in chain.index:
            raise ValueError(f"this ignition has no link '{row['link']}'")
        return Repair(row["link"], bool(row["starts"]), str(row["time"]))
    if row["test"] not in chain.tests:
        raise ValueError(f"this ignition has no test '{row['test']}'")
    outcomes = chain.tests[row["test"]].outcomes
    if row["outcome"] is not None and row["outcome"] not in outcomes:
        raise ValueError(f"{row['test']} has no outcome '{row['outcome']}'")
    outcome = None if row["outcome"] is None else outcomes.index(row["outcome"])
    reading = None if row["reading"] is None else float(row["reading"])
    return Answer(
        row["test"], outcome, reading, str(row["how"]), str(row["time"]), bool(row["again"])
    )


def started(run: Run) -> bool:
    """A repair of this run made the engine start."""
    return any(isinstance(e, Repair) and e.starts for e in run.events)


def chances(chain: Chain, run: Run) -> Any:
    """Probability of each link of the chain to be bad now, float64[links]."""
    return link_chances(chain, belief(chain, run.events), mended_by(run.events))


def open_bits(chain: Chain, run: Run) -> float:
    """Entropy of what is believed now, bits."""
    p = belief(chain, run.events)
    return float(-(p[p > 0] * np.log2(p[p > 0])).sum())
