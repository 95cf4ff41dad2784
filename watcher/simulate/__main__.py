"""Lets `python -m watcher.simulate` run the simulated home."""

import sys

from watcher.simulate.program import main

sys.exit(main())
