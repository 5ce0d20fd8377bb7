"""``python -m sidekeep``."""

import sys

from sidekeep.cli.main import main

sys.exit(main())
