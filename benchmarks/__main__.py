"""``./run bench [NAME ...] [--quick]``: run the named benchmarks, or all of them in turn."""

from __future__ import annotations

import importlib
import pkgutil
import sys

import benchmarks


def names() -> list[str]:
    """Every ``bench_NAME`` module of this folder."""
    found = (module.name for module in pkgutil.iter_modules(benchmarks.__path__))
    return sorted(name.removeprefix("bench_") for name in found if name.startswith("bench_"))


def main() -> int:
    """Run; an unknown name lists what there is."""
    words = [word for word in sys.argv[1:] if not word.startswith("-")]
    flags = [word for word in sys.argv[1:] if word.startswith("-")]
    if unknown := [word for word in words if word not in names()]:
        print(f"no benchmark called {unknown[0]!r}; there are: {', '.join(names())}", file=sys.stderr)
        return 2
    for name in words or names():
        print(f"== {name}", flush=True)
        sys.argv = [f"bench {name}", *flags]
        importlib.import_module(f"benchmarks.bench_{name}").main()
    return 0


if __name__ == "__main__":
    sys.exit(main())
