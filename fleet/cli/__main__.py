"""`python -m fleet.cli` is `hourhand`."""

import sys

from fleet.cli import main

if __name__ == "__main__":
    sys.exit(main())
