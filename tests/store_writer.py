"""A program that saves readings for ever, for a test that kills it.

Each line on its input starts a child that saves into the store named on the command line. A child
writes "pid uid" to the output once a reading is kept; "pid dead" follows its last line.
"""

from __future__ import annotations

import os
import random
import sys

from measure.reading import Landmark, Reading
from measure.sites import load_site
from measure.store import Store

SITE = load_site("olecranon")


def small_reading(number: int = 0, **fields: object) -> Reading:
    """Make a small reading of an invented film that the number stands for; other fields as given."""
    given = {
        "film_digest": f"sha256:{number:064x}", "rows": 300, "columns": 200, "site": "olecranon",
        "site_version": SITE.version, "view": "lateral", "axis": SITE.axes[0], "reader": "reader one",
        "landmarks": {
            "hole": Landmark("confirmed", ((100.123456789, 50.1),)),
            "loop": Landmark("not assessable", reason="metal overlaps"),
        },
    }  # fmt: skip
    return Reading(**(given | fields))


def _save_for_ever(place: str) -> None:
    rng = random.Random()
    with Store(place) as store:
        while True:
            made = [small_reading(rng.randrange(1000)) for _ in range(rng.choice((1, 1, 5)))]
            store.save_all(made)
            for each in made:
                _say(f"{os.getpid()} {each.uid}")


def _say(line: str) -> None:
    os.write(1, f"{line}\n".encode())  # short enough to be written whole or not at all


if __name__ == "__main__":
    if sys.argv[1].startswith("postgresql"):
        import psycopg  # noqa: F401 (imported once, not by every child)
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            _save_for_ever(sys.argv[1])
        os.waitpid(child, 0)
        _say(f"{child} dead")
