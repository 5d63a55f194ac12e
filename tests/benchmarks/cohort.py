"""Films per second of a cohort: one process, two, and a two-worker Dask cluster; and of the receiver.

Run it: `python tests/benchmarks/cohort.py [FILMS]` (1,000). The films are copies of the sample films, each
with a pixel and a UID of its own; one in twenty is measured by proposals, which take far longer, the others
by readings. The runs alternate, so that what else the machine does falls on all of them; the processor's time
for each film shows what a second worker costs whatever else runs. Receiving is by
DCMTK's storescu, against DCMTK's own storescp.
"""

from __future__ import annotations

import functools
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pydicom

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1]))
KEY = b"k" * 32
ROUNDS = 2
PROPOSED = 20  # one in so many films has no reading


def write_films(folder: Path, count: int) -> None:
    """Make films of the samples, each with its own first pixel and UID; most get a reading."""
    from measure.film import read_film
    from measure.reading import SUFFIX, load_reading, save_reading
    from measure.samples import samples_folder

    samples = sorted(samples_folder().rglob("*.dcm"))
    readings = [load_reading(path.with_name(path.name.removesuffix(".dcm") + SUFFIX)) for path in samples]
    data = [pydicom.dcmread(path) for path in samples]
    for film in data:
        film.decompress()
    for number in range(count):
        film = data[number % len(data)]
        pixels = bytearray(film.PixelData)
        pixels[:2] = (number % 4096).to_bytes(2, "little")
        pixels[2:4] = (number // 4096).to_bytes(2, "little")
        film.PixelData = bytes(pixels)
        film.SOPInstanceUID = film.file_meta.MediaStorageSOPInstanceUID = f"1.2.826.{number + 1}"
        path = folder / f"{number // 100:03}" / f"{number:06}.dcm"
        path.parent.mkdir(parents=True, exist_ok=True)
        film.save_as(path)
        if number % PROPOSED:
            new = replace(
                readings[number % len(data)], film_digest=read_film(path).digest, uid=str(number),
                sop_instance_uid=str(film.SOPInstanceUID), supersedes=None,
            )  # fmt: skip
            save_reading(new, path.with_suffix(".reading.json"))


def rate(run: Callable[[Path], int], folder: Path) -> float:
    """Films per second of one run into an empty folder."""
    shutil.rmtree(folder, ignore_errors=True)
    started = time.perf_counter()
    films = run(folder)
    return films / (time.perf_counter() - started)


def processor_ms(folder: Path) -> float:
    """Take away what the workers noted: the processor's time for a film, in ms."""
    seconds = [float(line) for path in folder.iterdir() for line in path.read_text().splitlines()]
    for path in folder.iterdir():
        path.unlink()
    return 1000 * sum(seconds) / len(seconds)


def cohorts(films: Path, work: Path) -> None:
    """Print the rates of the three ways, and whether their tables are the same."""
    from cohort_faults import clocked
    from distributed import LocalCluster

    from measure.cohort import run_cohort
    from measure.pseudonym import Pseudonyms

    run = functools.partial(run_cohort, films, pseudonyms=Pseudonyms(KEY), measure=clocked)
    notes = work / "clocked"
    notes.mkdir()
    os.environ["CLOCKED"] = str(notes)
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        address = cluster.scheduler_address
        ways: dict[str, Callable[[Path], int]] = {
            "one process": lambda out: run(out, workers=1).new,
            "two processes": lambda out: run(out, workers=2).new,
            "two Dask workers": lambda out: run(out, cluster=address).new,
        }
        rates: dict[str, list[float]] = {name: [] for name in ways}
        spent: dict[str, list[float]] = {name: [] for name in ways}
        for _ in range(ROUNDS):
            for name, way in ways.items():
                rates[name].append(rate(way, work / name))
                spent[name].append(processor_ms(notes))
                load = os.getloadavg()[0]
                print(
                    f"  {name}: {rates[name][-1]:.1f} films/s, {spent[name][-1]:.0f} ms of the processor a "
                    f"film, load {load:.1f}",
                    flush=True,
                )
    tables = {(work / name / "values.parquet").read_bytes() for name in ways}
    one, two, dask = (statistics.median(rates[name]) for name in ways)
    print(f"one process {one:.1f}, two {two:.1f}, two Dask workers {dask:.1f} films/s (medians of {ROUNDS})")
    print(f"efficiency of two processes {two / one / 2:.2f}, of Dask {dask / one / 2:.2f}")
    ms = [statistics.median(spent[name]) for name in ways]
    print(f"by the processor's time a film: two processes {ms[0] / ms[1]:.2f}, Dask {ms[0] / ms[2]:.2f}")
    print(f"Dask takes {two / dask:.2f} times the processes' time; one table: {len(tables) == 1}")
    usage = resource.getrusage
    own, workers = usage(resource.RUSAGE_SELF).ru_maxrss, usage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(f"peak memory: first process {own / 1024:.0f} MiB, largest worker {workers / 1024:.0f} MiB")


def receiving(films: Path, work: Path, count: int = 200) -> None:
    """Print the rate of our receiver over that of DCMTK's, on films that storescu sends."""
    from measure.receive import Terms, receiver

    sent = sorted(films.rglob("*.dcm"))[:count]
    listed = work / "sent"
    listed.mkdir()
    for path in sent:
        (listed / path.name).symlink_to(path)

    def send(port: int, title: str) -> float:
        command = ["/usr/bin/storescu", "+sd", "-aec", title, "127.0.0.1", str(port), str(listed)]
        started = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        return len(sent) / (time.perf_counter() - started)

    def ours(folder: Path) -> float:
        with receiver(folder, Terms(("STORESCU",), port=0), lambda about: None) as port:
            return send(port, "HOLDFAST")

    def theirs(folder: Path) -> float:
        folder.mkdir()
        server = subprocess.Popen(["storescp", "-od", str(folder), "11119"])
        try:
            time.sleep(1.0)
            return send(11119, "ANY")
        finally:
            server.terminate()
            server.wait()

    rates: dict[str, list[float]] = {"ours": [], "theirs": []}
    for turn in range(3):
        rates["ours"].append(ours(work / f"ours{turn}"))
        rates["theirs"].append(theirs(work / f"theirs{turn}"))
    here, there = (statistics.median(rates[name]) for name in rates)
    print(f"received {here:.1f} films/s, DCMTK's storescp {there:.1f}: ratio {here / there:.2f}")


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print(f"{number} films, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} before the start")
    with tempfile.TemporaryDirectory() as place:
        write_films(Path(place, "films"), number)
        receiving(Path(place, "films"), Path(place))
        cohorts(Path(place, "films"), Path(place))
