"""Attacks by texts and files; each takes a random generator and a folder of its own."""

import json
import os
import time
from contextlib import suppress
from pathlib import Path
from random import Random

from fuzz import rims
from hostile import nasty
from hostile.ends import (
    LOST,
    RAW,
    RECORDING,
    REFUSED,
    SMALL,
    TRACEBACK,
    TRIED,
    outcome,
    run,
    worst,
)
from sparkwitness.errors import UserError
from sparkwitness.records.logbook import Logbook
from terminal import Terminal


def names_in_the_logbook(rng: Random, place: Path) -> str:
    """A run kept under nasty names, with a nasty note; then every command that shows it."""
    book = place / "logbook.db"
    engine, module, note, word = (nasty.text(rng) for _ in range(4))
    try:
        with Logbook(book) as log:
            number = log.keep(
                "check", word, {word: word, "n": 1.5}, engine=engine, module=module,
                source=nasty.text(rng), board={"software": word, "name": engine},
            )  # fmt: skip
            if note.strip():
                log.note(number, note)
    except UserError as error:
        return RAW if nasty.acts(error.message) and "\n" not in error.message else REFUSED
    page = place / "page.html"
    ends = [
        outcome(run("logbook", "list", "--logbook", book, "--engine", engine)),
        outcome(run("logbook", "show", str(number), "--logbook", book)),
        outcome(run("logbook", "show", str(number), "--logbook", book, "--json")),
        outcome(run("report", str(number), "--logbook", book, "--out", page, "--force")),
    ]
    with Logbook(book) as log:
        kept = log.run(number)
    if kept.result.get("n") != 1.5:
        return LOST
    if page.exists():
        html = page.read_text("utf-8")
        if "<script>alert" in html or "<img src=x" in html or nasty.acts(html):
            return RAW
    return worst(*ends)


def names_typed(rng: Random, place: Path) -> str:
    """Nasty words in place of names, numbers and files on the command line."""
    word = os.fsdecode(nasty.text(rng).replace("\0", "").encode("utf-8", "replace"))
    if word in ("-h", "--help", "--", "") or word.startswith("-"):
        word = "x" + word
    book = ("--logbook", place / "logbook.db")
    command = rng.choice([
        ("logbook", "list", *book, "--engine", word), ("logbook", "show", word, *book),
        ("logbook", "note", "1", word, *book), ("case", "start", word, *book),
        ("case", "start", "no spark", "--engine", word, *book), ("case", "show", word, *book),
        ("engine", "show", word), ("engine", "remove", word, "--yes"), ("demo", word), (word,),
        ("measure", "--from", word, "--once"), ("measure", "--simulate", word, "--once"),
        ("measure", "--engine", word, "--from", RECORDING), ("bench", "--plan", word),
        ("report", word, *book), ("export", word, "--to", "csv"), ("summarize", word),
        ("compare", word, word),
        ("check", "coil", "--primary", word), ("findfault", "--store", word, "--ignition", word),
        ("tdc", "stops", word, "20"), ("completion", word), ("board", "info", "--port", word),
    ])  # fmt: skip
    before = os.getcwd()
    inside = place / "in" / "side"  # so that ".." is no folder of anybody else
    inside.mkdir(parents=True)
    os.chdir(inside)
    try:
        return outcome(run(*command, typed=""))
    finally:
        os.chdir(before)


def files_by_nasty_names(rng: Random, place: Path) -> str:
    """A good recording under a nasty name, through the commands that read one."""
    name = nasty.text(rng).replace("\0", "").replace("/", "_").encode("utf-8", "replace")[:200]
    name += rng.choice([b"", b"\xff", b"\xc3"]) + b".swrec"
    path = Path(os.fsdecode(os.path.join(os.fsencode(place), name)))
    path.write_bytes(SMALL.read_bytes())
    book = ("--logbook", place / "logbook.db")
    ends = [
        outcome(run("measure", "--from", path, "--engine", place / "none.toml", *book, typed="")),
        outcome(run("report", path, "--out", place / "page.html", "--force", *book)),
        outcome(run("summarize", place, "--out", place / "table.csv", "--jobs", "1")),
    ]
    return worst(*ends)


def damaged_files(rng: Random, place: Path) -> str:
    """A recording cut, changed or grown, through the commands that read one."""
    data = bytearray(rng.choice([SMALL, RECORDING]).read_bytes())
    for _ in range(rng.randint(1, 6)):
        # Seldom in the header: most of what is damaged there is refused at once.
        begin = data.find(b"\n") + 1 if rng.random() < 0.9 else 0
        at = rng.randrange(min(begin, len(data) - 1), len(data))
        match rng.randrange(4):
            case 0:
                del data[at:]
            case 1:
                data[at : at + rng.randint(1, 400)] = rng.randbytes(rng.randint(0, 400))
            case 2:
                data[at:at] = rng.randbytes(rng.randint(1, 40))
            case _:
                data[at] ^= 1 << rng.randrange(8)
        if not data:
            data += b"\n"
    path = place / "damaged.swrec"
    path.write_bytes(data)
    command = rng.choice([
        ("report", path, "--out", place / "page.html", "--force"),
        ("export", path, "--to", "csv", "--out", place / "out", "--force"),
        ("measure", "--from", path, "--once"),
        ("summarize", place, "--out", place / "table.csv", "--force"),
    ])  # fmt: skip
    return outcome(run(*command, typed="\n" * 40))


_SOON_S = 1.0
NUMBERS = ["0", "-1", "1e308", "-1e308", "nan", "inf", "-inf", "1" * 400, "1e400", "true",
           '""', "[]", "{}", "0.0000001", "9223372036854775808", '"x"', "1979-05-27",
           "'''a\n'''"]  # fmt: skip


def plans_and_engines(rng: Random, place: Path) -> str:
    """A plan or an engine out of all range, nested, doubled, no text, no file."""
    path = place / "given.toml"
    if rng.random() < 0.1:
        path = Path(rng.choice(["/dev/zero", "/dev/full", str(place), "/proc/self/mem"]))
        if rng.random() < 0.3:
            path = place / "pipe.toml"
            if not path.exists():
                os.mkfifo(path)
    else:
        keys = ["format", "name", "commanded", "cylinders", "strokes", "reference", "teeth",
                "width_ms", "from", "to", "step", "firings", "seconds", "kind", "steps", "supply",
                "counts", "reference_angle", "dead_time_us", "falling"]  # fmt: skip
        lines = [f"{rng.choice(keys)} = {rng.choice(NUMBERS)}" for _ in range(rng.randint(0, 8))]
        if rng.random() < 0.2:
            lines.append("x = " + "[" * rng.choice([100, 100_000]))
        if rng.random() < 0.2:
            many = rng.choice([10, 3000, 3000, 1_000_000])
            lines += [f"[[steps]]\nrpm = {k}" for k in range(many)]
        text = "\n".join(lines).encode()
        if rng.random() < 0.1:
            text += rng.randbytes(50)
        path.write_bytes(text)
    command = rng.choice([
        ("bench", "--plan", path, "--from", RECORDING, "--yes"),
        ("measure", "--engine", path, "--from", RECORDING, "--once"),
        ("engine", "show", path),
    ])  # fmt: skip
    os.environ["SPARKWITNESS_ENGINES"] = str(place / "engines")
    began = time.process_time()
    end = outcome(run(*command, typed=""))
    # Of this program's own time, whatever else the computer does.
    return LOST if end == REFUSED and time.process_time() - began > _SOON_S else end


ANSWERS = ["", "?", "y", "n", "nan", "1e999", "-1e999", "１２", "1,5", "36-1", "4", "20", "0", "-",
           "\x1b[A", "\x03", "\x04", "\x1a", "a" * 5000, "1 2 3", "0x10", "null", "60",
           "coil"]  # fmt: skip


def prompts(rng: Random, place: Path) -> str:
    """Strange answers to whatever is asked, then the end of input."""
    answers = [
        rng.choice(ANSWERS) if rng.random() < 0.7 else nasty.text(rng).replace("\0", "")
        for _ in range(rng.randint(0, 25))
    ]
    typed = "\n".join(answers).encode("utf-8", "replace").decode()
    book = ("--logbook", place / "logbook.db")
    command = rng.choice([
        ("measure", "--from", RECORDING, "--once", *book), ("check", "degrees"),
        ("case", "go", *book), ("case", "start", *book),
        ("findfault", "--store", place / "search.json", *book), ("tdc", "stops"),
        ("check", "coil"), ("check", "supply"),
    ])  # fmt: skip
    os.environ["SPARKWITNESS_ENGINES"] = str(place / "engines")
    return outcome(run(*command, typed=typed))


def json_is_json(rng: Random, place: Path) -> str:
    """What a script reads stays JSON, whatever stands in the names."""
    book = place / "logbook.db"
    with Logbook(book) as log:
        log.keep("check", nasty.text(rng), {"n": 1}, engine=nasty.text(rng))
    result = run("logbook", "list", "--json", "--logbook", book)
    if outcome(result) == TRIED:
        json.loads(result.stdout)
    return outcome(result)


def others_files(rng: Random, place: Path) -> str:
    """A changed file of another logger, or one by a nasty name, through `import`."""
    name = nasty.text(rng).replace("\0", "").replace("/", "_")[:60].encode("utf-8", "replace")
    path = place / os.fsdecode(name + b".x" if rng.random() < 0.3 else b"logged.x")
    data = rng.choice(rims.other_seeds())
    for _ in range(rng.randint(1, 3)):
        data = rims.other_mutate(rng, data)
    path.write_bytes(data)
    out = place / "made.rec"
    end = outcome(run("import", path, "--out", out, typed="\n" * 30))
    if end == TRIED:
        end = worst(end, outcome(run("export", out, "--to", "csv", "--out", place / "out")))
    return LOST if end == REFUSED and list(place.glob("*.part")) else end


def at_a_terminal(rng: Random, place: Path) -> str:
    """The same strange answers at a real terminal, of any width, and then the end of input."""
    command = rng.choice([
        ("measure", "--from", SMALL, "--once", "--no-log"),
        ("case", "go", "--logbook", place / "logbook.db"),
        ("findfault", "--store", place / "search.json", "--no-log"),
    ])  # fmt: skip
    shell = Terminal(
        *command, columns=rng.choice([1, 5, 20, 80, 300]), jobs=rng.random() < 0.5,
        XDG_DATA_HOME=str(place), SPARKWITNESS_ENGINES=str(place / "engines"),
    )  # fmt: skip
    for _ in range(rng.randint(0, 6)):
        answer = rng.choice(ANSWERS) if rng.random() < 0.7 else nasty.text(rng)
        with suppress(OSError):
            shell.send(answer.encode("utf-8", "replace")[:1000] + b"\n")
    until, heard = time.monotonic() + 60, -1
    while shell._more(0.1) and time.monotonic() < until:
        if len(shell.raw) == heard:  # it has said what it had to say, and waits
            with suppress(OSError):
                shell.send(b"\n\x04")
        heard = len(shell.raw)
    code = shell.close(30)
    return TRACEBACK if "Traceback" in shell.said else TRIED if code == 0 else REFUSED
