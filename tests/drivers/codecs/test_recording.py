from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.errors import FrameError
from drivers.codecs.recording import (
    LINE_LIMIT,
    Head,
    Record,
    escape,
    read_head,
    read_records,
    unescape,
    write_head,
    write_record,
)

ACTS = st.sampled_from(["open", "in", "out", "break", "lost", "closed"])


@given(st.binary(max_size=300))
def test_bytes_survive_being_written_as_one_line_of_plain_ascii(data):
    text = escape(data)
    assert text.isascii()
    assert text.isprintable()
    assert text == text.strip() or text.startswith(" ")
    assert unescape(text) == data


def test_what_people_know_is_written_as_they_know_it():
    assert escape(b"pH 7.01\t\\\r\n") == r"pH 7.01\t\\\r\n"
    assert escape("21 °C".encode()) == r"21 \xc2\xb0C"
    assert escape(b"ends ") == r"ends\x20"


@given(st.lists(st.tuples(st.floats(0, 1e6), ACTS, st.binary(max_size=50)), max_size=20))
def test_records_come_back_as_they_were_written(items):
    records = [
        Record(round(t_s, 6), act, data if act in {"in", "out"} else b"")
        for t_s, act, data in sorted(items, key=lambda item: item[0])
    ]
    lines = "".join(map(write_record, records)).splitlines(keepends=True)
    assert list(read_records(lines)) == records


def test_a_head_says_who_listened_and_nothing_can_break_out_of_its_lines():
    head = Head("text_lines", "pen.toml", "2026-03-01T10:00:00.000Z")
    lines = iter(write_head(head).splitlines(keepends=True))
    assert read_head(lines) == head
    assert list(lines) == []
    hostile = write_head(Head("a\n0.1 > RESET", "\x1b[31mred"))
    assert hostile.count("\n") == 4
    assert "\x1b" not in hostile


def test_comments_and_blank_lines_may_be_put_between():
    lines = ["# it starts here\n", "0.5 < a\\r\\n\n", "\n", "  # odd:\n", "0.7 lost\n"]
    assert list(read_records(lines)) == [Record(0.5, "in", b"a\r\n"), Record(0.7, "lost")]


@pytest.mark.parametrize(
    "line",
    [
        "hello",
        "< pH 7",
        "-1 < a",
        "nan < a",
        "1e3 < a",
        "1.0 = a",
        "1.0 < \\q",
        "1.0 < \\x4",
        "1.0 < µ",
        "1.0 < a\x00",
        "1.0 < " + "a" * LINE_LIMIT,
    ],
)
def test_a_line_that_is_no_record_is_named(line):
    with pytest.raises(FrameError, match="line 2"):
        list(read_records(["0.5 open\n", line]))


def test_time_that_runs_backwards_is_refused():
    with pytest.raises(FrameError, match="backwards"):
        list(read_records(["2.0 open\n", "1.0 closed\n"]))


@given(st.lists(st.text(max_size=60), max_size=30))
def test_any_text_is_read_or_refused_and_nothing_else_happens(lines):
    stream = iter(lines)
    with contextlib.suppress(FrameError):
        read_head(stream)
        list(read_records(stream))
    with contextlib.suppress(FrameError):
        list(read_records(lines))
