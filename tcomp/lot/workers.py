"""Who does the work: processes of this machine (joblib), or the workers of a cluster (Dask)."""

from __future__ import annotations

import logging
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from itertools import islice
from multiprocessing import resource_tracker
from typing import Any

from tcomp.errors import StageError
from tcomp.lot.unit_work import Outcome, Task, make_unit

AHEAD = 4
"""Units handed to a cluster ahead of each of its threads: enough to keep it busy, and few for a scheduler to remember."""

WATCH_S = 0.2
"""How often a worker looks whether its parent is still there; well below the second that a program takes to begin. [s]"""

CONNECT_S = 10.0
"""After which a scheduler that does not answer is given up. [s]"""


def outcomes(tasks: Sequence[Task], jobs: int | None = None, scheduler: str | None = None) -> Iterator[Outcome]:
    """Make all units, and tell of each as it is done, in whatever order.

    Parameters
    ----------
    tasks : sequence of Task
        The units.
    jobs : int, default=None
        Processes of this machine; None: one for each core.
    scheduler : str, default=None
        Address of a Dask scheduler, or "local" for a cluster on this machine; None: no cluster.

    Raises
    ------
    StageError
        The cluster cannot be reached or its library is missing, or the system has ended a process of this machine.
    """
    return _by_processes(tasks, jobs) if scheduler is None else _by_cluster(tasks, jobs, scheduler)


def _by_processes(tasks: Sequence[Task], jobs: int | None) -> Iterator[Outcome]:
    from joblib import Parallel, cpu_count, delayed  # type: ignore[import-untyped]  # comes with scikit-learn
    from joblib.externals.loky.backend import resource_tracker as joblibs  # type: ignore[import-untyped]
    from joblib.externals.loky.process_executor import TerminatedWorkerError  # type: ignore[import-untyped]

    jobs = max(1, min(jobs or cpu_count(), len(tasks)))
    parallel = Parallel(n_jobs=jobs, batch_size=1, return_as="generator_unordered")
    for tracker in (resource_tracker, joblibs):  # processes of their own, which let interrupts through when they begin
        tracker.ensure_running()
    try:
        with _without_interrupts():  # as the processes that begin here stay
            found = parallel(delayed(_made_for)(os.getpid(), make_unit, task) for task in tasks)
        with _stopped_in_silence():
            yield from found
    except TerminatedWorkerError as error:
        raise StageError(
            f"the system has ended one of {jobs} working processes, perhaps for want of memory; run the same command again, with "
            "fewer --workers: what is done is kept"
        ) from error


@contextmanager
def _without_interrupts() -> Iterator[None]:
    """Ctrl-C waits: it goes to all processes of a terminal, and is for the parent alone, which ends its workers."""
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _stopped_in_silence() -> Iterator[None]:
    """On Ctrl-C joblib ends its processes, and its own threads stumble over that: what they say then is no news."""
    logger, excepthook = logging.getLogger("concurrent.futures"), threading.excepthook

    def interrupted(*_: Any) -> None:
        logger.disabled, threading.excepthook = True, lambda _: None
        raise KeyboardInterrupt

    in_main = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGINT, interrupted) if in_main else None
    try:
        yield
    finally:
        if in_main:
            signal.signal(signal.SIGINT, before)
        logger.disabled, threading.excepthook = False, excepthook


def _made_for(parent: int, make: Callable[[Task], Outcome], task: Task) -> Outcome:
    """Make a unit in a process that ends with the one that it works for, however that ends."""
    if os.getpid() != parent:
        _watch(parent)
    return make(task)


@cache
def _watch(parent: int) -> None:
    """A worker that outlived its parent would still write when the lot is begun again."""

    def watch() -> None:
        while os.getppid() == parent or os.name != "posix":
            time.sleep(WATCH_S)
        os._exit(1)

    threading.Thread(target=watch, name="watch the parent", daemon=True).start()


def _by_cluster(tasks: Sequence[Task], jobs: int | None, scheduler: str) -> Iterator[Outcome]:
    try:
        from distributed import as_completed
    except ImportError as error:
        raise StageError(
            "a cluster needs the library Dask, which is not installed; run `pip install distributed`, or leave --scheduler out"
        ) from error
    with _client(scheduler, jobs) as client:
        waiting, units = iter(tasks), {}

        def handed(count: int) -> list[Any]:
            futures = []
            for task in islice(waiting, count):
                futures.append(client.submit(make_unit, task, pure=False))
                units[futures[-1].key] = task.unit
            return futures

        running = as_completed(handed(AHEAD * max(1, sum(client.nthreads().values()))))
        for future in running:
            yield _outcome(future, units.pop(future.key))
            running.update(handed(1))


def _client(scheduler: str, jobs: int | None) -> Any:
    """A connection to the cluster; a local one goes with it."""
    from distributed import Client

    if scheduler == "local":
        # A worker that is slow to end on a busy machine is no news for the user.
        return Client(n_workers=jobs, threads_per_worker=1, dashboard_address="127.0.0.1:0", silence_logs=logging.ERROR)
    try:
        return Client(scheduler, timeout=CONNECT_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise StageError(
            f"no Dask scheduler answers at {scheduler}; start one with `dask scheduler`, and give its address, such as "
            "tcp://10.0.0.5:8786"
        ) from error


def _outcome(future: Any, unit: str) -> Outcome:
    """The result of the worker, or why there is none: it was ended, or could not read the task."""
    if future.status == "finished":
        outcome: Outcome = future.result()
        return outcome
    error = future.exception() if future.status == "error" else None
    words = f"{type(error).__name__}: {error}" if error is not None else "the connection was lost"
    return Outcome(unit, reason=f"the cluster's worker could not do it ({words}); run the same command again")
