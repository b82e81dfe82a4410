"""True timing from your own arrays of times, of any logger.

python own_edges.py                      times made here, of an engine whose truth is known
python own_edges.py crank.txt spark.txt  one time in seconds a line
"""

import sys

import numpy as np

from sparkwitness import Reference, Setup, measure_edges


def made_here() -> tuple[np.ndarray, np.ndarray]:
    """Times of a 36-1 wheel at 1500 rev/min, sparks 12° before top dead centre, ± 0.1°."""
    second = 1 / (6 * 1500)  # of one crank degree
    cycles = np.arange(100)[:, None] * 720.0
    wheel = np.arange(35) * 10.0  # the first tooth after the gap passes at 0°, which is 60° BTDC
    crank = (cycles + np.concatenate([wheel, wheel + 360.0])).ravel() * second
    spark = (cycles.ravel() + 60.0 - 12.0 + np.random.default_rng(1).normal(0, 0.1, 100)) * second
    return crank, spark


def main(files: list[str]) -> None:
    crank_s, spark_s = (np.loadtxt(f, ndmin=1) for f in files) if files else made_here()
    setup = Setup(
        reference=Reference.parse("36-1", angle=60, u_angle=0.05),
        cylinders=4,
        clamp="plug",
        commanded=10,
    )
    result = measure_edges(crank_s, spark_s, setup)
    for finding in result.findings:
        print(f"! {finding.text}")
    if result.timing is None or result.error is None:
        raise SystemExit("no angle can be told")
    print(f"timing {result.timing:.2f}° ± {result.timing.u95:.2f}° BTDC")
    print(f"error  {result.error:+.2f}° ± {result.error.u95:.2f}°")


if __name__ == "__main__":
    main(sys.argv[1:])
