"""`python -m acquire` is the `ouzel` command."""

import sys

from acquire.cli import main

if __name__ == "__main__":
    sys.exit(main())
