"""`python -m truth` in tests/: the table of the second hand alone."""

import argparse

from . import cases, score


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="rows whose name or kind contains this")
    options = parser.parse_args()
    chosen = [r for r in cases.rows() if options.only in r.name or options.only == r.kind]
    kind = ""
    print(score.HEADING)
    for done in score.table(chosen, options.runs, options.seed):
        if done.kind != kind:
            kind = done.kind
            print(f"-- {kind}")
        print(done.line(), flush=True)


if __name__ == "__main__":
    main()
