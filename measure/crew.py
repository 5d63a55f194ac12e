"""One function over many inputs, on processes of this computer or on a Dask cluster; no input stops the rest.

At most a few inputs are under way at any time, which bounds the memory. A process that dies takes nothing
with it but the input that killed it: what was under way is tried again, each alone.
"""

from __future__ import annotations

import concurrent.futures as futures
import contextlib
import itertools
import multiprocessing
import signal
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

Input = TypeVar("Input")
Output = TypeVar("Output")

AHEAD = 3  # inputs under way for each worker, so that none waits for the next
DIED, SLOW = "the process that measured it died", "it took longer than {:g} s and was given up"
LOST = "the cluster gave it up ({})"


@dataclass(frozen=True)
class Failed:
    """Why an input gave nothing."""

    reason: str


class Crew(Generic[Input, Output]):
    """Workers that run one function.

    Parameters
    ----------
    run
        Takes one input and returns its output; it and both must pickle, and it must be importable by name.
    prepare, settings
        Called with the settings once in each worker before anything else.
    workers
        Processes of this computer.
    most_seconds
        What a single input may take.
    """

    def __init__(
        self,
        run: Callable[[Input], Output],
        prepare: Callable[[Any], None],
        settings: Any,
        workers: int = 1,
        most_seconds: float = 300.0,
    ) -> None:
        self.run, self.prepare, self.settings = run, prepare, settings
        self.workers, self.most_seconds = workers, most_seconds

    def each(self, inputs: Iterable[Input]) -> Iterator[tuple[Input, Output | Failed]]:
        """Give every input with its output, or with Failed, in whatever order they are done."""
        left = iter(inputs)
        while True:
            suspects: list[Input] = []
            yield from self._until_broken(left, suspects, self.workers)
            if not suspects:
                return
            for suspect in suspects:
                yield from self._alone(suspect)

    def _until_broken(
        self, inputs: Iterator[Input], suspects: list[Input], workers: int
    ) -> Iterator[tuple[Input, Output | Failed]]:
        """Work until all is done or a worker dies or hangs; then `suspects` are what was under way."""
        with self._pool(workers) as pool:
            for given, future in _as_done(pool, self.run, inputs, AHEAD * workers, self.most_seconds):
                if future is None or isinstance(future.exception(), BrokenProcessPool):
                    suspects.append(given)
                else:
                    yield given, _result(future)

    def _alone(self, given: Input) -> Iterator[tuple[Input, Output | Failed]]:
        with self._pool(1) as pool:
            for _, future in _as_done(pool, self.run, iter([given]), 1, self.most_seconds):
                if future is None:
                    yield given, Failed(SLOW.format(self.most_seconds))
                elif isinstance(future.exception(), BrokenProcessPool):
                    yield given, Failed(DIED)
                else:
                    yield given, _result(future)

    @contextlib.contextmanager
    def _pool(self, workers: int) -> Iterator[ProcessPoolExecutor]:
        context = _context(self.run.__module__)
        pool = ProcessPoolExecutor(
            workers, mp_context=context, initializer=_start, initargs=(self.prepare, self.settings)
        )
        try:
            yield pool
        finally:
            for process in list((pool._processes or {}).values()):
                process.terminate()  # what is done was yielded; whatever else runs is not waited for
            pool.shutdown(wait=True, cancel_futures=True)


class Cluster(Crew[Input, Output]):
    """Workers of a Dask cluster at an address; they must see the same files at the same paths."""

    def __init__(self, address: str, *crew: Any, **settings: Any) -> None:
        super().__init__(*crew, **settings)
        self.address = address

    def each(self, inputs: Iterable[Input]) -> Iterator[tuple[Input, Output | Failed]]:
        """Give every input with its output or with Failed; Dask itself runs again what a dead worker had."""
        from distributed import Client, WorkerPlugin

        class Prepared(WorkerPlugin):
            """Prepares each worker, those that come later too."""

            def __init__(self, prepare: Callable[[Any], None], settings: Any) -> None:
                self.prepare, self.settings = prepare, settings

            def setup(self, worker: object) -> None:
                """Prepare the worker that Dask has just started."""
                self.prepare(self.settings)

        connected: Any = Client(self.address, timeout=30)  # type: ignore[no-untyped-call]
        with connected as client, client.get_executor(pure=False) as executor:
            client.register_plugin(Prepared(self.prepare, self.settings), name="holdfast")
            threads = sum(client.nthreads().values()) or 1
            for given, future in _as_done(
                executor, self.run, iter(inputs), AHEAD * threads, self.most_seconds
            ):
                yield given, Failed(SLOW.format(self.most_seconds)) if future is None else _result(future)


def _context(module: str) -> Any:
    """How processes start: never forked from this one, since a fork copies whatever its threads hold."""
    if "forkserver" not in multiprocessing.get_all_start_methods():  # Windows
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([module])
    return context


def _start(prepare: Callable[[Any], None], settings: Any) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the first process's to handle
    prepare(settings)


def _as_done(
    executor: Executor,
    run: Callable[[Input], Output],
    inputs: Iterator[Input],
    at_most: int,
    most_seconds: float,
) -> Iterator[tuple[Input, Future[Output] | None]]:
    """Keep so many inputs under way and give each as it is done; None where all have hung too long."""
    waiting: dict[Future[Output], Input] = {}
    broken = False
    while True:
        for given in itertools.islice(inputs, 0 if broken else at_most - len(waiting)):
            try:
                waiting[executor.submit(run, given)] = given
            except BrokenProcessPool as error:
                waiting[_raised(error)] = given
                broken = True
                break
        if not waiting:
            return
        done, _ = futures.wait(waiting, timeout=most_seconds, return_when=futures.FIRST_COMPLETED)
        if not done:
            yield from ((given, None) for given in waiting.values())
            return
        for future in done:
            broken |= isinstance(future.exception(), BrokenProcessPool)
            yield waiting.pop(future), future


def _raised(error: BaseException) -> Future[Any]:
    future: Future[Any] = Future()
    future.set_exception(error)
    return future


def _result(future: Future[Any]) -> Any:
    """Return what the function returned; it is not to raise, so what it raises is the workers' trouble."""
    error = future.exception()
    return future.result() if error is None else Failed(LOST.format(type(error).__name__))
