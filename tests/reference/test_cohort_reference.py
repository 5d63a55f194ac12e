"""A cohort on a cluster, against Dask's own LocalCluster: the same rows, whichever worker is killed."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cohort_faults import KEY, slowly
from distributed import LocalCluster

from measure.cohort import Progress, run_cohort
from measure.film import read_film
from measure.reading import save_reading

FILMS = 24


@pytest.fixture
def films(tmp_path: Path, write_film: Callable[..., Path], make_reading: Callable[..., Any]) -> Path:
    """Folder of films, each with a reading."""
    folder = tmp_path / "films"
    for number in range(FILMS):
        path = write_film(folder / f"{number:02}.dcm", number, number)
        save_reading(make_reading(read_film(path)), path.with_suffix(".reading.json"))
    (folder / "damaged.dcm").write_bytes(b"no film")
    return folder


def test_a_cluster_that_loses_a_worker_gives_the_same_rows(films: Path, tmp_path: Path) -> None:
    """Two workers, one killed while it has films: the table equals that of one process, byte for byte."""
    alone = run_cohort(films, tmp_path / "alone", KEY)
    killed: list[int] = []
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:

        def kill(progress: Progress) -> None:
            if progress.done == 5:
                worker = next(iter(cluster.workers.values()))
                killed.append(worker.pid)
                os.kill(worker.pid, signal.SIGKILL)

        together = run_cohort(
            films, tmp_path / "cluster", KEY, cluster=cluster.scheduler_address, measure=slowly, told=kill
        )
        assert len(killed) == 1
        assert next(iter(cluster.workers.values())).pid not in killed
    assert together.films == FILMS
    assert together.table.read_bytes() == alone.table.read_bytes()
    assert together.failures == alone.failures
