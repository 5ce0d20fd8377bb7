"""Long work, one job after another, in a process of its own: asked for, watched, cancelled, remembered.

A job is ``waiting``, ``running``, ``done``, ``failed`` or ``cancelled``. Cancelling interrupts the worker as Ctrl+C would;
one that has not stopped within ``PATIENCE_S`` is ended at once and what it left half-written is removed. Finished
jobs are remembered beside the shelf; what was running when sidekeep was killed reads as failed, ``interrupted``.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import shutil
import threading
import time
import uuid
from collections.abc import Callable
from datetime import UTC, datetime
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from sidekeep.errors import NotThere, ShelfError, SidekeepError
from sidekeep.files.atomic import write_json
from sidekeep.files.bounded import kept_json
from sidekeep.service.house.events import EventHub
from sidekeep.service.house.jobs.job import Job, KeptJob
from sidekeep.service.house.jobs.kinds import KINDS, UPLOADS, clear_up
from sidekeep.service.house.jobs.worker import fault, run_worker

PATIENCE_S = 0.35
FINISHED_KEPT = 50
MOST_WAITING = 100
REMEMBERED = ".jobs.json"


class Jobs:
    """The queue of one shelf. Safe for any thread; ``ended`` is called, outside any lock, with every finished job."""

    def __init__(self, shelf: Path, news: EventHub, ended: Callable[[Job], None] = lambda job: None) -> None:
        self._shelf = shelf
        self._news = news
        self._ended = ended
        self._lock = threading.Lock()
        self._jobs: dict[str, Job] = {}
        self._remembering = threading.Lock()
        self._something = threading.Event()
        self._is_closed = False
        self._process: BaseProcess | None = None
        self._pipe: Connection | None = None
        self._recall()
        self._thread = threading.Thread(target=self._work, name="jobs", daemon=True)
        self._thread.start()

    def ask(self, kind: str, record: str | None, **arguments: Any) -> dict[str, Any]:
        """Put a job into the queue; the same job on the same record that still waits is not asked for twice."""
        if kind not in KINDS:
            raise NotThere("no-such-work", kind=kind)
        with self._lock:
            waiting = [job for job in self._jobs.values() if job.state == "waiting"]
            for job in waiting:
                if (job.kind, job.record, job.arguments) == (kind, record, arguments):
                    return job.view()
            if len(waiting) >= MOST_WAITING:
                raise ShelfError("jobs-waiting", most=MOST_WAITING)
            job = Job(
                job_id=uuid.uuid4().hex[:16],
                kind=kind,
                record=record,
                arguments=arguments,
                asked_utc=datetime.now(UTC).replace(microsecond=0).isoformat(),
            )
            self._jobs[job.job_id] = job
            self._tell(job)
            self._something.set()
        self._remember()
        return self.view(job.job_id)

    def views(self) -> list[dict[str, Any]]:
        """All jobs that wait, run, or ended lately, the oldest first."""
        with self._lock:
            return [job.view() for job in self._jobs.values()]

    def view(self, job_id: str) -> dict[str, Any]:
        """One job. Raises ``NotThere``."""
        with self._lock:
            return self._find(job_id).view()

    def cancel(self, job_id: str) -> dict[str, Any]:
        """Stop a job; returns when it has stopped, half a second later at most. One that ended stays as it is."""
        with self._lock:
            job = self._find(job_id)
            if job.state == "waiting":
                job.state = "cancelled"
                self._clear_up(job)
                self._tell(job)
            if job.state != "running":
                return job.view()
            job.is_stopping = True
            process = self._process if job.is_given else None
            if job.is_given and self._pipe is not None:
                with contextlib.suppress(OSError):
                    self._pipe.send(("cancel", job_id))
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until:
            time.sleep(0.01)
            with self._lock:
                if job.state != "running":
                    return job.view()
        if process is not None:
            process.kill()  # the thread that waits for it notices, clears up and tells
        until = time.monotonic() + 5.0
        while time.monotonic() < until and job.state == "running":
            time.sleep(0.005)
        with self._lock:
            return job.view()

    def close(self) -> None:
        """End everything; a job that runs is cancelled."""
        with self._lock:
            self._is_closed = True
            running = [job.job_id for job in self._jobs.values() if job.state == "running"]
        for job_id in running:
            self.cancel(job_id)
        self._something.set()
        self._thread.join(10.0)
        if self._process is not None and self._pipe is not None:
            with contextlib.suppress(OSError):
                self._pipe.send(("end",))
            self._process.join(2.0)
            if self._process.is_alive():
                self._process.kill()
                self._process.join()
            self._pipe.close()
            self._process.close()

    def _find(self, job_id: str) -> Job:
        if job_id not in self._jobs:
            raise NotThere("no-job")
        return self._jobs[job_id]

    def _work(self) -> None:
        while True:
            self._something.wait()
            with self._lock:
                if self._is_closed:
                    return
                job = next((each for each in self._jobs.values() if each.state == "waiting"), None)
                if job is None:
                    self._something.clear()
                    continue
                job.state = "running"
                job.begun_s = time.monotonic()
                self._tell(job)
            try:
                self._run(job)
            except Exception as error:  # the queue goes on whatever happens to one job
                with self._lock:
                    self._fail(job, fault(error))
            with self._lock:
                self._tell(job)
                self._forget_old()
            self._remember()
            with contextlib.suppress(SidekeepError, OSError):
                self._ended(job)

    def _run(self, job: Job) -> None:
        pipe = self._worker()
        with self._lock:
            if job.is_stopping:  # cancelled while the worker was being started
                self._clear_up(job)
                job.state = "cancelled"
                return
            job.is_given = True
            with contextlib.suppress(OSError):  # a worker that has just ended is noticed below
                pipe.send(("do", job.job_id, job.kind, job.arguments))
        while True:
            try:
                word = pipe.recv()
            except (EOFError, OSError):
                self._worker_left(job)
                return
            if word[1] != job.job_id:
                continue
            with self._lock:
                if word[0] == "progress":
                    self._progress(job, word[2], word[3])
                    continue
                if word[0] == "done":
                    job.state, job.result, job.share, job.left_s = "done", word[2], 1.0, 0.0
                    return
                if word[0] == "failed":
                    self._fail(job, SidekeepError(word[2], **word[3]))
                    return
            self._clear_up(job)
            with self._lock:
                job.state = "cancelled"
            return

    def _worker(self) -> Connection:
        """The pipe to the worker, started if there is none."""
        if self._process is None or not self._process.is_alive() or self._pipe is None:
            # A fresh interpreter: forking a program with threads may leave locks held for ever.
            context = multiprocessing.get_context("spawn")
            ours, theirs = context.Pipe()
            process = context.Process(
                target=run_worker, args=(theirs, str(self._shelf)), name="sidekeep jobs", daemon=True
            )
            process.start()
            theirs.close()
            with self._lock:
                self._process, self._pipe = process, ours
        return self._pipe

    def _worker_left(self, job: Job) -> None:
        """The worker ended without a word: because it was told to, or because the system ended it."""
        assert self._process is not None
        assert self._pipe is not None
        self._process.join(5.0)
        code = self._process.exitcode
        self._pipe.close()
        self._clear_up(job)
        with self._lock:
            self._process = self._pipe = None
            if job.is_stopping:
                job.state = "cancelled"
            else:
                self._fail(job, SidekeepError("ended", exit_code=code))

    def _progress(self, job: Job, share: float, doing: str) -> None:
        job.share = max(job.share, min(1.0, share))
        job.doing = doing
        spent_s = time.monotonic() - job.begun_s
        if job.share > 0.02 and spent_s > 1.0:
            job.left_s = spent_s * (1.0 - job.share) / job.share
        self._news.show("job", {"job": job.view()})

    def _fail(self, job: Job, error: SidekeepError) -> None:
        job.state = "failed"
        job.error = {"code": error.code, "facts": dict(error.facts), "text": " ".join(str(error).split())}

    def _tell(self, job: Job) -> None:
        self._news.publish("job", {"job": job.view()})

    def _clear_up(self, job: Job) -> None:
        with contextlib.suppress(OSError):
            clear_up(self._shelf, job.kind, job.arguments)

    def _forget_old(self) -> None:
        ended = [job for job in self._jobs.values() if job.state in ("done", "failed", "cancelled")]
        for job in ended[:-FINISHED_KEPT]:
            del self._jobs[job.job_id]

    def _remember(self) -> None:
        with self._remembering:
            with self._lock:
                views = [job.view() for job in self._jobs.values()]
            with contextlib.suppress(SidekeepError, OSError):
                write_json(self._shelf / REMEMBERED, views, replace=True)

    def _recall(self) -> None:
        """Jobs of an earlier run; recordings that were being sent in then are gone."""
        shutil.rmtree(self._shelf / UPLOADS, ignore_errors=True)
        kept: list[KeptJob] = kept_json(self._shelf / REMEMBERED, list[KeptJob]) or []
        for each in kept[-FINISHED_KEPT:]:
            job = each.job()
            if job.state in ("waiting", "running"):
                self._fail(job, SidekeepError("interrupted"))
            self._jobs[job.job_id] = job
