"""Log files as blocks of whole lines, gzipped or not, in bounded memory."""

from __future__ import annotations

import gzip
import io
import zlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple, cast

GZIP_MAGIC = b"\x1f\x8b"
LOG_SUFFIXES = frozenset({".csv", ".json", ".jsonl", ".ndjson", ".log"})
"""What is taken from a folder, also with ``.gz`` behind it; a file named by itself may be called anything."""

BLOCK_BYTES = 4_000_000
"""About 70,000 lines of CSV: more per block reads no faster, chosen by measurement."""
MAX_LINE_BYTES = 16_000_000


class TextBlock(NamedTuple):
    """Some whole lines, and how far into the file they end."""

    text: bytes
    n_bytes_read: int
    """Bytes of the file as it lies on disk."""


class LogFileCutError(EOFError):
    """Compressed data ends before its end. `rest` is the unfinished last line."""

    def __init__(self, reason: str, rest: bytes) -> None:
        super().__init__(reason)
        self.reason = reason
        self.rest = rest


def log_files(paths: Iterable[Path]) -> tuple[list[Path], list[Path]]:
    """The files named and the logs inside the folders named, in order of name within a folder; and the rest.

    Returns
    -------
    logs, passed over : list of Path
        Each file once. What lies in a folder and is no log by its name was passed over.

    Raises
    ------
    FileNotFoundError
        If a path is neither.
    """
    found: dict[Path, None] = {}
    others: dict[Path, None] = {}
    for path in paths:
        if path.is_dir():
            for inner in sorted(path.rglob("*")):
                if inner.is_file():
                    (found if _looks_like_a_log(inner) else others)[inner] = None
        elif path.is_file():
            found[path] = None
        else:
            raise FileNotFoundError(f"{path}: neither a file nor a folder")
    return list(found), [path for path in others if path not in found]


def _looks_like_a_log(path: Path) -> bool:
    name = path.with_suffix("") if path.suffix.lower() == ".gz" else path
    return name.suffix.lower() in LOG_SUFFIXES and not path.name.startswith(".")


def read_blocks(path: Path, block_bytes: int = BLOCK_BYTES) -> Iterator[TextBlock]:
    """The file's text in blocks of whole lines; only the last line of all may lack its line end.

    A line longer than `MAX_LINE_BYTES` comes in pieces.

    Raises
    ------
    LogFileCutError
        After the last whole line, if the file is compressed and cut off or broken.
    """
    with path.open("rb") as file:
        zipped = file.read(2) == GZIP_MAGIC
        file.seek(0)
        stream = cast("BinaryIO", gzip.GzipFile(fileobj=file)) if zipped else file
        rest = b""
        while True:
            chunk, fault = _read(stream, block_bytes)
            text = rest + chunk
            end = text.rfind(b"\n") + 1
            if (not chunk and not fault) or (not end and len(text) > MAX_LINE_BYTES):
                end = len(text)
            if end:
                yield TextBlock(text[:end], file.tell())
            rest = text[end:]
            if fault:
                raise LogFileCutError(fault, rest)
            if not chunk:
                return


def _read(stream: BinaryIO, n_bytes: int) -> tuple[bytes, str]:
    """Up to `n_bytes`, and the fault that ended them early: what came before it is not lost."""
    got = io.BytesIO()
    try:
        while (missing := n_bytes - got.tell()) > 0:
            # A long read of cut-off data would raise and take along all it had unpacked so far.
            piece = stream.read1(min(missing, 65_536))  # type: ignore[attr-defined]
            if not piece:
                break
            got.write(piece)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        return got.getvalue(), f"compressed data is broken or cut off: {error}"
    return got.getvalue(), ""
