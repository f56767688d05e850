"""Readings of all sources in the order in which they arrive: a thread for each source, one queue."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable, Sequence
from typing import Protocol

from tcomp.bench.link import GoneError
from tcomp.bench.source import Fault, LineSource, Reading
from tcomp.errors import BenchError

REOPEN_S = 1.0
"""Between two attempts to open a source that is gone. [s]"""

Arrival = Reading | Fault


class Feed(Protocol):
    """Where readings come from."""

    def open(self) -> None:
        """Open all sources, or raise BenchError."""

    def take(self, wait_s: float) -> list[Arrival]:
        """All that has arrived; waits so long if that is nothing. [s]"""

    def close(self) -> None:
        """Close all sources."""


class ThreadedFeed:
    """Sources read at the same time, each in a thread of its own, and opened again when they are gone."""

    def __init__(self, sources: Sequence[LineSource], now_s: Callable[[], float]) -> None:
        self._sources, self._now_s = sources, now_s
        self._queue: queue.SimpleQueue[Arrival] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._threads: list[threading.Thread] = []
        for source in sources:
            source.stopping = self._stopping

    def open(self) -> None:
        """Open all sources.

        Raises
        ------
        BenchError
            One of them cannot be opened; none is left open.
        """
        try:
            for source in self._sources:
                try:
                    source.open()
                except GoneError as error:
                    raise BenchError(f"source {source.name}: {error}; check start") from error
                except BenchError as error:
                    raise BenchError(f"source {source.name}: {error}") from error
        except BenchError:
            for source in self._sources:
                source.close()
            raise
        self._threads = [
            threading.Thread(target=self._run, args=(source,), name=source.name, daemon=True)
            for source in self._sources
        ]
        for thread in self._threads:
            thread.start()

    def take(self, wait_s: float) -> list[Arrival]:
        """All that has arrived; waits so long if that is nothing. [s]"""
        arrived: list[Arrival] = []
        with contextlib.suppress(queue.Empty):
            arrived.append(self._queue.get(timeout=wait_s))
            while True:
                arrived.append(self._queue.get_nowait())
        return arrived

    def close(self) -> None:
        """End the threads, and close the sources."""
        self._stopping.set()
        for thread in self._threads:
            thread.join(2.0)
        for source in self._sources:
            source.close()

    def _run(self, source: LineSource) -> None:
        while not self._stopping.is_set():
            try:
                while not self._stopping.is_set():
                    arrival = source.read()
                    if arrival is not None:
                        self._queue.put(arrival)
            except GoneError as error:
                self._lose(source, str(error))
            except Exception as error:  # a defect of ours in one source must not end the others unseen
                self._lose(source, f"error of the program, {error!r}")

    def _lose(self, source: LineSource, why: str) -> None:
        self._queue.put(Fault(source.name, self._now_s(), "gone", why))
        source.close()
        self._open_again(source)

    def _open_again(self, source: LineSource) -> None:
        while not self._stopping.wait(REOPEN_S):
            try:
                source.open()
            except (BenchError, GoneError):
                source.close()
                continue
            self._queue.put(Fault(source.name, self._now_s(), "back", f"{source.link.words} is back"))
            return
