"""Hostile input for everything that reads bytes, text or files; `python -m fuzz --help`, in tests/.

Three drivers share the targets and the mutations here: libFuzzer through atheris (`make fuzz`),
Hypothesis (tests/whole/test_fuzz.py, short), and for the board's command parser batches that run
under the MicroPython interpreter.
"""
