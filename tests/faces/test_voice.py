"""What `measure --say` lets be heard: sentences, tones that are read back, and the last resort."""

import io
import os
import re
import wave
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sparkwitness import cli
from sparkwitness.faces import voice
from sparkwitness.timing.advice import Advice
from sparkwitness.timing.gates import Finding
from sparkwitness.timing.measure import Measurement
from sparkwitness.timing.number import Number


def result(error: float | None, **more) -> Measurement:
    timing = None if error is None else Number(10.0 + error)
    return Measurement(
        timing=timing, error=None if error is None else Number(error), expanded=0.25,
        commanded=10.0, **more,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("made", "kind", "said"),
    [
        (result(3.21), voice.EARLY,
         "Early by 3.2 degrees, plus or minus 0.2: 13.2 degrees before top dead centre."),
        (result(-14.0), voice.LATE,
         "Late by 14.0 degrees, plus or minus 0.2: 4.0 degrees after top dead centre."),
        (result(0.1), voice.AGREES,
         "As commanded, 10.1 degrees before top dead centre, plus or minus 0.2."),
        (result(None, findings=[Finding("no_spark", "no spark at 200 rpm: ±1°", "refused", False)]),
         voice.NOTHING, "No timing: no spark at 200 R P M: plus or minus 1 degrees."),
        (result(3.0, findings=[Finding("x", "the crank slipped", "doubt", False)]), voice.EARLY,
         "Early by 3.0 degrees, plus or minus 0.2: 13.0 degrees before top dead centre. Mind: the "
         "crank slipped."),
    ],
)  # fmt: skip
def test_words_say_side_size_and_uncertainty(made: Measurement, kind: str, said: str):
    assert voice.finding(made) == kind
    assert voice.words(made) == said


def test_the_next_setting_is_spoken_with_its_sign():
    tip = Advice(-2.5, -2.4, 0.2, 0.1, 1.0, "")
    assert voice.words(result(3.0, advice=tip)).endswith("Next setting minus 2.5.")


def pitch(samples: np.ndarray, rate: int) -> float:
    """Hz, from the rising zero crossings."""
    at = np.flatnonzero((samples[:-1] < 0) & (samples[1:] >= 0))
    return rate * (len(at) - 1) / (at[-1] - at[0])


@pytest.mark.parametrize(
    ("kind", "ratio"), [(voice.EARLY, 2.0), (voice.LATE, 0.5), (voice.AGREES, 1.0)]
)
def test_a_tone_rises_for_early_and_falls_for_late(kind: str, ratio: float):
    with wave.open(io.BytesIO(voice.tone(kind))) as file:
        rate, n = file.getframerate(), file.getnframes()
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2) and n / rate < 1
        samples = np.frombuffer(file.readframes(n), "<i2").astype(float)
    tenth = n // 10
    first, last = pitch(samples[tenth : 3 * tenth], rate), pitch(samples[-3 * tenth : -tenth], rate)
    # Between the middles of the two parts lie 0.6 of the glide.
    assert last / first == pytest.approx(ratio**0.6, rel=0.03)
    assert abs(samples[0]) < 300 and abs(samples[-1]) < 300 and np.ptp(samples) > 30_000


def test_without_any_program_the_bell_counts(monkeypatch):
    monkeypatch.setattr(voice.time, "sleep", lambda _: None)
    monkeypatch.setattr(voice.sys, "platform", "linux")
    rung: list[int] = []
    made = voice.Voice(lambda: rung.append(1), lambda _: None)
    assert "espeak-ng" in made.means() and "bell" in made.means()
    counts = []
    for one in (result(0.0), result(2.0), result(-2.0), result(None)):
        rung.clear()
        made.result(one)
        counts.append(len(rung))
    assert counts == [1, 2, 3, 4]


def test_a_program_that_fails_gives_the_bell(tmp_path: Path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    rung: list[int] = []
    broken = tmp_path / "espeak-ng"
    broken.write_text("#!/bin/sh\nexit 1\n")
    broken.chmod(0o755)
    made = voice.Voice(lambda: rung.append(1))
    made.result(result(1.0))
    broken.unlink()  # gone in between
    made.result(result(1.0))
    assert len(rung) == 2


def test_measure_speaks_what_it_shows(tmp_path: Path, monkeypatch):
    said = tmp_path / "said"
    speaker = tmp_path / "espeak-ng"
    speaker.write_text(f'#!/bin/sh\necho "$2" >> {said}\n')
    speaker.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setattr(voice, "_SPEAKERS", (("espeak-ng", "--"),))
    typed = ["measure", "--simulate", "marine-four", "--once", "--say", "--no-log"]
    done = CliRunner().invoke(cli.main, typed)
    assert done.exit_code == 0 and "spoken by espeak-ng" in done.output
    heard = said.read_text().splitlines()[-1]
    shown = re.search(r"error +(-[\d.]+)", done.output)
    assert shown and heard.startswith(f"Late by {abs(float(shown[1])):.1f} degrees")
    assert heard.endswith("Next setting 3.25.")
