"""All kinds of attack, and how many of a thousand are of each."""

from hostile import attacks, boards, pages, places
from hostile.ends import Attack

KINDS: dict[str, tuple[Attack, int]] = {
    "names in the logbook": (attacks.names_in_the_logbook, 100),
    "names typed": (attacks.names_typed, 220),
    "files by nasty names": (attacks.files_by_nasty_names, 10),
    "damaged recordings": (attacks.damaged_files, 100),
    "other loggers' files": (attacks.others_files, 100),
    "plans and engines": (attacks.plans_and_engines, 120),
    "prompts": (attacks.prompts, 120),
    "prompts at a terminal": (attacks.at_a_terminal, 10),
    "JSON of nasty names": (attacks.json_is_json, 30),
    "clocks and counters": (boards.clocks_and_counters, 60),
    "boards that lie": (boards.boards_that_lie, 20),
    "a second host": (boards.a_second_host, 20),
    "install pulled": (boards.install_pulled, 1),
    "disks": (places.disks, 20),
    "races": (places.races, 40),
    "the page": (pages.requests, 29),
}
