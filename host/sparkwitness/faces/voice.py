"""A measurement for the ear: hands and eyes are busy at an engine.

A sentence is spoken where the computer has a program for it, else a tone is played: rising for an
early spark, falling for a late one, level where it comes as commanded; else the terminal's bell
rings. None of them is a result of its own: what was heard stands on the screen too.
"""

import io
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
import wave
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sparkwitness.timing.measure import Measurement

# Programs that speak what follows, and that play a WAV file: the first that is there is used.
_SPEAKERS = (("spd-say", "--wait", "--"), ("espeak-ng", "--"), ("espeak", "--"), ("say", "--"))
_PLAYERS = (("pw-play",), ("paplay",), ("aplay", "-q"), ("afplay",))
_LONGEST_S = 20.0
_BETWEEN_S = 5.0
_RATE = 22_050
_LOW_HZ, _HIGH_HZ = 440.0, 880.0
EARLY, LATE, AGREES, NOTHING = "early", "late", "agrees", "nothing"
_WORDS = {
    "°": " degrees", "±": "plus or minus ", "BTDC": "before top dead centre",
    "ATDC": "after top dead centre", "rpm": "R P M", "µs": "microseconds",
}  # fmt: skip
_BELLS = {AGREES: 1, EARLY: 2, LATE: 3, NOTHING: 4}


def finding(result: Measurement) -> str:
    """Which of the four things a result says."""
    if result.timing is None:
        return NOTHING
    if result.error is None or abs(result.error) <= (result.expanded or 0.0):
        return AGREES
    return EARLY if result.error > 0 else LATE


def words(result: Measurement) -> str:
    """The result in a sentence to be spoken: rounded, with its uncertainty, without symbols."""
    if result.timing is None or result.expanded is None:
        why = result.findings[0].text if result.findings else "nothing measured"
        return f"No timing: {_spoken(why)}."
    within = f"plus or minus {_digits(result.expanded)}"
    side = "before" if result.timing >= 0 else "after"
    said = f"{_digits(abs(result.timing))} degrees {side} top dead centre"
    if result.error is None:
        text = f"{said}, {within}."
    elif finding(result) == AGREES:
        text = f"As commanded, {said}, {within}."
    else:
        what = finding(result).capitalize()
        text = f"{what} by {_digits(abs(result.error))} degrees, {within}: {said}."
    if result.advice is not None:
        text += f" Next setting {_spoken(f'{result.advice.setting:g}')}."
    stops = [f for f in result.findings if not f.advice]
    if stops:
        text += f" Mind: {_spoken(stops[0].text)}."
    return text


def tone(what: str) -> bytes:
    """A WAV file, mono, 16 bit: one glide of half a second; `NOTHING` is two short low notes."""
    if what == NOTHING:
        note = _glide(_LOW_HZ / 2, _LOW_HZ / 2, 0.15)
        samples = np.concatenate((note, np.zeros(_RATE // 10), note))
    else:
        middle = math.sqrt(_LOW_HZ * _HIGH_HZ)
        ends = {EARLY: (_LOW_HZ, _HIGH_HZ), LATE: (_HIGH_HZ, _LOW_HZ), AGREES: (middle, middle)}
        samples = _glide(*ends[what], 0.5)
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(_RATE)
        file.writeframes((20_000 * samples).astype("<i2").tobytes())
    return out.getvalue()


def _glide(begin_hz: float, end_hz: float, seconds: float) -> NDArray[np.float64]:
    """float64[n] from -1 to 1: pitch moves evenly (by ratio) from begin to end, ends faded."""
    n = round(seconds * _RATE)
    pitch = np.geomspace(begin_hz, end_hz, n)
    fade = np.minimum(1.0, np.minimum(np.arange(n), np.arange(n)[::-1]) / (0.02 * _RATE))
    return np.asarray(np.sin(2 * np.pi * np.cumsum(pitch) / _RATE) * fade)


class Voice:
    """Says results and what to do, by the best means that this computer has.

    Args:
        bell: rings the terminal's bell; the last resort.
        found: `shutil.which`, or a stand-in for tests.
    """

    def __init__(
        self, bell: Callable[[], None], found: Callable[[str], str | None] = shutil.which
    ) -> None:
        self._bell = bell
        self._speaker = next((c for c in _SPEAKERS if found(c[0])), None)
        self._player = next((c for c in _PLAYERS if found(c[0])), None)
        self._last, self._at = "", -math.inf
        self._running: subprocess.Popen[bytes] | None = None

    def means(self) -> str:
        """What will be heard, and what would make it better."""
        if self._speaker:
            return f"Results are spoken by {self._speaker[0]}."
        better = "a program that speaks makes it words (Debian: apt-get install espeak-ng)"
        if self._player or sys.platform == "win32":
            return f"A tone rises for early, falls for late, is level as commanded; {better}."
        return f"The bell rings once as commanded, twice for early, three times for late; {better}."

    def result(self, what: Measurement) -> None:
        """Say a result, and wait until it is said."""
        self._stop()
        if self._speaker:
            self._run([*self._speaker, words(what)])
            return
        kind = finding(what)
        if self._player or sys.platform == "win32":
            self._play(tone(kind))
            return
        for _ in range(_BELLS[kind]):
            self._bell()
            time.sleep(0.4)

    def meanwhile(self, result: Measurement) -> None:
        """While measuring: speak a finding that is new, seldom, and without waiting for it."""
        text = result.findings[0].text if result.findings and result.timing is None else ""
        code = result.findings[0].code if text else ""
        if not self._speaker or code in ("", "few_events", self._last):
            return
        if time.monotonic() - self._at < _BETWEEN_S or self._busy():
            return
        self._last, self._at = code, time.monotonic()
        with suppress(OSError):
            self._running = subprocess.Popen(
                [*self._speaker, _spoken(text)], stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip

    def _busy(self) -> bool:
        return self._running is not None and self._running.poll() is None

    def _stop(self) -> None:
        if self._running is not None and self._busy():
            with suppress(OSError):
                self._running.terminate()
            self._running.wait()
        self._running = None

    def _play(self, sound: bytes) -> None:
        if sys.platform == "win32":
            import winsound

            with suppress(RuntimeError):
                winsound.PlaySound(sound, winsound.SND_MEMORY)
            return
        assert self._player is not None
        handle, name = tempfile.mkstemp(suffix=".wav")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(sound)
            self._run([*self._player, name])
        finally:
            Path(name).unlink(missing_ok=True)

    def _run(self, command: Sequence[str]) -> None:
        """Run to its end; where sound fails, the bell is better than silence."""
        try:
            done = subprocess.run(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL, timeout=_LONGEST_S, check=False,
            )  # fmt: skip
        except (OSError, subprocess.TimeoutExpired):
            self._bell()
            return
        if done.returncode:
            self._bell()


def _digits(value: float) -> str:
    return f"{value:.1f}" if value >= 0.095 else f"{value:.2f}"


def _spoken(text: str) -> str:
    """Symbols as words, for programs that leave them out."""
    for symbol, word in _WORDS.items():
        text = text.replace(symbol, word)
    return f"minus {text[1:]}" if text.startswith("-") else text
