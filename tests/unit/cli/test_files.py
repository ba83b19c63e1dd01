"""Files that a command is given: what cannot be read is said in one line."""

import pytest

from forktail.cli.files import circuit_text, read_bytes, read_text
from forktail.core.checks import QuantityError


def test_what_is_read(tmp_path):
    file = tmp_path / "a.csv"
    file.write_bytes(b"\xef\xbb\xbfone\r\ntwo\n")
    assert read_bytes(file, "a capture", 20)[:3] == b"\xef\xbb\xbf"
    assert read_text(file, "a capture", 20) == "one\ntwo\n"
    assert "[supply]" in circuit_text("bat-call-mixer") == circuit_text("bat-call-mixer.toml")


def test_what_cannot_be_read_is_said(tmp_path):
    file = tmp_path / "a.csv"
    file.write_bytes(b"\xff\xfe" * 10)
    with pytest.raises(QuantityError, match=r"a.csv has 20 bytes; a list has at most 19. Cut it."):
        read_bytes(file, "a list", 19, " Cut it.")
    with pytest.raises(QuantityError, match="a.csv is not UTF-8 text; give a list."):
        read_text(file, "a list", 20)
    with pytest.raises(QuantityError, match="gone: No such file or directory; give a list."):
        read_bytes(tmp_path / "gone", "a list", 20)
    with pytest.raises(QuantityError, match="nowhere: .*; give a circuit file, or one of .*mixer"):
        circuit_text("nowhere")
