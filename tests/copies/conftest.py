"""The small disk of the file tests, here too."""

from tests.files.conftest import small_disk

__all__ = ["small_disk"]
