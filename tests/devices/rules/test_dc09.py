"""Reading and answering DC-09 messages, against published frames (trade paper 5.1 and 5.2, T02 to T05, T26)."""

from datetime import UTC, datetime, timedelta

import pytest

from devices.rules.dc09 import (
    Header,
    Message,
    Unread,
    ack,
    build,
    duh,
    is_in_window,
    nak,
    read_header,
    read_message,
    read_time,
    time_text,
)
from devices.rules.dc09_blocks import NEW, RESTORED, STILL, Block
from devices.rules.dc09_cipher import KeyUnfit, closed, key_of, opened, padded, without_padding
from devices.rules.dc09_frame import FrameReader, Sound, Warned, framed
from tests.devices.rules.dc09_frames import KEY, PUBLISHED, WRONG_LENGTH, whole

NOW = datetime(2026, 3, 2, 9, 30, 0, tzinfo=UTC)
CHANCE = bytes(range(31))


def message(body: bytes, key: bytes | None = None) -> Message:
    (frame,) = FrameReader().feed(framed(body))
    assert isinstance(frame, Sound)
    read = read_message(frame, key)
    assert isinstance(read, Message), read
    return read


def unread(body: bytes, key: bytes | None = None) -> Unread:
    (frame,) = FrameReader().feed(framed(body))
    assert isinstance(frame, Sound)
    read = read_message(frame, key)
    assert isinstance(read, Unread), read
    return read


def test_a_dc_03_message_is_read():  # T02
    read = message(PUBLISHED[0][0])
    assert read.header == Header("SIA-DCS", False, "9876", "579BDF", "789ABC", "12345A")
    assert (read.account, read.blocks, read.warnings) == ("12345A", (Block("FA", zone="129"),), ())


def test_a_dc_05_message_is_read():  # T03
    assert message(PUBLISHED[1][0]).blocks == (Block("110", NEW, "00", "129"),)


def test_a_restore_is_read():  # T04
    assert message(PUBLISHED[3][0]).blocks == (Block("354", RESTORED, "00", "004"),)


def test_a_link_test_tells_its_time():  # T05
    read = message(PUBLISHED[9][0])
    assert (read.header.kind, read.blocks) == ("NULL", ())
    assert read.sent_at == datetime(2024, 7, 26, 17, 1, 26, tzinfo=UTC)


def test_the_published_encrypted_frame_opens_with_its_key():  # T26
    body = PUBLISHED[-1][0]
    assert opened(body[body.index(b"[") + 1 :], KEY) == b"ppppppppppp]_18:24:52,07-05-2020"
    read = message(body, KEY)
    assert read.sent_at == datetime(2020, 7, 5, 18, 24, 52, tzinfo=UTC)
    assert (read.header.is_encrypted, read.text, read.blocks) == (True, "", ())
    assert unread(body) is Unread.NO_KEY
    assert unread(body, b"B" * 16) is Unread.WRONG_KEY


@pytest.mark.parametrize(("body", "crc", "length", "source"), PUBLISHED[:-1])
def test_every_published_frame_is_read_without_a_key(body, crc, length, source):
    assert message(body).header.seq == body.split(b'"')[2][:4].decode()


@pytest.mark.parametrize(
    ("body", "blocks", "warnings"),
    [
        (PUBLISHED[5][0], (Block("RR"),), ()),
        (PUBLISHED[6][0], (), ()),
        (PUBLISHED[11][0], (Block("602", NEW, "00", "000"),), ()),
        (PUBLISHED[12][0], (Block("RP"),), (Warned.NO_HASH,)),
        (PUBLISHED[13][0], (Block("LR", "", "0000"),), ()),
        (PUBLISHED[14][0], (Block("407", NEW, "00", "001"),), ()),
        (PUBLISHED[15][0], (Block("BA", "", "1", "12"),), ()),
        (WRONG_LENGTH[0], (Block("CL", "", "1", "501"),), (Warned.NO_ACCOUNT,)),
        (b'"SIA-DCS"5268L0#AAA[Nri1/WA000]', (Block("WA", "", "1", "000"),), (Warned.NO_ACCOUNT,)),
        (b'"SIA-DCS"0001L0#1234[#1234|Nti10:23/ri2/BA12/TA13*7^hall/2^]',
         (Block("BA", "", "2", "12"), Block("TA", "", "2", "13", "7 hall/2")), ()),
        (b'"ADM-CID"0001L0#1234[#1234|6384 01 017]', (Block("384", STILL, "01", "017"),), ()),
        (b'"ADM-CID"0001L0#1234[#9999|1384 01 017]', (Block("384", NEW, "01", "017"),), (Warned.OTHER_ACCOUNT,)),
        (b'"ADM-CID"0001L0#1234[#1234|what is this]', (), (Warned.BLOCK,)),
        (b'"ADM-CID"0001#1234[#1234|1384 01 017]', (Block("384", NEW, "01", "017"),), (Warned.NO_LINE,)),
        (b'"NULL"0000L0#1234[]_25:61:00,13-40-2024', (), (Warned.TIME,)),
    ],
)  # fmt: skip
def test_what_stands_in_the_data_is_read_or_warned_of(body, blocks, warnings):
    read = message(body)
    assert (read.blocks, read.warnings) == (blocks, warnings)


def test_a_zone_that_is_no_decimal_number_has_no_number():
    assert Block("BA", zone="01F").zone_number is None
    assert Block("BA", zone="012").zone_number == 12
    assert Block("BA").zone_number is None


def test_extended_data_and_the_time_of_the_event_are_read():
    read = message(b'"SIA-DCS"0001L0#1234[#1234|NBA12][H09:29:50,03-02-2026][IHall "A"]_09:30:00,03-02-2026')
    assert read.extensions == (("H", "09:29:50,03-02-2026"), ("I", 'Hall "A"'))
    assert read.happened_at == NOW - timedelta(seconds=10)
    assert read.sent_at == NOW


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (b'"x"0001L0#1234[]', Unread.HEADER),
        (b'"NULL"00A1L0#1234[]', Unread.HEADER),
        (b'"NULL"0001L0[]', Unread.HEADER),
        (b'"NULL"0001L0A0[]', Unread.HEADER),
        (b'"NULL"0001L0#12[]', Unread.HEADER),
        (b'"NULL"0001L0#1234[', Unread.DATA),
        (b'"NULL"0001L0#1234[]x', Unread.DATA),
    ],
)
def test_a_sound_frame_of_another_shape_is_told_apart(body, why):
    assert unread(body) is why


def test_what_an_encrypted_message_lacks_is_told_apart():
    header = Header("NULL", True, "0001", None, "0", "1234")
    good = build(header, at=NOW, key=KEY, chance=CHANCE)[9:-1]
    assert isinstance(message(good, KEY), Message)
    assert unread(good[:-1], KEY) is Unread.DATA
    no_time = b'"*NULL"0001L0#1234[' + closed(padded(b"]", CHANCE), KEY)
    assert unread(no_time, KEY) is Unread.NO_TIME


@pytest.mark.parametrize(
    ("seconds", "counts"), [(-41, False), (-40, True), (0, True), (20, True), (21, False), (-86400, False)]
)
def test_the_time_window_is_40_seconds_back_and_20_ahead(seconds, counts):
    assert is_in_window(NOW + timedelta(seconds=seconds), NOW) is counts


@pytest.mark.parametrize("size", [16, 24, 32])
def test_an_encrypted_message_comes_back_as_it_was_built(size):
    key = bytes(range(size))
    header = Header("ADM-CID", True, "0007", "1", "2", "AB12")
    for n in range(40):
        text = "#AB12|1384 00 005" + "x" * 0
        frame = build(header, text, extensions=f"[I{'y' * n}]", at=NOW, key=key, chance=CHANCE)
        read = message(frame[9:-1], key)
        assert (read.header, read.blocks, read.sent_at) == (header, (Block("384", NEW, "00", "005"),), NOW)


def test_padding_has_16_to_31_letters_and_fills_whole_blocks():
    for n in range(64):
        made = padded(b"x" * n, CHANCE)
        pad, bar, text = made.partition(b"|")
        assert (len(made) % 16, bar, text) == (0, b"|", b"x" * n)
        assert 16 <= len(pad) <= 31
        assert pad.isalnum()


def test_text_without_padding_stays_as_it_is():
    assert without_padding(b"]_18:24:52,07-05-2020") == b"]_18:24:52,07-05-2020"
    assert without_padding(b"pad|#1|2]") == b"#1|2]"


@pytest.mark.parametrize("text", ["", "00", "0" * 31, "0" * 33, "g" * 32, "0" * 63, "é" * 32])
def test_an_unfit_key_is_refused_without_being_repeated(text):
    with pytest.raises(KeyUnfit) as refused:
        key_of(text)
    assert str(refused.value) == "A key is 32, 48 or 64 hex digits (0–9, A–F)."


def test_a_key_may_be_written_in_groups():
    assert key_of("00 11:22-33 " * 4) == bytes.fromhex("00112233" * 4)


def test_a_taken_message_is_answered_with_its_own_number_receiver_line_and_account():
    (frame,) = FrameReader().feed(framed(PUBLISHED[1][0]))
    header = read_header(frame)
    assert ack(header, now=NOW)[9:] == b'"ACK"9876R579BDFL789ABC#12345A[]\r'
    assert duh(header)[9:] == b'"DUH"9876R579BDFL789ABC#12345A[]\r'


def test_a_missing_receiver_field_is_missing_in_the_answer_too():
    (frame,) = FrameReader().feed(framed(b'"ADM-CID"0007L0#1234[#1234|1384 00 005]'))
    assert ack(read_header(frame), now=NOW)[9:] == b'"ACK"0007L0#1234[]\r'


def test_the_answer_of_a_published_receiver_is_read():
    assert message(PUBLISHED[8][0]).header == Header("ACK", False, "0001", "000001", "000000", "000000")


def test_an_encrypted_message_is_answered_encrypted_with_the_time():
    header = Header("ADM-CID", True, "0007", "1", "2", "AB12")
    answer = message(ack(header, now=NOW, key=KEY, chance=CHANCE)[9:-1], KEY)
    assert (answer.header, answer.sent_at, answer.text) == (Header("ACK", True, "0007", "1", "2", "AB12"), NOW, "")


def test_a_message_out_of_its_window_is_answered_in_clear_with_our_time():
    assert nak(datetime(2025, 9, 24, 16, 20, 1, tzinfo=UTC)) == whole(*PUBLISHED[7][:3])


def test_times_are_written_and_read_in_utc_month_first():
    assert time_text(NOW) == "09:30:00,03-02-2026"
    assert read_time("09:30:00,03-02-2026") == NOW
    assert read_time("09:30:00,02-30-2026") is None
    assert read_time("9:30:00,03-02-2026") is None
