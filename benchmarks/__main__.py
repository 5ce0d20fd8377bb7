"""``./run bench [NAME [WORD ...]]``: run one benchmark, or all of them in turn.

What follows the name belongs to the benchmark (``./run bench transfer --minutes 20``; ``--help`` prints what it knows);
without a name there is only ``--quick``, which every one knows (``./run bench --quick``).
"""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import sys
from collections.abc import Sequence

import benchmarks


def names() -> list[str]:
    """Every ``bench_NAME`` module of this folder."""
    found = (module.name for module in pkgutil.iter_modules(benchmarks.__path__))
    return sorted(name.removeprefix("bench_") for name in found if name.startswith("bench_"))


def chosen(words: Sequence[str]) -> tuple[list[str], list[str]]:
    """The benchmarks to run, and the words for them."""
    if words and not words[0].startswith("-"):
        return [words[0]], list(words[1:])
    parser = argparse.ArgumentParser(
        prog="bench",
        usage="bench [NAME] [--help] [OPTION ...]",
        description="Run one benchmark, or all of them in turn (long).",
        epilog=f"NAME is one of: {', '.join(names())}.",
    )
    parser.add_argument("--quick", action="store_true", help="every one in its quick form")
    parser.parse_args(words)
    return names(), list(words)


def main() -> int:
    """Run; an unknown name lists what there is."""
    to_run, words = chosen(sys.argv[1:])
    if unknown := [name for name in to_run if name not in names()]:
        print(f"no benchmark called {unknown[0]!r}; there are: {', '.join(names())}", file=sys.stderr)
        return 2
    for name in to_run:
        print(f"== {name}", flush=True)
        sys.argv = [f"bench {name}", *words]
        importlib.import_module(f"benchmarks.bench_{name}").main()
    return 0


if __name__ == "__main__":
    sys.exit(main())
