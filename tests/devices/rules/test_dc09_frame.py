"""Cutting a stream into frames, checksum and length, against published frames (trade paper 5.2, T01 to T06)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.dc09_frame import (
    MAX_BODY,
    FrameReader,
    Sound,
    Unsound,
    Warned,
    Why,
    crc16,
    framed,
    read_frame,
)
from tests.devices.rules.dc09_frames import PUBLISHED, WHOLE, WRONG_CHECKSUM, WRONG_LENGTH, whole

HEX = b"0123456789ABCDEFabcdef"


def sound(found: list[Sound | Unsound]) -> list[bytes]:
    return [frame.body for frame in found if isinstance(frame, Sound)]


def test_the_checksum_is_crc_16_arc():
    assert crc16(b"123456789") == 0xBB3D  # T01, CRCTAB
    assert crc16(b"") == 0


def test_entry_101_of_the_table_is_the_one_that_dc_07_misprints():
    assert crc16(bytes([100])) == 0xEB01  # trap (b), NL; entries count from 1


@pytest.mark.parametrize(("body", "crc", "length", "source"), PUBLISHED)
def test_a_published_frame_has_its_published_checksum_and_length(body, crc, length, source):
    assert framed(body) == whole(body, crc, length)
    assert FrameReader().feed(whole(body, crc, length)) == [Sound(body, int(crc, 16))]


def test_a_wrong_length_with_a_right_checksum_is_taken_with_a_warning():
    assert FrameReader().feed(whole(*WRONG_LENGTH)) == [Sound(WRONG_LENGTH[0], 0xE5D5, (Warned.LENGTH,))]


def test_the_published_wrong_checksum_is_refused():
    assert FrameReader().feed(WRONG_CHECKSUM) == [Unsound(Why.CHECKSUM, WRONG_CHECKSUM, 0xE9A4)]  # T06


@pytest.mark.parametrize("frame", WHOLE)
def test_every_changed_byte_of_checksum_or_body_is_refused(frame):
    for place in [*range(1, 5), *range(9, len(frame) - 1)]:
        for value in range(256):
            if value == frame[place]:
                continue
            changed = frame[:place] + bytes([value]) + frame[place + 1 :]
            is_case = place < 5 and bytes([value]).swapcase()[0] == frame[place]
            reader = FrameReader()
            assert bool(sound(reader.feed(changed))) is is_case, (place, value)
            assert isinstance(read_frame(changed), Sound) is is_case, (place, value)
            # The frame after it is never lost with it.
            assert sound(reader.feed(WHOLE[0]))[-1:] == [PUBLISHED[0][0]], (place, value)


@pytest.mark.parametrize("frame", WHOLE)
def test_every_changed_byte_of_the_length_field_is_taken_with_a_warning(frame):
    for place in range(5, 9):
        for value in range(256):
            if value == frame[place]:
                continue
            changed = frame[:place] + bytes([value]) + frame[place + 1 :]
            is_case = bytes([value]).swapcase()[0] == frame[place] and value in HEX
            expected = Sound(frame[9:-1], int(frame[1:5], 16), () if is_case else (Warned.LENGTH,))
            assert FrameReader().feed(changed) == [expected], (place, value)
            assert read_frame(changed) == expected, (place, value)


@pytest.mark.parametrize("frame", WHOLE)
def test_a_frame_is_found_wherever_the_stream_was_split(frame):
    stream = frame + b"\r\n" + WHOLE[1]
    whole_answer = FrameReader().feed(stream)
    for cut in range(len(stream)):
        reader = FrameReader()
        assert reader.feed(stream[:cut]) + reader.feed(stream[cut:]) == whole_answer


def test_several_frames_in_one_read_come_in_their_order():
    assert sound(FrameReader().feed(b"".join(WHOLE))) == [body for body, *_ in PUBLISHED]


def test_rubbish_between_frames_is_counted_and_costs_no_frame():
    reader = FrameReader()
    assert sound(reader.feed(b"\x00\xffjunk" + WHOLE[0] + b"\r\n\n\n" + b"x" * 50 + WHOLE[1])) == [
        PUBLISHED[0][0], PUBLISHED[1][0],
    ]  # fmt: skip
    assert reader.n_junk >= 56


def test_the_checksum_may_come_as_two_raw_bytes_even_when_one_of_them_is_lf_or_cr():
    for number in range(4000):
        body = b'"NULL"%04dL0#1234[]' % number
        raw = crc16(body).to_bytes(2, "big")
        if b"\n" not in raw and b"\r" not in raw and number % 50:
            continue
        stream = b"\n" + raw + b"%04X" % len(body) + body + b"\r"
        assert FrameReader().feed(stream) == [Sound(body, crc16(body), (Warned.RAW_CHECKSUM,))]
        assert sound(FrameReader().feed(stream + WHOLE[0])) == [body, PUBLISHED[0][0]]


def test_a_checksum_in_small_letters_counts():
    assert sound(FrameReader().feed(WHOLE[0].replace(b"CE11", b"ce11"))) == [PUBLISHED[0][0]]


def test_a_frame_whose_end_was_lost_does_not_take_the_next_one_with_it():
    found = FrameReader().feed(WHOLE[0][:-1] + WHOLE[1])
    assert found == [Unsound(Why.HALF, WHOLE[0][:-1]), Sound(PUBLISHED[1][0], 0x87CD)]


def test_the_longest_frame_is_taken_and_one_byte_more_is_not():
    longest = b'"NULL"0000L0#1234[' + b"x" * (MAX_BODY - 19) + b"]"
    assert sound(FrameReader().feed(framed(longest))) == [longest]
    too_long = longest[:-1] + b"x]"
    found = FrameReader().feed(b"\n%04X0FFF%b\r" % (crc16(too_long), too_long) + WHOLE[0])
    assert [item.why for item in found if isinstance(item, Unsound)] == [Why.TOO_LONG]
    assert sound(found) == [PUBLISHED[0][0]]
    with pytest.raises(ValueError, match="4095"):
        framed(too_long)


def test_never_more_than_one_half_frame_is_kept():
    reader = FrameReader()
    for _ in range(200):
        reader.feed(b'\nCE110032"' + b"A" * 4000)
        assert reader.n_kept <= 9 + MAX_BODY
    assert sound(reader.feed(WHOLE[0])) == [PUBLISHED[0][0]]


def test_the_half_frame_at_the_end_is_told_once():
    reader = FrameReader()
    reader.feed(WHOLE[0][:20])
    assert reader.rest() == Unsound(Why.HALF, WHOLE[0][:20])
    assert reader.rest() is None


@pytest.mark.parametrize("filling", [b"\n", b"\r\n", b"\x00", b"\n\x00 ", b"\n" * 30, b"\n\r\n\r\n"])
def test_what_some_senders_put_between_frames_begins_none(filling):
    reader = FrameReader()
    reader.feed(WHOLE[0] + filling)
    assert not reader.has_begun
    assert reader.rest() is None
    reader.feed(filling + WHOLE[0][:2])
    assert reader.has_begun
    assert sound(reader.feed(WHOLE[0][2:])) == [PUBLISHED[0][0]]
    assert not reader.has_begun


@pytest.mark.parametrize("crc", [0x0A0A, 0x0A0D, 0x0D0A, 0x0D0D, 0x000A, 0x2000])
def test_a_raw_checksum_that_looks_like_filling_is_found_wherever_the_stream_was_split(crc):
    body = next(body for n in range(1 << 20) if crc16(body := b'"NULL"0000L%X#1234[]' % n) == crc)
    stream = b"\r\n\n" + crc.to_bytes(2, "big") + b"%04X%b\r\n" % (len(body), body)
    for cut in range(len(stream)):
        reader = FrameReader()
        found = reader.feed(stream[:cut])
        assert reader.has_begun is (5 < cut < len(stream) - 1)
        assert found + reader.feed(stream[cut:]) == [Sound(body, crc, (Warned.RAW_CHECKSUM,))]
        assert not reader.has_begun


@pytest.mark.parametrize("line", [WHOLE[0], WHOLE[0][1:], WHOLE[0][:-1], WHOLE[0][1:-1]])
def test_a_line_of_a_log_may_lack_lf_and_cr(line):
    assert read_frame(line) == Sound(PUBLISHED[0][0], 0xCE11)


@given(st.lists(st.sampled_from([*WHOLE, b"\n", b"\r", b'"', b"junk", b'\n00000000"x']), max_size=8), st.data())
def test_any_splitting_of_any_mixture_gives_the_same_frames(parts, data):
    stream = b"".join(parts)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=6)))
    reader, found = FrameReader(), []
    for start, end in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        found += sound(reader.feed(stream[start:end]))
    assert found == sound(FrameReader().feed(stream))
