"""Copies of the sides that are taken, encoded while the next one plays: ``python -m sidekeep.service.live.copies_process``.

Arguments: the shelf, the record's folder, the kinds comma-separated, and the true peak (dBTP) heard so far of the side that
plays. At the lowest priority. Nothing gets its name here: what is
ready waits for the run that knows all sides. When standard input ends it stops at once; a later run goes on from what is whole.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
from pathlib import Path

NICE = 19


def main() -> int:
    """Entry of the child process; prints one JSON object."""
    if hasattr(os, "nice"):
        with contextlib.suppress(OSError):
            os.nice(NICE)

    def leave_with_parent() -> None:
        while sys.stdin.buffer.read(1):
            pass
        os._exit(3)

    threading.Thread(target=leave_with_parent, name="parent", daemon=True).start()
    from sidekeep.errors import SidekeepError
    from sidekeep.service.transfers.copies import prepare_copies

    shelf, record, kinds, least_peak_dbtp = sys.argv[1:5]
    try:
        prepared = prepare_copies(
            Path(shelf), record, kinds.split(","), least_peak_dbtp=float(least_peak_dbtp)
        )
        answer: dict[str, object] = {"files": prepared.files, "true_peak_dbtp": prepared.true_peak_dbtp}
    except (SidekeepError, OSError) as error:
        answer = {"trouble": str(error).splitlines()[0]}
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
