"""One piece of long work: what was asked, how far it is, what came of it; and what of that outlives a restart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import msgspec

State = Literal["waiting", "running", "done", "failed", "cancelled"]


@dataclass
class Job:
    """One piece of long work. Changed only under the lock of ``Jobs``."""

    job_id: str
    kind: str
    record: str | None
    arguments: dict[str, Any]
    asked_utc: str
    state: State = "waiting"
    share: float = 0.0
    doing: str = ""
    begun_s: float = 0.0
    left_s: float | None = None
    result: dict[str, Any] | None = None
    error: dict[str, Any] | None = None
    is_given: bool = False  # the worker has it
    is_stopping: bool = False

    def view(self) -> dict[str, Any]:
        """As a page sees it."""
        return {
            "id": self.job_id,
            "kind": self.kind,
            "record": self.record,
            "state": self.state,
            "share": round(self.share, 4),
            "doing": self.doing,
            "left_s": None if self.left_s is None else round(self.left_s, 1),
            "asked_utc": self.asked_utc,
            "result": self.result,
            "error": self.error,
        }


class KeptJob(msgspec.Struct):
    """What is left of a view when sidekeep begins again."""

    id: str
    kind: str
    record: str | None
    state: State
    share: float
    asked_utc: str
    result: dict[str, Any] | None
    error: dict[str, Any] | None

    def job(self) -> Job:
        """The job it was."""
        return Job(
            job_id=self.id,
            kind=self.kind,
            record=self.record,
            arguments={},
            asked_utc=self.asked_utc,
            state=self.state,
            share=self.share,
            result=self.result,
            error=self.error,
        )
