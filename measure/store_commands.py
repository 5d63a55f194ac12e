"""What the commands on a store of readings run; heavy imports wait inside the functions."""

from __future__ import annotations

import hashlib
import os
from argparse import Namespace
from collections.abc import Sequence
from pathlib import Path

from measure.telling import DONE, name_unused, progress


def _store_place(options: Namespace) -> str:
    return options.at or os.environ.get("HOLDFAST_STORE") or "readings.sqlite"


def run_store_import(options: Namespace) -> int:
    from measure.errors import ReadingError
    from measure.reading import SUFFIX, reading_files
    from measure.store import Store

    if not options.folder.is_dir() or not reading_files(options.folder):
        raise ReadingError(f"There is no *{SUFFIX} file under {options.folder.name!r}. Check the path.")
    with Store(_store_place(options)) as store:
        new, problems = store.import_folder(options.folder, track=progress("Reading readings"))
        print(f"Kept {new} new readings; the store holds {len(store)}.")
        records, unusable = store.import_records(options.folder)
        if records:
            print(f"Kept {records} new records of agreement studies.")
    return name_unused((*problems, *unusable))


def run_store_export(options: Namespace) -> int:
    from measure.store import Store

    with Store(_store_place(options), new=False) as store:
        new, damaged = store.export_folder(options.folder, track=progress("Writing readings"))
        print(f"Wrote {new} readings to {options.folder}")
        records, unusable = store.export_records(options.folder)
        if records:
            print(
                f"Wrote {records} records of agreement studies; put each study's list.json into its folder."
            )
    return name_unused((*damaged, *unusable))


def run_store_list(options: Namespace) -> int:
    from measure.store import Store

    with Store(_store_place(options), new=False) as store:
        for kept in store.find(standing=True):
            print("\t".join((kept.time, kept.site, kept.view, kept.reader, kept.uid)))
    return DONE


def run_store_check(options: Namespace) -> int:
    from measure.store import Store

    with Store(_store_place(options), new=False) as store:
        problems = store.check()
        print(f"{len(store)} readings, {len(problems)} faults.")
    return name_unused(("store", words) for words in problems)


def out_of_store(place: str, working: Path) -> tuple[Path, Sequence[tuple[str, str]]]:
    """Write a store's readings to files, where every worker finds them; name and fault of damaged ones.

    Each store has its own folder.
    """
    from measure.store import Store

    folder = working / f"store-{hashlib.sha256(place.encode()).hexdigest()[:8]}"
    with Store(place, new=False) as store:
        _, damaged = store.export_folder(folder, track=progress("Reading readings"))
    return folder, damaged
