"""Chunks: what comes out is what went in, bit for bit, whichever arithmetic reads it; damage never passes."""

from __future__ import annotations

import subprocess
import sys
import zlib
from array import array

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.domain.instant import DAY_MS
from watcher.store.readings_chunk import Columns, pack, unpack

T0 = 20_600 * DAY_MS

instants = st.lists(st.integers(0, DAY_MS - 1), min_size=1, max_size=60, unique=True).map(sorted)
decimals = st.tuples(st.integers(-(10**7), 10**7), st.integers(0, 6)).map(lambda pair: pair[0] / 10 ** pair[1])
doubles = st.floats(allow_nan=False, allow_infinity=False)


def columns(times: list[int], values: list[float]) -> Columns:
    return Columns(array("q", [T0 + time for time in times]), array("d", values))


def bits(some: Columns) -> tuple[bytes, bytes]:
    return some.time_ms.tobytes(), some.value.tobytes()


@given(instants, st.data(), st.sampled_from([decimals, doubles, st.sampled_from([0.0, -0.0]), st.just(1e300)]))
def test_what_comes_out_is_what_went_in(times: list[int], data: st.DataObject, kind: st.SearchStrategy[float]) -> None:
    went_in = columns(times, data.draw(st.lists(kind, min_size=len(times), max_size=len(times))))
    assert bits(unpack(pack(went_in))) == bits(went_in)


@pytest.mark.parametrize(
    ("values", "most_bytes"),
    [
        pytest.param([0.0] * 1440, 60, id="a night"),
        pytest.param([float(12_345_678 + 7 * n) for n in range(1440)], 80, id="a counter at a steady pace"),
        pytest.param([(2400 + n % 3) / 10 for n in range(1440)], 100, id="tenths of a volt"),
        pytest.param([n / 7 for n in range(1440)], 11_000, id="full-precision doubles keep their own bits"),
    ],
)
def test_a_day_of_a_channel_is_small(values: list[float], most_bytes: int) -> None:
    assert len(pack(columns([60_000 * n for n in range(1440)], values))) <= most_bytes


def test_both_arithmetics_read_the_same_bits() -> None:
    went_in = [
        columns([60_000 * n + n % 4 for n in range(1440)], [(n * n % 5000) / 100 - 3 for n in range(1440)]),
        columns([60_000 * n for n in range(1440)], [float(10**15 + n) for n in range(1440)]),
        columns([7], [-0.0]),
        columns([5, 6], [0.1, 0.2]),
    ]
    packed = [pack(one).hex() for one in went_in]
    source = """if True:
        import sys
        from watcher.store.readings_chunk import unpack
        def bits(line):
            times, values = unpack(bytes.fromhex(line))
            return times.tobytes().hex() + " " + values.tobytes().hex()
        lines = sys.stdin.read().split()
        assert "numpy" not in sys.modules
        plain = [bits(line) for line in lines]
        import numpy
        assert plain == [bits(line) for line in lines]
        print(*plain, sep="\\n")
    """
    done = subprocess.run(
        [sys.executable, "-c", source], input="\n".join(packed), capture_output=True, text=True, check=True
    )
    there = [" ".join(part.hex() for part in bits(one)) for one in went_in]
    assert done.stdout.split("\n")[:-1] == there


@pytest.mark.parametrize("at", range(0, 60, 3))
def test_a_changed_byte_is_never_read(at: int) -> None:
    packed = bytearray(pack(columns([60_000 * n for n in range(100)], [n * n / 10 for n in range(100)])))
    packed[at] ^= 0x10
    with pytest.raises(ValueError, match="chunk"):
        unpack(bytes(packed))


@pytest.mark.parametrize(
    "packed",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(b"\x02" + zlib.compress(b"from a newer program"), id="a newer format"),
        pytest.param(b"\x01" + zlib.compress(b"short"), id="shorter than its header"),
        pytest.param(pack(columns([0, 60_000, 120_000], [1.0, 2.0, 5.0]))[:-3], id="cut off"),
    ],
)
def test_what_is_no_chunk_of_this_format_is_refused(packed: bytes) -> None:
    with pytest.raises(ValueError, match="chunk"):
        unpack(packed)


@pytest.mark.parametrize(
    ("times", "values"),
    [([], []), ([5, 5], [1.0, 2.0]), ([6, 5], [1.0, 2.0]), ([5], [1.0, 2.0])],
    ids=["none", "twice", "back", "uneven"],
)
def test_what_cannot_be_a_chunk_is_not_packed(times: list[int], values: list[float]) -> None:
    with pytest.raises(ValueError, match="a chunk has"):
        pack(columns(times, values))
