"""Which link of the ignition chain lost the spark: one name for the model and the search.

The parts, in the order in which they build on each other: `chain` (links, tests, hypotheses),
`belief` (what answers say), `search` (what to ask next), `outcome` (what it comes to), `runs` (what
is stored). Everything is a pure function of the chain and the list of events, so a stored run
gives the same result when it is read again.
"""

from sparkwitness.fault.belief import (
    belief,
    likelihood,
    link_chances,
    mended_by,
    no_link,
    untested,
)  # fmt: skip
from sparkwitness.fault.chain import (
    KINDS,
    SECOND_FAULT,
    SURE,
    Answer,
    Array,
    Chain,
    Event,
    Repair,
    Test,
    Variant,
    chain_of,
    model,
    variant_of,
)  # fmt: skip
from sparkwitness.fault.outcome import (
    finding,
    result,
)  # fmt: skip
from sparkwitness.fault.runs import (
    Run,
    chances,
    open_bits,
    run_from_dict,
    run_to_dict,
    started,
)  # fmt: skip
from sparkwitness.fault.search import (
    Choice,
    choices,
    closed_tests,
    contradiction,
    next_test,
    outcome_table,
    paid_setups,
    safest,
)  # fmt: skip

__all__ = [
    "KINDS",
    "SECOND_FAULT",
    "SURE",
    "Answer",
    "Array",
    "Chain",
    "Choice",
    "Event",
    "Repair",
    "Run",
    "Test",
    "Variant",
    "belief",
    "chain_of",
    "chances",
    "choices",
    "closed_tests",
    "contradiction",
    "finding",
    "likelihood",
    "link_chances",
    "mended_by",
    "model",
    "next_test",
    "no_link",
    "open_bits",
    "outcome_table",
    "paid_setups",
    "result",
    "run_from_dict",
    "run_to_dict",
    "safest",
    "started",
    "untested",
    "variant_of",
]  # fmt: skip
