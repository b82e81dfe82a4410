"""A release: wheel, sdist, bill of materials, licences; each installed anew and the demo run.

python host/dist.py [FOLDER]     FOLDER: where the release goes, dist if not given
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOCKS = ROOT / "host" / "requirements"
UV = Path(sys.executable).with_name("uv")  # many times as quick as pip


def main(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    run(sys.executable, "-m", "hatchling", "build", "-d", folder, cwd=ROOT)
    (wheel,), (sdist,) = folder.glob("*.whl"), folder.glob("*.tar.gz")
    with tempfile.TemporaryDirectory(prefix="sparkwitness-dist-") as name:
        place = Path(name)
        try_out(sdist, environment(place / "sdist", "demo"))
        everything = environment(place / "wheel", "all")
        try_out(wheel, everything)
        bill = folder / f"{wheel.name.split('-py3')[0]}.cdx.json"
        materials(everything, bill)
        licences(everything, folder / "licences.md")
    for path in sorted(folder.iterdir()):
        print(f"{path.stat().st_size:>9}  {path.name}")


def environment(folder: Path, lock: str) -> Path:
    """A new environment with what a lock file holds; its interpreter."""
    run(UV, "venv", "--quiet", "--python", sys.executable, folder)
    python = folder / ("Scripts" if os.name == "nt" else "bin") / "python"
    install = (UV, "pip", "install", "--quiet", "--python", python)
    run(*install, "--require-hashes", "-r", LOCKS / f"{lock}.txt")
    return python


def try_out(built: Path, python: Path) -> None:
    """Install what was built, far from the checkout, and run the main job with it."""
    install = (UV, "pip", "install", "--quiet", "--python", python)
    run(*install, "--no-deps", "--no-build-isolation", built)
    run(UV, "pip", "check", "--python", python)
    place = python.parents[1]
    where = run(python, "-c", "import sparkwitness; print(sparkwitness.__file__)", cwd=place)
    if str(place) not in where:
        raise SystemExit(f"{built.name}: not what was installed answers, but {where.strip()}")
    command = python.with_name("sparkwitness")
    version = run(command, "--version", cwd=place)
    told = run(command, "demo", cwd=place)
    if "inside the interval" not in told:
        raise SystemExit(f"{built.name}: the demo went wrong:\n{told}")
    print(f"{built.name}: installed, {version.strip()}, demo measured inside its interval")


def materials(python: Path, path: Path) -> None:
    """Software bill of materials: all that the package and its extras bring (CycloneDX)."""
    cyclonedx = Path(sys.executable).with_name("cyclonedx-py")
    run(
        cyclonedx, "environment", "--pyproject", ROOT / "pyproject.toml", "--output-reproducible",
        "--gather-license-texts", "--output-file", path, python,
    )  # fmt: skip
    found = json.loads(path.read_text(encoding="utf-8"))["components"]
    print(f"{path.name}: {len(found)} components")


def licences(python: Path, path: Path) -> None:
    """Licences of the same."""
    tool = Path(sys.executable).with_name("pip-licenses")
    plain = ("--python", python, "--from", "mixed", "--ignore-packages", "sparkwitness")
    rows = json.loads(run(tool, *plain, "--format", "json"))
    lines = ["| package | version | licence |", "|--|--|--|"]
    lines += [f"| {r['Name']} | {r['Version']} | {r['License'].splitlines()[0]} |" for r in rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    silent = [r["Name"] for r in rows if r["License"] in ("", "UNKNOWN")]
    print(f"{path.name}: {len(rows)} packages; none is stated by {', '.join(silent) or 'none'}")


def run(*command: object, cwd: Path | None = None) -> str:
    """Output of a command; its words and the end, if it fails."""
    hidden = {"PYTHONPATH", "SPARKWITNESS_LOGBOOK"}
    env = {k: v for k, v in os.environ.items() if k not in hidden}
    ended = subprocess.run(
        [str(part) for part in command],
        cwd=cwd,
        env=env,
        capture_output=True,
        text=True,
        check=False,
    )
    if ended.returncode:
        raise SystemExit(f"{' '.join(map(str, command))}:\n{ended.stdout}{ended.stderr}")
    return ended.stdout


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else ROOT / "dist").absolute())
