"""Blocks say exactly which numbers, times and channels are in them, however rows arrive."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stillwell.store.blocks import SIZE, OpenBlock, ReadingRow, channel_bit, fill

ARRIVALS = st.lists(
    st.lists(
        st.tuples(
            st.integers(1, 130),  # channel
            st.integers(1, 3),  # epoch
            st.integers(-(10**6), 10**6),  # time, in no order
            st.sampled_from([1, 1, 700]),  # so many of it, to fill blocks
        ),
        max_size=6,
    ),
    max_size=8,
)


class TestFill:
    @given(ARRIVALS)
    def test_every_row_is_in_one_block_that_knows_it(
        self, arrivals: list[list[tuple[int, int, int, int]]]
    ) -> None:
        rows: list[ReadingRow] = []
        blocks = []
        block: OpenBlock | None = None
        for arrival in arrivals:
            part: list[ReadingRow] = [
                (0, channel, epoch, time + k, None, 9, None, None, None, None)
                for channel, epoch, time, count in arrival
                for k in range(count)
            ]
            part = [(len(rows) + i + 1, *row[1:]) for i, row in enumerate(part)]
            closed, block = fill(block, part)
            blocks += closed
            rows += part
        if block is not None:
            assert block.rows <= SIZE
            blocks.append(block.row())
        assert [b[0] for b in blocks] == [1, *(b[1] + 1 for b in blocks[:-1])][: len(blocks)]
        assert (blocks[-1][1] if blocks else 0) == len(rows)
        for first, last, epoch, low, high, channels in blocks:
            inside = rows[first - 1 : last]
            assert len(inside) <= SIZE
            assert {row[2] for row in inside} == {epoch}
            assert (min(row[3] for row in inside), max(row[3] for row in inside)) == (low, high)
            bits = 0
            for row in inside:
                bits |= channel_bit(row[1])
            assert bits == channels
            assert 0 < channels < 2**63
