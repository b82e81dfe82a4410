"""Boots by itself: the one place where board and unix port part."""

import sys

from app import App

if sys.platform == "rp2":
    from hw_rp2 import Hardware
else:
    from hw_unix import Hardware

if __name__ == "__main__":
    App(Hardware()).run()
