"""The measurement as it runs, shown on a page or in a terminal.

capture (thread: board to numbers) → view (numbers to what is shown) → stream (newest view to every
page) → server (page and guard). `terminal` shows the same view without a browser.
"""
