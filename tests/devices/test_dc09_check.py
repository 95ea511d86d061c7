"""The check that anybody may run on frames of their own, and the tool that throws bytes at the reader."""

from __future__ import annotations

import json
import random

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


def test_thrown_bytes_break_no_promise(capsys):
    assert fuzz_dc09.main(["--n", "600", "--seed", "3"]) == 0
    assert json.loads(capsys.readouterr().out)["broken"] == 0


def test_a_broken_promise_is_shown_with_its_input(capsys, monkeypatch):
    def broken(*given):
        raise fuzz_dc09.Broken("as a trial")

    monkeypatch.setattr(fuzz_dc09, "check", broken)
    assert fuzz_dc09.main(["--n", "5"]) == 1
    assert "as a trial" in json.loads(capsys.readouterr().out)["why"]
