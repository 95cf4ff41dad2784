"""A mutant for the test of the test: judges by a clock of its own, ten minutes beyond the watermark."""

from __future__ import annotations

from watcher import catch_up, worker
from watcher.domain.instant import GRID_MS, floor_grid

if __name__ == "__main__":
    catch_up.due_through = lambda received_through_ms: floor_grid(received_through_ms) + 2 * GRID_MS  # type: ignore[attr-defined]
    worker.main()
