"""The capture: a thread of its own from the board's bytes to the view, and the commands back.

It publishes a view four times a second whatever happens, and never waits for anyone who looks: a
reader that is slow gets the newest view later, and the board loses nothing by it. When the board
goes away it is looked for until it is back.
"""

import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from sparkwitness.decode import wire
from sparkwitness.decode.recording import MEASURED, Behind, Recorder
from sparkwitness.device.link import Link
from sparkwitness.device.run import flanks
from sparkwitness.device.stream import Stream
from sparkwitness.errors import UserError
from sparkwitness.faces.live import view
from sparkwitness.timing import advice, gates
from sparkwitness.timing.analyzer import Analyzer
from sparkwitness.timing.measure import Measurement, evaluate
from sparkwitness.timing.polarity import Polarity
from sparkwitness.timing.setup import Setup
from sparkwitness.timing.timed import Timed, time_events
from sparkwitness.timing.wording import angle

LOOK_S = 0.25
FULL_EVERY = 4  # looks; raster and trend need no more
_SILENT_S = 1.0  # heartbeats come every 0.1 s
_AGAIN_S = 0.5
_SETTLE_S = 1.0  # a new setting counts from here on: a finger and a controller take a moment
_FLASH_US = 60
_MOST_MARKS, _MARKS_SHOWN = 500, 20
# Findings that are about the whole window, where it is known since when it is so.
_TOLD_BETTER = {
    "standing": ("no_reference", "no_sync", "no_spark", "few_events", "unsteady"),
    "no_spark": ("no_spark", "few_events"),
}
_MOST_ASKED = 32
_NOTE_LENGTH = 80


Keep = Callable[[str, Measurement, Setup, dict[str, Any]], None]


@dataclass
class Request:
    """A command of someone who looks; `answer` gets a sentence or a `UserError`."""

    do: str
    values: dict[str, Any]
    answer: "Future[str]"


class Capture:
    """Measures without end on a board, for those who look.

    Args:
        port: gives the board's port, asked anew at every try to connect.
        setup: what was typed.
        publish: gets each view; called in the capture's thread, must not block.
        record: file that gets every byte, or None.
        patience: factor on all time-outs.
        entered: called with a setting that a person says to have entered.
        source: of the bytes, for the recording's header.
        keep: gets "mark" or "trial", the result, its set-up and the board's hello, in a thread of
            its own; raises `UserError` where it cannot be kept. None: nothing is kept.

    Attributes:
        trouble: what could not be recorded or kept, in a sentence, or "".
    """

    def __init__(
        self,
        port: Callable[[], str],
        setup: Setup,
        publish: Callable[[dict[str, Any]], None],
        record: Path | None = None,
        patience: float = 1.0,
        entered: Callable[[float], None] = lambda setting: None,
        keep: Keep | None = None,
        source: str = MEASURED,
    ) -> None:
        self.setup = setup
        self.marks: list[dict[str, Any]] = []
        self.trials: list[dict[str, Any]] = []
        self._port, self._publish, self._patience = port, publish, patience
        self._entered, self._keep = entered, keep
        self._record, self._source = record, source
        self._recorder: Behind | None = None
        self._asked: queue.Queue[Request] = queue.Queue(_MOST_ASKED)
        self._closing = threading.Event()
        self._helper = ThreadPoolExecutor(1, thread_name_prefix="connect")
        self._keeper = ThreadPoolExecutor(1, thread_name_prefix="keep")
        self._thread = threading.Thread(target=self._run, name="capture", daemon=True)

        self._stream: Stream | None = None
        self._connecting: Future[Stream] | None = None
        self._state, self._why, self._since = "connecting", "", time.monotonic()
        self._try_again = 0.0
        self._hello: dict[str, Any] = {}
        self._analyzer = Analyzer(setup)
        self._pending: list[bytes] = []
        self._session: int | None = None
        self._polarity: Polarity | None = None  # as it was seen before the lamp went on
        self._fresh_from = 0  # tick of this session before which nothing counts
        self._settling = 0.0  # to be added to it once the board's time is known
        self._window_s = 10.0
        self._result = Measurement()
        self._shown: dict[str, Any] = view.numbers(setup, self._result)
        self._trend = view.Trend()
        self._trials: list[advice.Trial] = []
        self._learned = ""
        self._lamp: dict[str, Any] = {"mode": "off", "text": "off"}
        self.trouble = ""
        self._crank_edges, self._crank_at = 0, time.monotonic()
        self._engine = "waiting"
        self._notes: list[str] = []
        self._pictures: dict[str, Any] = {}
        self._looks = 0

    def start(self) -> None:
        """Connect, then measure in a thread of its own.

        Raises:
            UserError: no board answers, or the recording cannot be written.
        """
        stream = self._connect()
        if self._record is not None:
            try:
                self._recorder = Behind(
                    Recorder(self._record, stream.link.hello, self.setup.to_dict(), self._source)
                )
            except UserError:
                _close(stream)
                raise
        self._joined(stream)
        self._thread.start()

    def close(self) -> None:
        """Stop the board's stream, turn its outputs off, finish the recording."""
        self._closing.set()
        if self._thread.ident is not None:
            self._thread.join(timeout=10)
        self._keeper.shutdown(wait=True)
        self._helper.shutdown(wait=True, cancel_futures=True)
        if self._connecting is not None and self._connecting.done():
            with suppress(UserError):
                _close(self._connecting.result())
        if self._recorder is not None:
            try:
                self._recorder.close()
            except UserError as error:
                self.trouble = error.message

    def ask(self, do: str, values: dict[str, Any]) -> "Future[str]":
        """Queue a command; the future gets a sentence, or the `UserError` that refuses it."""
        request = Request(do, values, Future())
        try:
            self._asked.put_nowait(request)
        except queue.Full:
            request.answer.set_exception(UserError("too many commands at once: wait a moment"))
        return request.answer

    # Connection.

    def _connect(self) -> Stream:
        link = Link(self._port(), self._patience)
        try:
            falling, both = flanks(self.setup)
            return Stream(link, falling, both=both, interrupts="leave").__enter__()
        except BaseException:
            link.close()
            raise

    def _joined(self, stream: Stream) -> None:
        self._stream, self._polarity = stream, None
        hello = stream.link.hello
        self._hello = {k: v.hex() if isinstance(v, bytes) else v for k, v in hello.items()}
        self._become("streaming", "")

    def _lose(self, why: str) -> None:
        if self._stream is not None:
            self._helper.submit(_close, self._stream)
            self._stream = None
        self._lamp = {"mode": "off", "text": "off"}
        self._try_again = time.monotonic() + _AGAIN_S
        self._become("lost", why)

    def _become(self, state: str, why: str) -> None:
        if state != self._state:
            self._since = time.monotonic()
        self._state, self._why = state, why

    def _look_for_board(self, now: float) -> None:
        if self._connecting is None:
            if now >= self._try_again:
                self._connecting = self._helper.submit(self._connect)
        elif self._connecting.done():
            trying, self._connecting = self._connecting, None
            try:
                self._joined(trying.result())
            except UserError as error:
                self._try_again = now + _AGAIN_S
                self._become("lost", error.message)

    # The loop.

    def _run(self) -> None:
        next_look = time.monotonic()
        while not self._closing.is_set():
            try:
                self._turn()
            except UserError as error:
                self._lose(error.message)
            self._serve()
            now = time.monotonic()
            if now >= next_look:
                next_look = now + LOOK_S
                self._look()
        if self._stream is not None:
            self._stream.end()
            with suppress(UserError):
                for data in self._stream:
                    self._take(data)
            _close(self._stream)
        while not self._asked.empty():
            self._asked.get().answer.set_exception(UserError("the program is ending"))

    def _turn(self) -> None:
        now = time.monotonic()
        if self._stream is None:
            self._look_for_board(now)
            time.sleep(0.05)
            return
        if data := self._stream.receive(0.05):
            self._become("streaming", "")
            self._take(data)
        elif self._stream.quiet_s > _SILENT_S:
            self._become("silent", "the board sends nothing")

    def _take(self, data: bytes) -> None:
        if self._recorder is not None:
            try:
                self._recorder.write(data)
            except UserError as error:
                self.trouble = error.message
                with suppress(UserError):
                    self._recorder.close()
                self._recorder = None
        self._pending.append(data)

    def _look(self) -> None:
        """Evaluate the newest stretch and publish the view."""
        # Decoding a few large pieces costs a third of what many small ones do.
        data = b"".join(self._pending)
        self._pending.clear()
        self._looks += 1
        try:
            self._analyzer.feed(data)
            self._evaluate(pictures=self._looks % FULL_EVERY == 1)
        except Exception as error:  # whatever it is, it must end neither capture nor recording
            why = error.message if isinstance(error, UserError) else repr(error)
            self._notes = [f"the numbers cannot be computed: {why}"]
        shown = {
            "kind": "view",
            **self._shown,
            **self._pictures,
            "link": {
                "state": self._state,
                "text": self._why,
                "for_s": round(time.monotonic() - self._since, 1),
                "board": self._hello.get("board", ""),
            },
            "engine": self._engine,
            "firings": self._trend.events,
            "notes": [t for t in (self._why, *self._notes, self._learned, self.trouble) if t],
            "lamp": self._lamp,
            "trials": self.trials,
            "marks": self.marks[-_MARKS_SHOWN:],
            "recording": str(self._record) if self._recorder is not None else None,
            "seconds": round(self._result.seconds, 1),
        }
        self._pictures = {}
        self._publish(view.finite(shown))

    def _evaluate(self, pictures: bool) -> None:
        """Numbers, state of the engine and, now and then, the pictures of the newest stretch."""
        session, now = self._analyzer.clock
        tick_s = self._analyzer.tick_ps * 1e-12
        if session != self._session:
            self._session = session
            self._fresh_from = 0
            self._trend.rebase()
        if self._settling:
            self._fresh_from = now + round(self._settling / tick_s)
            self._settling = 0.0
        settling = now < self._fresh_from
        self._analyzer.forget(max(self._fresh_from, now - round(self._window_s / tick_s)))
        tables = self._analyzer.tables()
        if self._polarity is not None:
            tables.polarity = self._polarity
        result = evaluate(self.setup, tables)
        # The one event that forgetting has cut is no loss.
        result.cut = max(0, result.cut - 1)
        found = time_events(self.setup, tables)
        if isinstance(found, Timed) and gates.withheld(result.findings) is None:
            known = found.pick(np.isfinite(found.speed))
            self._trend.take(known.events.tick, known.angles, known.speed, tick_s)
        self._result = result
        self._window_s = view.window(result)
        self._shown = view.numbers(self.setup, result)
        if tables.crank_edges != self._crank_edges:
            self._crank_edges, self._crank_at = tables.crank_edges, time.monotonic()
        quiet_s = time.monotonic() - self._crank_at
        state, still = view.stillness(tables, now, result, quiet_s)
        told = _TOLD_BETTER.get(state, ())
        self._engine = "settling" if settling else state
        self._notes = [still] if still else []
        self._notes += [f.text for f in result.findings if not settling and f.code not in told]
        if result.timing is not None and not settling:
            self._notes.append(gates.CANNOT_TELL)
        if pictures:
            events = found.events if isinstance(found, Timed) else None
            self._pictures = {
                "raster": view.raster(tables, events) if events is not None else [],
                "trend": self._trend.rows(),
                "cycle": result.cycle.to_dict()
                if result.cycle is not None and (result.split or result.cylinders)
                else None,
            }

    # Commands.

    def _serve(self) -> None:
        while True:
            try:
                request = self._asked.get_nowait()
            except queue.Empty:
                return
            try:
                answer = self._obey(request.do, request.values)
            except UserError as error:
                request.answer.set_exception(error)
            except Exception as error:  # a fault here must not end the capture
                request.answer.set_exception(UserError(f"this failed: {error}"))
            else:
                request.answer.set_result(answer)

    def _obey(self, do: str, values: dict[str, Any]) -> str:
        match do:
            case "commanded":
                self.setup = replace(self.setup, commanded=_number(values, "value"))
                return self._afresh(f"commanded {self.setup.commanded:g}°: measuring afresh")
            case "setting":
                return self._new_setting(_number(values, "value"))
            case "mark":
                return self._mark(str(values.get("note", "")))
            case "afresh":
                return self._afresh("measuring afresh")
            case "lamp":
                return self._set_lamp(str(values.get("mode")), values)
        raise UserError(f"there is no command {do[:20]!r}")

    def _afresh(self, text: str) -> str:
        self._settling = _SETTLE_S
        return text

    def _new_setting(self, value: float) -> str:
        low, high = self.setup.least, self.setup.most
        if low is not None and value < low:
            raise UserError(f"{value:g} is below the controller's least setting, {low:g}")
        if high is not None and value > high:
            raise UserError(f"{value:g} is above the controller's greatest setting, {high:g}")
        changed = replace(self.setup, setting=value)
        result, old = self._result, self.setup.setting
        if old is not None and result.error is not None and result.expanded is not None:
            self._trials.append(advice.Trial(old, result.error, result.expanded / 2))
            error = self._shown["error"]
            row = {
                "setting": f"{old:g}",
                "error": error["text"],
                "within": error["within"],
                "rpm": f"{result.rpm or 0:.0f}",
            }
            self.trials = [*self.trials, row][-_MARKS_SHOWN:]
            self._kept("trial")
            learned = advice.learn_gain(self._trials, self.setup.stated_gain)
            changed = replace(changed, learned_gain=learned.gain)
            self._learned = learned.note if learned.contradicts else ""
        self.setup = changed
        self._entered(value)
        return self._afresh(f"setting {value:g}: a new trial begins")

    def _mark(self, note: str) -> str:
        kept = view.point(self._shown)
        if kept is None:
            raise UserError("there is nothing to mark yet: wait until the crank turns")
        if len(self.marks) >= _MOST_MARKS:
            raise UserError(f"{_MOST_MARKS} points are marked; end this run and begin another")
        row = {
            "number": len(self.marks) + 1,
            "utc": datetime.now(UTC).isoformat(timespec="seconds"),
            **kept,
            "note": " ".join(note.split())[:_NOTE_LENGTH],
        }
        self.marks = [*self.marks, row]
        self._kept("mark")
        return f"point {row['number']} marked"

    def _kept(self, what: str) -> None:
        """Hand the result to who keeps it; a slow disk must not hold up the capture."""
        if self._keep is None:
            return
        keep, board = self._keep, self._hello

        def work(result: Measurement, setup: Setup) -> None:
            try:
                keep(what, result, setup, board)
            except Exception as error:  # nobody asks for this work's outcome
                why = error.message if isinstance(error, UserError) else repr(error)
                self.trouble = f"not kept in the logbook: {why}"

        self._keeper.submit(work, self._result, self.setup)

    def _set_lamp(self, mode: str, values: dict[str, Any]) -> str:
        reference = self.setup.reference
        if mode not in wire.ENUMS["lamp_mode"]:
            raise UserError("the lamp can be off, at an angle, or on the first spark")
        if mode == "angle" and reference.turns != 1:
            raise UserError("a flash at an angle needs a reference on the crank: use first spark")
        btdc = _number(values, "btdc") if mode == "angle" else 0.0
        if self._stream is None or self._state != "streaming":
            raise UserError("the board is away: the lamp is off")
        if mode != "off":
            self._one_flank(self._stream)
        self._stream.command(
            "lamp",
            mode=wire.ENUMS["lamp_mode"][mode],
            teeth=min(reference.teeth, 120),
            missing=reference.missing,
            input=wire.INPUTS.index(self.setup.clamp_input),
            angle_mdeg=round(((reference.angle - btdc) % 360.0) * 1000) % 360_000,
            flash_us=_FLASH_US,
        )
        text = {"off": "off", "first_spark": "on the first spark",
                "angle": f"at {angle(btdc, 'g')}"}[mode]  # fmt: skip
        self._lamp = {"mode": mode, "text": text, "btdc": btdc}
        return f"lamp {text}"

    def _one_flank(self, stream: Stream) -> None:
        """The lamp counts one flank of the crank: where both are stamped, begin anew with one."""
        if not stream.stamps_both("crank"):
            return
        stream.end()
        for data in stream:
            self._take(data)
        self._analyzer.feed(b"".join(self._pending))
        self._pending.clear()
        self._polarity = self._analyzer.tables(1).polarity
        falling, both = flanks(self.setup, lamp=True)
        anew = Stream(stream.link, falling, both=both, interrupts="leave")
        self._stream = anew.__enter__()


def _close(stream: Stream) -> None:
    stream.close()
    stream.link.close()


def _number(values: dict[str, Any], name: str) -> float:
    value = values.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e6:
        raise UserError("type a number such as 20 or 7.5")
    return float(value)
