"""``python -m sidekeep``."""

from sidekeep.cli.main import program

program()
