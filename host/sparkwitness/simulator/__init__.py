"""The outside world of the board: engine, wheel, ignition, supply. It keeps the truth."""
