"""sidekeep: move vinyl records into a digital archive.

Rooms and their arrows are drawn in docs/architecture.md; a test keeps them true.
"""

import os

from sidekeep.errors import say_errors_with
from sidekeep.wording.errors.sentences import error_text

# The work is spread over threads of our own; those of the linear algebra library would only spin beside them
# (6 % of the processor time of a transfer). It reads this once, when numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"

say_errors_with(error_text)
