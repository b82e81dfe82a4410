"""Tests of the search that the board makes: one crank of the starter, heard and judged."""

import time
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

from sparkwitness.decode import wire
from sparkwitness.decode.recording import MEASURED, Recorder, Recording
from sparkwitness.device.link import Link
from sparkwitness.device.stream import Stopped, Stream
from sparkwitness.errors import UserError
from sparkwitness.fault import cranking
from sparkwitness.fault import model as ff
from sparkwitness.fault.electrical import LEAST_24_V
from sparkwitness.timing.angle import Reference
from sparkwitness.timing.wording import plus_minus

_SHOW_S = 0.2


def listen(
    port: str,
    patience: float,
    seconds: float,
    watch: Callable[[bool, float], None] = lambda turning, left_s: None,
    reference: Reference | None = None,
    falling: frozenset[str] = frozenset(),
    record: Path | None = None,
    source: str = MEASURED,
    unrecorded: Callable[[str], None] | None = None,
) -> cranking.Cranking:
    """Listen for `seconds` of the board's time.

    Args:
        port, patience: see `Link`.
        watch: called some five times a second: whether it turns yet, and seconds left.
        reference: of the crank, where one is typed.
        falling: inputs whose falling edge is stamped.
        record: file that gets every byte, or None.
        source: of the bytes, for the recording's header.
        unrecorded: called with a sentence when the recording can go no further; see `Stream`.

    Raises:
        UserError: the board went away or fell silent.
    """
    with Link(port, patience) as board:
        recorder = Recorder(record, board.hello, {"cranking": True}, source) if record else None
        listener = cranking.Listener(reference, board.hello["tick_ps"])
        try:
            with Stream(board, falling, recorder=recorder, unrecorded=unrecorded) as stream:
                shown = time.monotonic()
                for data in stream:
                    listener.feed(data)
                    if listener.seconds >= seconds:
                        stream.end()
                    elif time.monotonic() - shown > _SHOW_S:
                        shown = time.monotonic()
                        watch(listener.dipped, seconds - listener.seconds)
        except Stopped:
            raise UserError("stopped; nothing was judged") from None
    return listener.finish()


def replay(path: Path, reference: Reference | None = None) -> cranking.Cranking:
    """The same from a recording."""
    recording = Recording(path)
    listener = cranking.Listener(reference, recording.tick_ps)
    for chunk in recording.chunks():
        listener.feed(chunk)
    heard = listener.finish()
    if not heard.loss.frames_good:
        raise UserError(
            f"{path} holds not one good frame: it is damaged, or it was not recorded from a "
            "sparkwitness board"
        )
    return heard


def answers(
    run: ff.Run,
    tests: Sequence[ff.Test],
    heard: cranking.Cranking,
    engine: cranking.Engine,
    leads: Mapping[str, str],
    tap: str | None = None,
) -> list[tuple[ff.Answer, str]] | None:
    """An answer to each board test with the words for it; None if nothing turned.

    Args:
        run: the search.
        tests: to answer.
        heard: one crank.
        engine: what turned.
        leads: input of a clamp: "coil", "plug" or "none", the lead that it sits on.
        tap: the only test that the trigger tap is connected for; None: any.

    Raises:
        UserError: the engine runs.
    """
    now = datetime.now(UTC).isoformat(timespec="seconds")
    if cranking.turning(heard) is None:
        return None
    if heard.rpm is not None and heard.rpm > cranking.FASTEST_RPM:
        raise UserError(
            f"the crank turned at {heard.rpm:.0f} rpm: the engine runs, so there is nothing to "
            "find here; use sparkwitness measure"
        )
    found: list[tuple[ff.Answer, str]] = []
    on_tap = "coil" if run.variant.distribution == "distributor" else "plug"
    for test in tests:
        judged: cranking.Heard | None = None
        name, reading, why, leads_input = test.id, None, "not connected", ""
        if test.input == "supply":
            fall = cranking.supply_fall(heard)
            if fall is not None:
                reading = round(fall.turning, 2)
                within = cranking.SUPPLY_RELATIVE * fall.turning
                of_one = reading / 2 if fall.rest >= LEAST_24_V else reading
                outcome, why = test.outcome_of(of_one), plus_minus(reading, within, " V")
                found.append((ff.Answer(name, outcome, reading, "board", now), why))
                continue
            why = "the board does not measure the supply"
        elif test.input == "crank":
            judged = cranking.judge_crank(heard, engine)
        elif test.input == "trigger":
            if tap in (None, name):
                why = "it did not turn for long enough"
                judged = cranking.judge_firings(heard, engine, "trigger", on_tap, on_tap)
        else:
            lead = "coil" if name == "clamp_coil_lead" else "plug"
            inputs = [i for i, on in leads.items() if on == lead]
            if inputs:
                leads_input, why = inputs[0], "it did not turn for long enough"
                judged = cranking.judge_firings(heard, engine, inputs[0], lead, on_tap)
        channel = leads_input or test.input
        if judged is not None:
            i = wire.INPUTS.index(channel)
            if heard.loss.edges_lost[i] or heard.loss.board_stalls[i]:
                judged, why = None, "edges were lost on the way: crank again"
        if judged is None:
            found.append((ff.Answer(name, None, None, "board", now), why))
        else:
            found.append((ff.Answer(name, judged.outcome, None, "board", now), judged.sentence))
    return found
