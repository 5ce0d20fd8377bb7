"""The collector of garbage, at rest while a verb runs that leaves none."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def collector_at_rest() -> Iterator[None]:
    """For a verb that ends soon and makes no objects that hold each other: all the collector would find are the modules being
    loaded, some hundred thousand objects that stay, which it would go through again and again. Nor does it afterwards: what is
    there by then is left out of its rounds."""
    was_at_work = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_at_work:
            gc.freeze()
            gc.enable()
