"""The serial link to a board: open, shake hands, command, receive.

A thread reads all the time, so that neither a slow screen nor a long computation makes the board
lose edges. It keeps no output on: that takes a lease (protocol/wire.md, "The lease"), renewed only
where the loop over the board asks for its bytes, in `receive`.
"""

import os
import queue
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import serial
from serial.tools import list_ports

from sparkwitness.decode import framing, wire
from sparkwitness.errors import UserError

try:
    import termios

    # The last is of a port that vanishes while it is opened: no OSError, and pyserial passes it on.
    _NOT_OPENED: tuple[type[Exception], ...] = (ValueError, OSError, termios.error)
except ImportError:  # Windows
    _NOT_OPENED = (ValueError, OSError)

_USB_ID = (0x2E8A, 0x0005)  # Raspberry Pi, MicroPython on RP2: the USB identity of a stock image
_ANSWER_S = 1.5
_ALIVE_S = 0.25
_RENEW_S = 0.2
_STOP_AGAIN_S = 0.15
_MOST_ANSWERS = 1000  # not yet looked at: more come from no board that is in order
_PROMPT = b">>> "
_ON = ("drive", "lamp", "renew")  # commands that switch outputs on, or keep them on
# Commands whose answer somebody waits for; those to the others would only pile up.
_AWAITED = {n for name, n in wire.NUMBER.items() if name not in ("alive", "renew")}


def boards() -> list[Any]:
    """Serial ports whose USB identity is that of MicroPython on an RP2 board."""
    return [p for p in list_ports.comports() if (p.vid, p.pid) == _USB_ID]


def choose_port() -> str:
    """The one board's port.

    Raises:
        UserError: none, or several, with their list.
    """
    found = boards()
    if len(found) == 1:
        return str(found[0].device)
    if not found:
        raise UserError(
            "no board is plugged in; plug one in, name its port with --port, or try --simulate"
        )
    names = ", ".join(f"{p.device} ({p.serial_number or 'no serial number'})" for p in found)
    raise UserError(f"several boards are plugged in: {names}; choose one with --port")


class Link:
    """An open port with a board at its other end."""

    def __init__(self, port: str, patience: float = 1.0) -> None:
        """Open the port and wait for the board's hello.

        Args:
            port: any pyserial port name or URL.
            patience: factor on all time-outs; an emulated board can be 50 times slower.

        Raises:
            UserError: no such port, port busy, or nothing there that speaks the protocol.
        """
        self.port = port
        self.patience = patience
        self.hello: dict[str, Any] = {}
        self._seq = 0
        self._session = 0
        self._lease: int | None = None  # seq of the command by which outputs are on
        self._renewed = 0.0
        self._received: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[wire.Message] = queue.SimpleQueue()
        self._closing = threading.Event()
        self._fault: str | None = None
        self._alive = time.monotonic()
        self._hushed = False
        self.streamed = 0.0  # host's time of the last part of a stream
        self.ticked = 0.0  # and of the last heartbeat with a later time than those before it
        self._latest = (-1, 0)  # its session and time
        self._lock = threading.Lock()
        self._protocol: int | None = None
        self._partial = b""
        self._heard = b""
        self._serial = open_port(port)
        self._thread = threading.Thread(target=self._read, name="link", daemon=True)
        self._thread.start()
        try:
            self._shake_hands()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> "Link":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop reading and release the port; the board turns its outputs off by itself."""
        self._closing.set()
        self._thread.join(timeout=2)
        self._serial.close()

    def _read(self) -> None:
        try:
            while not self._closing.is_set():
                # A URL such as socket:// cannot tell how much waits: ask for much, wait little.
                waiting = 4096 if "://" in self.port else self._serial.in_waiting
                data = self._serial.read(max(1, min(waiting, 65536)))
                self._take(data)
        except UserError as error:
            self._fault = error.message
        except (OSError, serial.SerialException, TypeError):
            # pyserial raises TypeError when the port vanishes under its read.
            self._fault = self._gone()

    def _take(self, data: bytes) -> None:
        """One look at the line."""
        if data:
            self._received.put(data)
            self._listen(data)
        due = time.monotonic() - self._alive > _ALIVE_S
        if due and self.hello and not self._hushed:
            self._send("alive")

    def _listen(self, data: bytes) -> None:
        """Pick hello, ack and log messages out of the stream."""
        if not self.hello:
            self._heard = (self._heard + data)[-4096:]
        *frames, self._partial = (self._partial + data).split(b"\0")
        self._partial = self._partial[-512:]
        for frame in frames:
            # Only short frames can be of interest here; edges are left to the decoder.
            if not frame:
                continue
            if len(frame) > 12 and frame[1] == wire.NUMBER["edges"]:
                self.streamed = time.monotonic()
                continue
            try:
                body = framing.unseal(frame)
                if body[:1] == bytes([wire.NUMBER["hello"]]):  # a body may be empty
                    self._protocol = wire.protocol_of(body)
                message = wire.decode_body(body)
            except framing.FrameError:
                continue
            if message.name == "hello" or message.fields.get("command") in _AWAITED:
                if self._answers.qsize() < _MOST_ANSWERS:
                    self._answers.put(message)
            elif message.name == "heartbeat":
                self.streamed = time.monotonic()
                newest = (message.session, message.fields["time"])
                if newest[0] != self._latest[0] or newest[1] > self._latest[1]:
                    self._latest, self.ticked = newest, self.streamed

    def _gone(self) -> str:
        return f"the board on {self.port} went away; plug it in again and measure anew"

    def _send(self, name: str, **fields: Any) -> int:
        with self._lock:
            seq = self._seq
            self._seq += 1
            session = self._session if name in _ON else 0
            data = b"\0" + wire.encode(name, session, seq, **fields)
            try:
                self._serial.write(data)
            except (OSError, serial.SerialException, TypeError):
                raise UserError(self._gone()) from None
            self._alive = time.monotonic()
        return seq

    def _shake_hands(self) -> None:
        deadline = time.monotonic() + 2 * _ANSWER_S * self.patience
        while not self.hello and self._protocol in (None, wire.PROTOCOL):
            # At a MicroPython prompt every byte is typed text: say no more.
            if time.monotonic() > deadline or self._at_prompt:
                break
            self._send("identify")
            again = time.monotonic() + 0.5 * self.patience
            while not self.hello and (left := again - time.monotonic()) > 0:
                try:
                    message = self._answers.get(timeout=left)
                except queue.Empty:
                    break
                if message.name == "hello":
                    self.hello = message.fields
            self._check_fault()
        if self._protocol not in (None, wire.PROTOCOL):
            raise UserError(
                f"the board on {self.port} speaks protocol version {self._protocol}, this program "
                f"version {wire.PROTOCOL}: run `sparkwitness board install`"
            )
        if not self.hello:
            raise UserError(self._silence())

    @property
    def _at_prompt(self) -> bool:
        return self._heard.endswith(_PROMPT)

    def _silence(self) -> str:
        if _PROMPT in self._heard or b"MicroPython" in self._heard:
            return (
                f"the board on {self.port} is at its MicroPython prompt: run `sparkwitness board "
                "install`, or reset the board"
            )
        if self._heard:
            return (
                f"{self.port} sends bytes, but nothing there speaks the sparkwitness protocol: "
                "choose another port, or run `sparkwitness board install`"
            )
        return (
            f"nothing answers on {self.port}: check the cable and the port, or give a slow board "
            "more time with --patience"
        )

    def _check_fault(self) -> None:
        if self._fault:
            raise UserError(self._fault)

    def command(self, name: str, **fields: Any) -> None:
        """Send a command and wait until the board has done it.

        Raises:
            UserError: the board refuses, with its reason, or does not answer.
            ValueError: a field is out of its range.
        """
        self._hushed = False
        seq = self._send(name, **fields)
        if not self._acknowledged(name, (seq,), 2 * _ANSWER_S):
            raise UserError(
                f"the board on {self.port} did not answer {name}; unplug it, plug it in and try "
                "again"
            )
        if name in _ON:
            self._lease, self._renewed = seq, time.monotonic()

    def stop(self) -> None:
        """Tell the board to stop, again and again until it says that it has.

        Nothing else is sent meanwhile, nor after it failed, and no lease is renewed from here on: a
        board that hears none of it switches its outputs off by itself.

        Raises:
            UserError: the board went away, or does not answer.
        """
        self._hushed, self._lease = True, None
        sent: list[int] = []
        deadline = time.monotonic() + 2 * _ANSWER_S * self.patience
        while time.monotonic() < deadline:
            sent.append(self._send("stop"))
            if self._acknowledged("stop", sent, _STOP_AGAIN_S):
                self._hushed = False
                return
        raise UserError(
            f"the board on {self.port} did not answer stop; its outputs switch off by themselves "
            "within 1 s: keep hands off until you have unplugged it"
        )

    def _acknowledged(self, name: str, seqs: Sequence[int], wait_s: float) -> bool:
        """Whether the board did what was sent under one of these numbers, within the time.

        Raises:
            UserError: it refuses, with its reason, or went away.
        """
        deadline = time.monotonic() + wait_s * self.patience
        while (left := deadline - time.monotonic()) > 0:
            self._check_fault()
            try:
                message = self._answers.get(timeout=min(left, 0.2))
            except queue.Empty:
                continue
            if message.name == "hello":
                self.hello = message.fields
            elif message.fields["command_seq"] in seqs:
                result = message.fields["result"]
                if result != wire.ENUMS["result"]["ok"]:
                    names = {v: k for k, v in wire.ENUMS["result"].items()}
                    why = message.fields["text"] or names.get(result, f"reason {result}")
                    raise UserError(f"the board refuses {name}: {why}")
                if name == "start":
                    self._session, self._lease = message.session, None
                return True
        return False

    def receive(self, timeout: float) -> bytes:
        """All bytes received since the last call, waiting at most `timeout` s for the first.

        Renews the lease of outputs that are on: to be called at least three times a second then.

        Raises:
            UserError: the board went away, after everything received before has been given out.
        """
        if self._lease is not None and time.monotonic() - self._renewed > _RENEW_S:
            self._renewed = time.monotonic()
            with suppress(UserError):  # where the board is gone, the reader says so
                self._send("renew", lease=self._lease)
        parts: list[bytes] = []
        try:
            parts.append(self._received.get(timeout=timeout))
            while True:
                parts.append(self._received.get_nowait())
        except queue.Empty:
            pass
        if not parts:
            self._check_fault()
        return b"".join(parts)


def open_port(port: str) -> Any:
    """An open pyserial port, locked against other programs.

    Raises:
        UserError: no such port, busy, or not allowed.
    """
    try:
        opened = serial.serial_for_url(port, baudrate=115200, timeout=0.05, write_timeout=2)
    except serial.SerialException as error:
        text = str(error).lower()
        if "busy" in text or "lock" in text or "access is denied" in text:
            raise _busy(port) from None
        if "permission" in text or "errno 13" in text:
            raise UserError(
                f"no permission to open {port}: add yourself to its group (on Debian: "
                "`sudo adduser $USER dialout`), log in again and try again"
            ) from None
        raise UserError(
            f"cannot open {port}: no such port; `sparkwitness board list` shows the boards"
        ) from None
    except _NOT_OPENED as error:
        raise UserError(f"{port} is not a port that can be opened: {error}") from None
    if "://" not in port:
        try:
            opened.exclusive = True
        except (ValueError, OSError):
            opened.close()
            raise _busy(port) from None
    return opened


def _busy(port: str) -> UserError:
    """Says who has it, where the system tells (Linux does, to its owner)."""
    holder = "another program"
    for entry in Path("/proc").glob("[0-9]*/fd/*"):
        with suppress(OSError):
            if entry.parts[2] != str(os.getpid()) and os.path.samefile(entry, port):
                name = (entry.parents[1] / "comm").read_text("utf-8", "replace").strip()
                holder = f"{name} (process {entry.parts[2]})"
                break
    return UserError(f"{port} is busy: {holder} has it open; close that program and try again")
