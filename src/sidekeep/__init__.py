"""sidekeep: move vinyl records into a digital archive.

Rooms and their arrows are drawn in docs/architecture.md; a test keeps them true.
"""

__version__ = "0.1.0"
