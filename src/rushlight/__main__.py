"""`python -m rushlight` is the `rushlight` command."""

import sys

from rushlight.analysis.commands.main import main

sys.exit(main())
