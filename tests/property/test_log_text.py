"""Cutting a log file into blocks of whole lines loses and invents nothing, compressed or not."""

import gzip
import itertools
import tempfile
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ingest.log_text import LogFileCutError, read_blocks

content = st.lists(st.binary(max_size=30) | st.just(b"\n"), max_size=30).map(b"\n".join)


@settings(max_examples=150)
@given(text=content, block_bytes=st.integers(1, 64), n_members=st.integers(0, 3))
def test_blocks_are_whole_lines_and_make_up_the_file(text: bytes, block_bytes: int, n_members: int) -> None:
    # No log starts with the two bytes that tell gzip data.
    assume(not text.startswith(b"\x1f\x8b"))
    cuts = [len(text) * place // max(n_members, 1) for place in range(n_members + 1)]
    members = [gzip.compress(text[a:b]) for a, b in itertools.pairwise(cuts)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log"
        path.write_bytes(b"".join(members) if n_members else text)
        blocks = list(read_blocks(path, block_bytes))
        size = path.stat().st_size
    assert b"".join(block.text for block in blocks) == text
    assert all(block.text.endswith(b"\n") for block in blocks[:-1])
    longest = max((len(line) + 1 for line in text.split(b"\n")), default=0)
    assert all(len(block.text) <= block_bytes + longest for block in blocks)
    assert [block.n_bytes_read for block in blocks] == sorted(block.n_bytes_read for block in blocks)
    assert all(block.n_bytes_read <= size for block in blocks)


@settings(max_examples=100)
@given(text=content.filter(bool), block_bytes=st.integers(1, 64), kept=st.floats(0.2, 0.95))
def test_a_cut_gives_whole_lines_first_and_then_the_rest(text: bytes, block_bytes: int, kept: float) -> None:
    zipped = gzip.compress(text)
    got: list[bytes] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.gz"
        path.write_bytes(zipped[: max(3, int(len(zipped) * kept))])
        with pytest.raises(LogFileCutError, match="broken or cut off") as caught:
            got.extend(block.text for block in read_blocks(path, block_bytes))
    assert all(block.endswith(b"\n") for block in got)
    assert text.startswith(b"".join(got) + caught.value.rest)


def test_a_line_beyond_all_measure_comes_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ingest.log_text.MAX_LINE_BYTES", 100)
    path = tmp_path / "log"
    path.write_bytes(b"one\n" + b"x" * 1000 + b"\ntwo\n")
    blocks = [block.text for block in read_blocks(path, 50)]
    assert b"".join(blocks) == path.read_bytes()
    assert max(map(len, blocks)) <= 200
