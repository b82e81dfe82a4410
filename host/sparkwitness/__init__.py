"""sparkwitness: witness an engine's real spark.

Names are loaded when they are first used, so that the import itself takes no time.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sparkwitness.api import measure_edges, measure_recording, recorded_setup, stream
    from sparkwitness.errors import UserError
    from sparkwitness.timing.angle import Reference
    from sparkwitness.timing.gates import Finding
    from sparkwitness.timing.measure import Measurement
    from sparkwitness.timing.number import Number
    from sparkwitness.timing.setup import Setup

__all__ = [
    "Finding", "Measurement", "Number", "Reference", "Setup", "UserError", "measure_edges",
    "measure_recording", "recorded_setup", "stream",
]  # fmt: skip
__version__ = "0.1.0"

_ROOMS = {
    "Finding": "timing.gates",
    "Measurement": "timing.measure",
    "Number": "timing.number",
    "Reference": "timing.angle",
    "Setup": "timing.setup",
    "UserError": "errors",
}


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_ROOMS.get(name, 'api')}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
