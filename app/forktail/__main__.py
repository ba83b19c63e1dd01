"""`python -m forktail` is the command `forktail`."""

import sys

from .cli import main

sys.exit(main())
