import sys

from watcher.simulate.program import main

sys.exit(main())
