"""``python -m autoalign`` is the command ``autoalign``."""

import sys

from autoalign.cli import main

if __name__ == "__main__":
    sys.exit(main())
