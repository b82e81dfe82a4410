"""Engines, modules, circuits and people of a second hand, to mark what measures."""
