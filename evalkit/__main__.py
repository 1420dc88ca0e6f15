"""``python -m evalkit`` is the command ``evalkit``."""

import sys

from evalkit.cli import main

if __name__ == "__main__":
    sys.exit(main())
