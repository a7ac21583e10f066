"""What a process holds of the machine's memory, told over a pipe, and what of that is in use.

The C library's allocator gives back late what was freed, and in pieces it can no longer join; what
is in use (mallinfo2(3), glibc) shows whether something is kept that should not be.
"""

from __future__ import annotations

import ctypes
import gc
import mmap
from multiprocessing.connection import Connection
from pathlib import Path
from typing import ClassVar, NamedTuple


class Memory(NamedTuple):
    """MB: resident, and of that in use."""

    resident: float
    in_use: float


class _Heap(ctypes.Structure):
    """What the allocator tells of itself, bytes."""

    _fields_: ClassVar = [
        (name, ctypes.c_size_t)
        for name in (
            "arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks", "uordblks",
            "fordblks", "keepcost",
        )
    ]  # fmt: skip


def asked(pipe: Connection) -> Memory:
    """Ask the process at the other end, where `tell` is at work."""
    pipe.send(None)
    return Memory(*pipe.recv())


def tell(pipe: Connection) -> None:
    """Answer whenever it is asked, after collecting what nobody refers to."""
    library = ctypes.CDLL(None)
    library.mallinfo2.restype = _Heap
    while True:
        try:
            pipe.recv()
        except EOFError:
            return
        gc.collect()
        heap = library.mallinfo2()
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        pipe.send(Memory(pages * mmap.PAGESIZE / 2**20, (heap.uordblks + heap.hblkhd) / 2**20))
