"""Runs the firmware's files under CPython, where there is no MicroPython interpreter.

Started as `python -I cpython_launcher.py FIRMWARE_FOLDER`. It gives CPython the names that
MicroPython has and CPython has not; nothing of the firmware itself is here or changed. Viper code
runs as plain Python: its 32-bit words are kept by the stores of ptr8, ptr16 and ptr32.
"""

import builtins
import gc
import os
import runpy
import select
import sys
import time
import types
from collections.abc import Callable, Iterator
from typing import Any


class _Pointer:
    """Viper pointer: indexes a buffer as words of one size; a store keeps the low bits."""

    size, mask = 1, 0xFF

    def __init__(self, buffer: Any) -> None:
        view = memoryview(buffer).cast("B")
        whole = view[: len(view) - len(view) % self.size]
        # One cast each, since the letter must be known to the type checker.
        if self.size == 1:
            self._words = whole
        else:
            self._words = whole.cast("H") if self.size == 2 else whole.cast("I")

    def __getitem__(self, index: int) -> int:
        return self._words[index]

    def __setitem__(self, index: int, value: int) -> None:
        self._words[index] = value & self.mask


class _Pointer16(_Pointer):
    size, mask = 2, 0xFFFF


class _Pointer32(_Pointer):
    size, mask = 4, 0xFFFFFFFF


class _Poll:
    """select.poll as MicroPython has it: yields the registered objects; has ipoll."""

    def __init__(self) -> None:
        self._poll = _cpython_poll()
        self._objects: dict[int, Any] = {}

    def register(self, thing: Any, events: int = select.POLLIN | select.POLLOUT) -> None:
        number = thing if isinstance(thing, int) else thing.fileno()
        self._objects[number] = thing
        self._poll.register(number, events)

    def unregister(self, thing: Any) -> None:
        number = thing if isinstance(thing, int) else thing.fileno()
        del self._objects[number]
        self._poll.unregister(number)

    def poll(self, timeout: int = -1) -> list[tuple[Any, int]]:
        found = self._poll.poll(None if timeout < 0 else timeout)
        return [(self._objects[number], events) for number, events in found]

    def ipoll(self, timeout: int = -1, flags: int = 0) -> Iterator[tuple[Any, int]]:
        return iter(self.poll(timeout))


_cpython_poll = select.poll


class _Stream:
    """Standard input or output without read-ahead, and with MicroPython's write(buf, at, n)."""

    def __init__(self, number: int) -> None:
        self._number = number
        self.buffer = self

    def fileno(self) -> int:
        return self._number

    def readinto(self, buffer: Any, size: int = -1) -> int | None:
        view = memoryview(buffer).cast("B")
        try:
            return os.readv(self._number, [view if size < 0 else view[:size]])
        except BlockingIOError:
            return None

    def read(self, size: int = 1) -> bytes | None:
        try:
            return os.read(self._number, size)
        except BlockingIOError:
            return None

    def write(self, data: Any, *place: int) -> int | None:
        view = memoryview(data.encode() if isinstance(data, str) else data).cast("B")
        if len(place) == 1:
            view = view[: place[0]]
        elif place:
            view = view[place[0] : place[0] + place[1]]
        try:
            return os.write(self._number, view)
        except BlockingIOError:
            return None

    def flush(self) -> None:
        pass


def _wrap(number: int) -> int:
    """The firmware's tick counters wrap at 2^30."""
    return number & 0x3FFFFFFF


def _difference(end: int, start: int) -> int:
    return ((end - start + 0x20000000) & 0x3FFFFFFF) - 0x20000000


def _same(thing: Any) -> Any:
    return thing


def _nothing(*_: Any) -> None:
    pass


def _give(module: types.ModuleType | types.SimpleNamespace, **names: Any) -> None:
    for name, value in names.items():
        if not hasattr(module, name):
            setattr(module, name, value)


def prepare() -> None:
    """Put MicroPython's names where the firmware looks for them."""
    micropython = types.ModuleType("micropython")
    _give(
        micropython,
        const=_same,
        viper=_same,
        native=_same,
        kbd_intr=_nothing,
        opt_level=_nothing,
        alloc_emergency_exception_buf=_nothing,
        heap_lock=_nothing,
        heap_unlock=_nothing,
    )
    sys.modules["micropython"] = micropython
    pointers: dict[str, Callable[[Any], Any]] = {
        "ptr": _Pointer,
        "ptr8": _Pointer,
        "ptr16": _Pointer16,
        "ptr32": _Pointer32,
        "uint": lambda value: value & 0xFFFFFFFF,
    }
    for name, pointer in pointers.items():
        setattr(builtins, name, pointer)
    _give(
        time,
        ticks_ms=lambda: _wrap(time.monotonic_ns() // 1_000_000),
        ticks_us=lambda: _wrap(time.monotonic_ns() // 1_000),
        ticks_cpu=lambda: _wrap(time.monotonic_ns()),
        ticks_add=lambda ticks, delta: _wrap(ticks + delta),
        ticks_diff=_difference,
        sleep_ms=lambda ms: time.sleep(ms / 1e3),
        sleep_us=lambda us: time.sleep(us / 1e6),
    )
    _give(gc, mem_alloc=lambda: 0, mem_free=lambda: 1 << 20, threshold=_nothing)
    _give(sys, print_exception=lambda error, *_: sys.excepthook(type(error), error, None))
    select.poll = _Poll  # type: ignore[misc, assignment]
    sys.stdin = _Stream(0)
    sys.stdout = _Stream(1)


def main() -> None:
    """Run main.py of the folder given."""
    folder = sys.argv[1]
    prepare()
    sys.dont_write_bytecode = True
    sys.path.insert(0, folder)
    sys.argv = ["main.py"]
    runpy.run_path(os.path.join(folder, "main.py"), run_name="__main__")


if __name__ == "__main__":
    main()
