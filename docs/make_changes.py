"""Gathers fragments of ``changelog.d/`` into CHANGELOG.md: ``python docs/make_changes.py HEADING [FRAGMENT ...]``.

HEADING is a version or a day (``2026-11-27``). Without names every fragment is gathered. What was gathered is removed.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
KINDS = {
    "sound": "Copies sound different",
    "added": "New",
    "changed": "Different",
    "fixed": "Put right",
    "removed": "Gone",
    "docs": "Pages and messages",
}
"""Kinds of fragments and what the page calls them, in its order: what alters samples stands first."""


def section(heading: str, fragments: Sequence[Path]) -> str:
    """The part of the page for these fragments: a list for every kind there is, each fragment a line, in the order given."""
    parts = [f"## {heading}"]
    for kind, title in KINDS.items():
        lines = [
            "- " + " ".join(path.read_text("utf-8").split())
            for path in fragments
            if path.name.endswith(f".{kind}.md")
        ]
        if lines:
            parts += [f"### {title}", "\n".join(lines)]
    return "\n\n".join(parts) + "\n"


def with_section(page: str, text: str) -> str:
    """The page with a part put before the newest it has."""
    before, mark, older = page.partition("\n## ")
    return before.rstrip() + "\n\n" + text + mark + older


def gather(root: Path, heading: str, names: Sequence[str] = ()) -> int:
    """Move fragments from ``changelog.d/`` to CHANGELOG.md below ``root``; the answer is how many.

    Raises FileNotFoundError for a name that is not there, and then nothing was changed.
    """
    folder, page = root / "changelog.d", root / "CHANGELOG.md"
    fragments = [folder / name for name in names] or sorted(
        path for path in folder.glob("*.md") if path.name != "README.md"
    )
    if fragments:
        page.write_text(with_section(page.read_text("utf-8"), section(heading, fragments)), "utf-8")
    for path in fragments:
        path.unlink()
    return len(fragments)


def main() -> int:
    parser = argparse.ArgumentParser(description="Gather fragments of changelog.d/ into CHANGELOG.md.")
    parser.add_argument("heading", help="the version or the day they are listed under")
    parser.add_argument("fragments", nargs="*", help="names of files in changelog.d/ (default: all)")
    options = parser.parse_args()
    print(gather(ROOT, options.heading, options.fragments), "gathered")
    return 0


if __name__ == "__main__":
    sys.exit(main())
