"""Frames that others have published with their checksum and length: (body, checksum, length, source).

Sources are the keys of the project's trade paper 11: public parsers and their tests. All checksums recompute.
"""

PUBLISHED: list[tuple[bytes, str, str, str]] = [
    (b'"SIA-DCS"9876R579BDFL789ABC#12345A[#12345A|NFA129]', "CE11", "0032", "PYSIA"),
    (b'"ADM-CID"9876R579BDFL789ABC#12345A[#12345A|1110 00 129]', "87CD", "0037", "PYSIA"),
    (b'"ADM-CID"0001L0#1002[#1002|1602 00 001]', "9EC4", "0027", "CS1"),
    (b'"ADM-CID"0001L0#1002[#1002|3354 00 004]', "7514", "0027", "CS1"),
    (b'"ADM-CID"0041L0#1001[#1001|1602 00 030]', "BE78", "0027", "CS1"),
    (b'"SIA-DCS"0001RF3L77#1234[#1234|NRR|Atest]', "F4D2", "0029", "FIO"),
    (b'"SIA-DCS"0001L0#1234[]', "96ED", "0016", "FIO"),
    (b'"NAK"0000R0L0A0[]_16:20:01,09-24-2025', "E441", "0025", "FIO"),
    (b'"ACK"0001R000001L000000#000000[]', "5C41", "0020", "JS1"),
    (b'"NULL"0000R7896L7896#3456[]_17:01:26,07-26-2024', "D730", "002F", "JS2"),
    (b'"NULL"0000L000#0809[]_21:00:01,02-20-2024', "B097", "0029", "GO1"),
    (b'"ADM-CID"0028L0#9757[#9757|1602 00 000]_20:59:45,02-20-2024', "F68B", "003B", "GO1"),
    (b'"SIA-DCS"0442L000#36214[36214|NRP]_00:00:00,02-21-2024', "B433", "0036", "GO1"),
    (b'"SIA-DCS"0001L0#51449[#51449|Nri0000/LR]_21:26:19,12-20-2023', "3F60", "003C", "GO1"),
    (b'"ADM-CID"0020R7896L7896#3456[#3456|1407 00 001]_17:01:14,07-26-2024', "F92F", "0043", "JS2"),
    (b'"SIA-DCS"0001L0#1234[#1234|Nri1/BA12]', "68AF", "0025", "PY2"),
    (
        b'"*NULL"0000R0L0#AAAB[B4BC8B40D0E6D959D6BEA78E88CC0B2155741A3C44FBB96D476A3E557CAD64D9',
        "76D8", "0055", "PYSIA",
    ),
]  # fmt: skip

WRONG_LENGTH = (b'"SIA-DCS"6002L0#AAA[|Nri1/CL501]_14:12:04,09-25-2019', "E5D5", "0078")
"""Published (PYSIA) with a right checksum and a length of 0078, where 0034 would be true."""

WRONG_CHECKSUM = b'\nC4160279"SIA-DCS"5268L0#AAA[Nri1/WA000]_08:40:47,07-08-2020\r'
"""Published (PYSIA) as one that must be refused; its true checksum is E9A4."""

KEY = b"A" * 16
"""Key of the published encrypted frame."""


def whole(body: bytes, crc: str, length: str) -> bytes:
    """The frame as it goes over the wire."""
    return b"\n" + crc.encode() + length.encode() + body + b"\r"


WHOLE = [whole(body, crc, length) for body, crc, length, _ in PUBLISHED]
