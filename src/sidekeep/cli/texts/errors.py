"""The sentences of the command line's own errors: about its options and words, and so nowhere else."""

from __future__ import annotations

from collections.abc import Mapping

WORDS: Mapping[str, str] = {
    "no-record-named": "name the record: its folder, or words that match just one ('sidekeep shelf' lists them)",
    "frames-not-numbers": "{option} {text!r} must be whole frame numbers, comma-separated",
    "no-terminal-for-keys": "--by-key needs a terminal: without one nobody can press a key",
    "no-out-folder": "say with --out DIR where the record's folder is to go",
}
