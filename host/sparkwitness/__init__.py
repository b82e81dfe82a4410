"""sparkwitness: witness an engine's real spark."""

__version__ = "0.1.0"
