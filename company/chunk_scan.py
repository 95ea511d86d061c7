"""Where a body ends that comes in pieces of which each says how long it is (RFC 9112, section 7.1)."""

from __future__ import annotations

import re

LINE_MOST = 8190
"""A line that tells a length is a few characters; gunicorn refuses longer ones than this."""

_SIZE = re.compile(rb"[0-9a-fA-F]{1,15}")


class ChunkScan:
    """Is fed the body as it comes. `is_over` is true once it has ended, or has said what the parser will refuse."""

    def __init__(self) -> None:
        self.is_over = False
        self._skip = 0
        self._line = bytearray()
        self._is_last = False

    def feed(self, data: bytes) -> None:
        """Look at the next bytes of it, however they are cut; what comes behind the end is not looked at."""
        at = 0
        while at < len(data) and not self.is_over:
            if self._skip:
                step = min(self._skip, len(data) - at)
                self._skip -= step
                at += step
                continue
            end = data.find(b"\n", at)
            self._line += data[at : end + 1 if end >= 0 else len(data)]
            at = end + 1 if end >= 0 else len(data)
            if end >= 0:
                self._read_line(bytes(self._line).rstrip(b"\r\n"))
                self._line.clear()
            elif len(self._line) > LINE_MOST:
                self.is_over = True

    def _read_line(self, line: bytes) -> None:
        if self._is_last:
            self.is_over = not line
            return
        size = line.split(b";")[0].strip()
        if not _SIZE.fullmatch(size):
            self.is_over = True
        elif n_bytes := int(size, 16):
            self._skip = n_bytes + 2
        else:
            self._is_last = True
