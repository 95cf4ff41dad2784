"""A damaged spool: what is readable goes on its way, the rest is asked of the server."""

from __future__ import annotations

from pathlib import Path

import pytest
from kept import EVERYTHING, POWER, T0, OnServer, everything
from real_servers import RealServer

from watcher.domain.instant import DAY_MS, HOUR_MS, MINUTE_MS
from watcher.domain.reading import Reading
from watcher.store.opening import open_stores
from watcher.store.server.readings import ServerReadings


def filled(spool: Path, server: RealServer) -> OnServer:
    """A spool with late and refused rows, two thirds of which are on the server."""
    kept = OnServer(spool, server)
    for hour in range(3):
        at = T0 + hour * HOUR_MS
        rows = [Reading(POWER, at + i * MINUTE_MS, float(i)) for i in range(60)]
        kept.store.append({"home-1": rows}, at + HOUR_MS - MINUTE_MS)
        if hour == 1:
            kept.settle()
    return kept


def test_a_sound_spool_is_carried_over_whole(tmp_path: Path, server: RealServer) -> None:
    from watcher.store.server.salvage import salvage_spool

    with filled(tmp_path / "old", server) as kept:
        before = everything(kept.store)
        lates, last = kept.store.late("home-1", *EVERYTHING[:2]), kept.store.last("home-1")
        through = kept.store.received_through("home-1")
    assert salvage_spool(tmp_path / "old", tmp_path / "new").startswith("60 readings")
    with OnServer(tmp_path / "new", server) as kept:
        assert everything(kept.store) == before
        assert kept.store.received_through("home-1") == through
        kept.now_ms = T0 + DAY_MS
        kept.settle()
        assert everything(kept.store) == before
        assert (kept.store.late("home-1", *EVERYTHING[:2]), kept.store.last("home-1")) == (lates, last)


@pytest.mark.parametrize("page", [0, 3, 5, 8])
def test_a_damaged_spool_is_set_aside_and_begun_anew_with_what_the_server_has(
    tmp_path: Path, server: RealServer, page: int
) -> None:
    spool = tmp_path / "spool.sqlite"
    with filled(spool, server) as kept:
        before = everything(kept.store)
        kept.store.upkeep(kept.now_ms)  # folds the log in
    broken = bytearray(spool.read_bytes())
    broken[page * 4096 : (page + 1) * 4096] = b"\x55" * 4096
    spool.write_bytes(broken)
    stores = open_stores(spool, tmp_path / "ledger.sqlite", T0 + DAY_MS, server.settings)
    try:
        assert isinstance(stores.readings, ServerReadings)
        assert [damage.file for damage in stores.damages if damage.file == spool] == [spool]
        assert len(list(tmp_path.glob("spool.sqlite.damaged-*"))) >= 1
        stores.readings.append({"home-1": []}, T0 + DAY_MS)
        while stores.readings.send_some(T0 + DAY_MS).more:
            pass
        found = everything(stores.readings)[POWER]
        # Two thirds were on the server; of the last, what could be read. Nothing else, nothing twice.
        assert set(before[POWER][:120]) <= set(found) <= set(before[POWER])
        assert len(found) == len(set(found))
    finally:
        stores.readings.close()
        stores.ledger.close()
