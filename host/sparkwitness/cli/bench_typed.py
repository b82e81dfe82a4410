"""What is typed after `bench`, read: options to the values of a plan."""

from typing import Any

from sparkwitness.errors import UserError

_NAMES = {
    "width": "width_us",
    "soak": "soak_minutes",
    "dead_time": "dead_time_us",
    "supply": "supply_v",
    "temperature": "temperature_c",
}


def values(typed: dict[str, Any], before: dict[str, Any]) -> dict[str, Any]:
    """Plain values of the options that were given."""
    given = {_NAMES.get(k, k): v for k, v in typed.items() if v is not None and v != ()}
    if "steps" in given:
        given["steps"] = _steps(given["steps"])
    if "ramps" in given:
        ramps = [r for r in given["ramps"] if r != "none"]
        given["ramps"] = [_numbers(r, 3, "--ramp", "500:6000:20") for r in ramps]
    for name, read in (("limits", _limit), ("margins", _margin)):
        if name in given:
            given[name] = {**before.get(name, {}), **dict(map(read, given[name]))}
    return given


def _steps(text: str) -> list[float]:
    if text == "none":
        return []
    found: list[float] = []
    for part in text.split(","):
        if ":" not in part:
            found += _numbers(part, 1, "--steps", "500,1000,3000")
            continue
        first, last, step = _numbers(part, 3, "--steps", "1000:6000:500")
        if step <= 0:
            raise UserError(f"--steps {part}: the step must be above 0")
        count = int(abs(last - first) / step + 1e-9)
        if count > 1000:
            raise UserError(f"--steps {part} gives {count + 1} speeds: take a larger step")
        sign = 1 if last >= first else -1
        found += [first + sign * step * k for k in range(count + 1)]
    return found


def _numbers(text: str, count: int, option: str, example: str) -> list[float]:
    try:
        numbers = [float(part) for part in text.split(":")]
    except ValueError:
        numbers = []
    if len(numbers) != count:
        raise UserError(f"{option} {text!r} cannot be read; type it like {example}")
    return numbers


def _named(text: str, option: str, example: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not equals:
        raise UserError(f"{option} {text!r} cannot be read; type it like {example}")
    return name.strip(), value


def _limit(text: str) -> tuple[str, dict[str, float]]:
    example = "delay_us=:60"
    name, value = _named(text, "--limit", example)
    ends = value.split(":")
    if len(ends) != 2:
        raise UserError(f"--limit {text!r} cannot be read; type it like {example}")
    found = {}
    for key, end in zip(("least", "most"), ends, strict=True):
        if end.strip():
            found[key] = _numbers(end, 1, "--limit", example)[0]
    return name, found


def _margin(text: str) -> tuple[str, float]:
    name, value = _named(text, "--margin", "delay_us=5")
    return name, _numbers(value, 1, "--margin", "delay_us=5")[0]


def claim(text: str) -> tuple[float, float]:
    sparks, at, rpm = text.partition("@")
    example = "9@2000"
    if not at:
        raise UserError(f"--claim {text!r} cannot be read; type it like {example}")
    n, speed = _numbers(sparks, 1, "--claim", example)[0], _numbers(rpm, 1, "--claim", example)[0]
    if not (0 < n <= 1e4 and 0 < speed <= 30000):
        raise UserError(f"--claim {text!r}: sparks must be from 0 to 10000 at up to 30000 rpm")
    return n, speed
