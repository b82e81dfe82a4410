"""`python -m sparkwitness` is the command `sparkwitness`."""

from sparkwitness.cli import main

if __name__ == "__main__":
    main(prog_name="sparkwitness")
