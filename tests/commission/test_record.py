"""The record: read back as it was, whole at any moment, and as it was signed."""

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dustcake.adapters.record_file import FileProblemError, RecordFile
from dustcake.commissioning.record import (
    Record,
    RecordedAction,
    RecordError,
    Result,
    decode,
    encode,
    is_as_signed,
)

VALUES = st.dictionaries(st.text(max_size=8), st.floats(allow_nan=False) | st.text(), max_size=3)
ENTRIES = st.builds(
    RecordedAction,
    st.text(max_size=8),
    st.text(max_size=8),
    st.text(max_size=4),
    st.sampled_from(Result),
    st.text(max_size=30),
    VALUES,
    VALUES,
    st.text(max_size=8),
    st.none() | st.text(max_size=24),
)
RECORDS = st.builds(
    Record, st.text(), st.text(), st.none() | st.text(), st.text(), st.lists(ENTRIES).map(tuple)
)


@given(RECORDS, st.text(max_size=20))
def test_a_record_reads_back_the_same_signed_or_not(one: Record, name: str) -> None:
    assert decode(encode(one)) == one
    signed = one.signed(name, "panel:kim", None)
    assert decode(encode(signed)) == signed
    assert is_as_signed(signed)
    assert not is_as_signed(one)


@pytest.mark.parametrize(
    "stored", [b"", b"[]", b"{}", b'{"format": 9}', b"\xff", b'{"format": 1, "collector": "a"}']
)
def test_what_is_no_record_says_so(stored: bytes) -> None:
    with pytest.raises(RecordError):
        decode(stored)


def test_a_file_holds_the_old_or_the_new_whatever_goes_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = RecordFile(tmp_path / "record.json")
    assert file.read() is None
    assert file.quarantine("before") is None
    file.write(b"old")

    def torn(_descriptor: int) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", torn)
        with pytest.raises(FileProblemError, match=r"record\.json: Input/output error"):
            file.write(b"new")
    assert file.read() == b"old"
    file.write(b"new")
    assert file.read() == b"new"


def test_what_is_quarantined_as_is_never_written_over(tmp_path: Path) -> None:
    file = RecordFile(tmp_path / "record.json")
    kept = []
    for content in (b"one", b"two"):
        file.write(content)
        aside = file.quarantine("before")
        assert aside is not None
        kept.append(aside.read_bytes())
    assert kept == [b"one", b"two"]
    assert file.read() is None
    folder = RecordFile(tmp_path)
    with pytest.raises(FileProblemError, match="directory"):
        folder.read()
