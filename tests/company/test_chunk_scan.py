"""The end of a body in pieces is found wherever the line cuts it, and nowhere else."""

from __future__ import annotations

import pytest

from company.chunk_scan import ChunkScan

BODIES = [
    b"0\r\n\r\n",
    b"3\r\nabc\r\n0\r\n\r\n",
    b"A;name=value\r\n0\r\n\r\n0\r\n\r\n\r\n1\r\nx\r\n0\r\n\r\n",
    b"2\r\nab\r\n0\r\nSum: 1\r\nOther: 2\r\n\r\n",
]


@pytest.mark.parametrize("body", BODIES)
def test_it_is_over_with_the_last_byte_and_not_before(body: bytes) -> None:
    for cut in range(len(body)):
        scan = ChunkScan()
        scan.feed(body[:cut])
        assert not scan.is_over
        scan.feed(body[cut:] + b"GET / HTTP/1.1")
        assert scan.is_over


@pytest.mark.parametrize("body", BODIES)
def test_it_is_the_same_byte_by_byte(body: bytes) -> None:
    scan = ChunkScan()
    for n, byte in enumerate(body, 1):
        scan.feed(bytes([byte]))
        assert scan.is_over == (n == len(body))


@pytest.mark.parametrize("body", [b"\r\n", b"-5\r\n", b"xyz\r\n", b"3\r\nabc0\r\n\r\n\r\n", b"1" * 9000])
def test_what_is_no_length_is_left_to_the_parser_at_once(body: bytes) -> None:
    scan = ChunkScan()
    scan.feed(body)
    assert scan.is_over
