"""Both looks at the body of a table say what a look at every single line says, whatever stands in it."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.readers.body import careful_look, quick_look
from ingest.readers.header import find_header
from ingest.readers.rejects import Rejects
from ingest.readers.sheet import Sheet, Wanted
from ingest.sources import TextSpec, TimeSpec
from tests.property import line_by_line

HEADER = ["t", "V", "x", "P"]
TIMES = st.one_of(
    st.builds("2026-06-01T{:02d}:{:02d}:00Z".format, st.integers(0, 25), st.integers(0, 59)),
    st.sampled_from(["", "Total", "never", "# 2", "t", "2", " 2026-06-01T12:00:00Z", "²", "-"]),
)
ODD_NUMBERS = (
    "", "-", "nan", "NaN", "nAn", "-nan", "inf", "1e999", "1e-999", "0x10", "+5", "1 000", "1,5", "1.5", "1,500",
    " 7 ", "\x1c7", "\u00a07", "65535", " 65535 ", "65535.0", "ERR", "7\u2003", "5.", ".5", "1_0", "\u0663", "1.5 ",
)  # fmt: skip
WORDS = ("on", "a b", '"', 'a"b', "x'y", "é")
FRAMES = ("{}", '"{}"', ' "{}"', '"{}" ', '"{}', " {} ", '"{}"z', '""{}""', '"a\n{}"')
NUMBERS = st.one_of(
    st.floats(-1e6, 1e6).map(lambda x: f"{x:.3g}"),
    st.integers(0, 99_999).map(str),
    st.integers(0, 99_999).map(lambda n: f"{n / 100:.2f}".replace(".", ",")),
    st.sampled_from(ODD_NUMBERS),
)
CELLS = st.builds(
    lambda cell, frame: frame.format(cell), st.one_of(NUMBERS, st.sampled_from(WORDS)), st.sampled_from(FRAMES)
)
GOOD_ROWS = st.builds(
    lambda minute, v, p: [f"2026-06-01T12:{minute:02d}:00Z", f"{v / 10}", "", str(p)],
    st.integers(0, 59), st.integers(0, 999), st.integers(0, 999),
)  # fmt: skip
ODD_ROWS = st.one_of(
    st.tuples(TIMES, NUMBERS, st.sampled_from(WORDS), NUMBERS).map(list), st.lists(CELLS, max_size=6),
    st.just(HEADER), st.just([""]), GOOD_ROWS.map(lambda row: [*row, ""]), GOOD_ROWS.map(lambda r: r[:3]),
)  # fmt: skip


@st.composite
def bodies(draw: st.DrawFn) -> list[list[str]]:
    """Good rows written in one way, in which a few cells are odd, and odd rows between them."""
    rows = draw(st.lists(GOOD_ROWS, max_size=6))
    for _ in range(draw(st.integers(0, 2)) if rows else 0):
        row, place = draw(st.integers(0, len(rows) - 1)), draw(st.integers(0, 3))
        rows[row][place] = draw(CELLS if draw(st.booleans()) else (TIMES if place == 0 else NUMBERS))
    style = draw(st.sampled_from(["{}", '"{}"', "{} "]))
    rows = [[style.format(cell) for cell in row] for row in rows]
    for _ in range(draw(st.integers(0, 2))):
        rows.insert(draw(st.integers(0, len(rows))), draw(ODD_ROWS))
    return rows


def agrees(sheet: Sheet, rows: list[line_by_line.Row]) -> None:
    """The sheet holds just these rows."""
    assert [text.strip() for text in sheet.times.to_pylist()] == [row[1].strip() for row in rows]
    for name, texts in sheet.texts.items():
        assert [text.strip() for text in texts.to_pylist()] == [row[2][name] for row in rows]
    for name, values in sheet.numbers.items():
        assert line_by_line.same(values, [row[3][name] for row in rows])


def check(rows: list[list[str]], delimiter: str, missing: tuple[str, ...], *, texts: dict[str, int], end: str) -> None:
    """Read a file of these rows in all three ways."""
    data = ("\n".join(delimiter.join(row) for row in [HEADER, *rows]) + end).encode()
    if b"\n" not in data:
        return
    header = find_header(data, name="x", time="t", columns=["V", "P"], delimiter=delimiter)
    wanted = Wanted(TimeSpec(column="t", zone="UTC"), 0, texts, {"V": 1, "P": 3}, text=TextSpec(missing=missing))
    expected, aside, left_out = line_by_line.read(data, header, wanted)
    rejects = Rejects("x")
    careful = careful_look(data, header, wanted, rejects)
    agrees(careful, expected)
    assert careful.lines is not None
    assert careful.lines.tolist() == [row[0] for row in expected]
    assert {(reject.line, reject.field) for reject in rejects.result()} == aside
    assert careful.lost == sum(field in ("", "t") for _, field in aside)
    assert sum(int(note.split()[0]) for note in careful.notes) == left_out
    quick = quick_look(data, header, wanted)
    if quick is not None and all(time.strip()[:1] == "2" for time in quick.times.to_pylist()):  # else in doubt anyway
        agrees(quick, expected)
        assert not aside
        assert (quick.notes, quick.mark) == (careful.notes, careful.mark)


@settings(max_examples=150)
@given(bodies(), st.sampled_from([",", ";"]), st.booleans(), st.sampled_from(["\n", "\n", ""]))
def test_both_looks_agree_with_a_look_at_every_line(
    rows: list[list[str]], delimiter: str, with_text: bool, end: str
) -> None:
    check(rows, delimiter, (), texts={"x": 2} if with_text else {}, end=end)


@pytest.mark.parametrize("frame", FRAMES)
@pytest.mark.parametrize("with_text", [False, True])
def test_both_looks_agree_on_any_odd_cell(frame: str, with_text: bool) -> None:
    for cell in (*ODD_NUMBERS, *WORDS):
        for place in (1, 2, 3):
            rows = [["2026-06-01T12:00:00Z", "1.5", "", "2"], ["2026-06-01T12:05:00Z", "1.6", "", "3"]]
            rows[1][place] = frame.format(cell)
            missing = () if with_text else ("65535", "ERR")
            check(rows, ";", missing, texts={"x": 2} if with_text else {}, end="\n")


@pytest.mark.parametrize("last", ["", " ", "5", '"', '""', '"5"'])
@pytest.mark.parametrize("others", ["", "{0}", "{0}{0}"])
def test_both_looks_agree_on_cells_beyond_the_header(last: str, others: str) -> None:
    for style in ("{}", '"{}"'):
        rows = [[style.format(c) for c in ("2026-06-01T12:00:00Z", "1.5", "", "2")] for _ in range(3)]
        for row, beyond in zip(rows, (others, others, others and last + others), strict=True):
            row[-1] += beyond.format(";")
        rows[2][-1] += last
        check(rows, ";", (), texts={}, end="\n")
