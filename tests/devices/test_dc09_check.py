"""The check that anybody may run on frames of their own, and the tool that throws bytes at the reader."""

from __future__ import annotations

import codecs
import json
import random
from collections import Counter
from types import SimpleNamespace

import pytest

from tests.checks import dc09 as check
from tests.devices.rules.dc09_frames import KEY, PUBLISHED, WHOLE, WRONG_CHECKSUM, WRONG_LENGTH, whole
from tests.tools import fuzz_dc09


def told(tmp_path, capsys, content: bytes, *more: str) -> list[dict]:
    file = tmp_path / "frames"
    file.write_bytes(content)
    assert check.main([str(file), *more]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_every_published_frame_is_understood_as_text_and_as_hex(tmp_path, capsys):
    lines = [frame + b"\n" for frame in WHOLE] + [frame.hex().encode() + b"\n" for frame in WHOLE]
    found = told(tmp_path, capsys, b"".join(lines), "--key", KEY.hex())
    assert [one["ok"] for one in found] == [True] * 2 * len(PUBLISHED)
    assert [one["crc"] for one in found] == [crc for _body, crc, *_ in PUBLISHED] * 2
    assert found[: len(PUBLISHED)] == found[len(PUBLISHED) :]
    assert found[1]["events"][0] | {"words": ""} == {
        "code": "110", "qualifier": "new", "group": "00", "zone": "129", "text": "", "kind": "activation", "known": True,
        "words": "",
    }  # fmt: skip
    assert found[9]["time"] == "2024-07-26T17:01:26Z"


@pytest.mark.parametrize(
    "line", [WHOLE[0][1:], WHOLE[0][:-1], b"\\n" + WHOLE[0][1:-1] + b"\\r", b"<LF>" + WHOLE[0][1:-1] + b"<CR>"]
)
def test_line_ends_may_be_missing_or_spelt(tmp_path, capsys, line):
    assert told(tmp_path, capsys, line)[0]["ok"] is True


def test_what_is_refused_says_why(tmp_path, capsys):
    lines = [WRONG_CHECKSUM, whole(*WRONG_LENGTH), b"zzz", PUBLISHED[0][0], WHOLE[-1]]
    checksum, length, junk, bare, locked = told(tmp_path, capsys, b"\n".join(lines))
    assert (checksum["ok"], checksum["expected_crc"]) == (False, "E9A4")
    assert (length["ok"], length["warnings"][0]) == (True, "the length field is wrong")
    assert (junk["ok"], bare["ok"]) == (False, False)
    assert "CE110032" in bare["why"]
    assert (locked["ok"], locked["code"], locked["account"]) == (False, "no_key", "AAAB")


def test_any_bytes_give_a_line_each_and_never_an_error(tmp_path, capsys):
    dice = random.Random(5)
    lines = [dice.randbytes(dice.randrange(1, 60)).replace(b"\n", b"x") + b"y" for _ in range(500)]
    assert len(told(tmp_path, capsys, b"\n".join([*lines, b"4" * 3_000_000, b"\xff" * 2_000_000]))) == 502


def test_a_missing_file_and_an_unfit_key_end_with_code_2(tmp_path, capsys):
    assert check.main([str(tmp_path / "none")]) == 2
    assert check.main([str(tmp_path), "--key", "zz"]) == 2
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("key", ["", " ", ":"])
def test_an_empty_key_is_an_unfit_one_and_not_none(tmp_path, capsys, key):
    (tmp_path / "frames").write_bytes(WHOLE[0])
    assert check.main([str(tmp_path / "frames"), "--key", key]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "32, 48 or 64" in told.err


@pytest.mark.parametrize("frame", [WHOLE[0], WHOLE[0][1:], WHOLE[0].hex().encode(), b"<LF>" + WHOLE[0][1:-1] + b"<CR>"])
@pytest.mark.parametrize("before", [b"", b"\n", b"\r\n \t\r\n"])
def test_a_byte_order_mark_and_blank_lines_are_passed_over(tmp_path, capsys, frame, before):
    content = codecs.BOM_UTF8 + before + frame + b"\n\n   \n\t\r\n" + frame + b"\n\n"
    found = told(tmp_path, capsys, content)
    assert [one["ok"] for one in found] == [True, True]
    assert found[0] == found[1]


@pytest.mark.parametrize("content", [b"", codecs.BOM_UTF8, b"\n\n", codecs.BOM_UTF8 + b"\r\n"])
def test_a_file_without_any_frame_prints_nothing(tmp_path, capsys, content):
    assert told(tmp_path, capsys, content) == []


def test_a_byte_order_mark_within_the_file_is_no_mark(tmp_path, capsys):
    first, second = told(tmp_path, capsys, WHOLE[0] + b"\n" + codecs.BOM_UTF8 + WHOLE[0][1:])
    assert (first["ok"], second["ok"]) == (True, False)


def test_thrown_bytes_break_no_promise(capsys):
    assert fuzz_dc09.main(["--n", "600", "--seed", "3"]) == 0
    assert json.loads(capsys.readouterr().out)["broken"] == 0


def test_a_broken_promise_is_shown_with_its_input(capsys, monkeypatch):
    def broken(*given):
        raise fuzz_dc09.Broken("as a trial")

    monkeypatch.setattr(fuzz_dc09, "check", broken)
    assert fuzz_dc09.main(["--n", "5"]) == 1
    assert "as a trial" in json.loads(capsys.readouterr().out)["why"]


def clock_that_says(monkeypatch, *took: float) -> None:
    """A CPU clock by which the inputs take so long, one after the other, and nothing from then on."""
    left, at, is_begun = list(took), 0.0, False

    def clock() -> float:
        nonlocal at, is_begun
        at += left.pop(0) if is_begun and left else 0.0
        is_begun = not is_begun
        return at

    monkeypatch.setattr(fuzz_dc09, "time", SimpleNamespace(process_time=clock))


def test_one_spike_of_the_clock_breaks_no_promise(monkeypatch):
    clock_that_says(monkeypatch, 5.0, 7.0, 0.2)
    dice, other = random.Random(1), random.Random(1)
    assert fuzz_dc09.timed(WHOLE[0], dice, Counter()) == pytest.approx(0.2)
    fuzz_dc09.check(WHOLE[0], other, Counter())
    # What comes next is the same as if it had been timed once.
    assert dice.random() == other.random()


def test_what_is_slow_each_time_is_slow(monkeypatch):
    clock_that_says(monkeypatch, 5.0, 3.0, 4.0)
    with pytest.raises(fuzz_dc09.Broken, match=r"it took 3\.0 s, the least of 3 times"):
        fuzz_dc09.timed(WHOLE[0], random.Random(1), Counter())
