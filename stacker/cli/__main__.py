"""`python -m stacker.cli`, where the command itself is not on the path."""

import sys

from stacker.cli import main

sys.exit(main())
