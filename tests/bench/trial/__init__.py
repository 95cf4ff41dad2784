"""The trial: invented site-years with known faults, judged by the real program, and what it made of them.

Rule: the physics, the sky and the errors here share nothing with watcher/expect, so that agreement is worth something.
One number (the seed) gives the same years again. Run: python -m tests.bench.trial --sites 20 --seed 1
"""

VERSION = 3
"""Of the generator; another number makes the kept years void."""
