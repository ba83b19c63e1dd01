"""`python -m forktail` is the command `forktail`."""

import sys

from forktail.cli import main

sys.exit(main())
