"""`python -m hourhand` is `hourhand`."""

import sys

from hourhand.command_line import main

if __name__ == "__main__":
    sys.exit(main())
