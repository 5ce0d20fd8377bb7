"""Jobs of a run, on threads of their own: the first that fails stops the run, and its failure is told by whoever waits."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any


class ThreadJobs:
    """``stop`` is set as soon as one job fails; ``pool`` is where they run. Jobs may hand in jobs."""

    def __init__(self, threads: int, stop: threading.Event) -> None:
        self.pool = ThreadPoolExecutor(threads, thread_name_prefix="copies-job")
        self._stop = stop
        self._lock = threading.Lock()
        self._jobs: list[Future[Any]] = []

    def __len__(self) -> int:
        """How many were handed in so far."""
        with self._lock:
            return len(self._jobs)

    def submit(self, job: Callable[..., Any], *arguments: Any) -> None:
        """Run a job as soon as a thread is free."""

        def guarded() -> None:
            try:
                job(*arguments)
            except BaseException:
                self._stop.set()
                raise

        with self._lock:
            self._jobs.append(self.pool.submit(guarded))

    def wait(self, after_each: Callable[[int, int], None]) -> None:
        """Until all are over, those too that were handed in meanwhile; ``after_each`` is told how many of how many."""
        done = 0
        while True:
            with self._lock:
                jobs = list(self._jobs)
            if done == len(jobs):
                return
            for job in jobs[done:]:
                job.exception()
                done += 1
                after_each(done, len(jobs))

    def failures(self) -> list[BaseException]:
        """What went wrong by now, in the order the jobs were handed in."""
        with self._lock:
            over = [job for job in self._jobs if job.done() and not job.cancelled()]
        return [problem for job in over if (problem := job.exception()) is not None]

    def close(self, *, cancel: bool = False) -> None:
        """Wait for the threads to end; with ``cancel`` what has not begun is not begun."""
        self.pool.shutdown(wait=True, cancel_futures=cancel)
