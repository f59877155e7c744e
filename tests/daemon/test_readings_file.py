"""A file of readings: what is taken out of it, what is left out, and what is said about it."""

import gzip
from collections.abc import Mapping
from pathlib import Path

import pytest

from daemon.errors import ConfigError
from daemon.readings_file import FileRow, Oddities, ReadingsFile

HEAD = "time_s,bank_v,bank_a,panel_w\n"


def read(
    path: Path, text: str | bytes, columns: Mapping[str, str] | None = None
) -> tuple[tuple[str, ...], list[FileRow], Oddities]:
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    with ReadingsFile(path, columns) as source:
        rows = list(source.rows())
        assert source.position == source.size
        return source.quantities, rows, source.oddities


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "readings.csv"


def test_a_plain_table(path: Path) -> None:
    quantities, rows, oddities = read(path, HEAD + "10,12.5,-0.25,0\n20.5,12.4,1e0,3.5\n")
    assert quantities == ("bank_v", "bank_a", "panel_w")
    assert rows[0] == (b"10", 10.0, {"bank_v": 12.5, "bank_a": -0.25, "panel_w": 0.0}, {}, ())
    assert (rows[1].time_s, rows[1].values["bank_a"]) == (20.5, 1.0)
    assert oddities == Oddities(rows=2)
    assert oddities.words() == []


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("gzip", lambda text: gzip.compress(text)),
        ("two gzip members", lambda text: gzip.compress(text[:40]) + gzip.compress(text[40:])),
        ("dos line ends", lambda text: text.replace(b"\n", b"\r\n")),
        ("byte order mark", lambda text: b"\xef\xbb\xbf" + text),
        ("no last line end", lambda text: text.rstrip(b"\n")),
        ("blank lines", lambda text: text.replace(b"\n", b"\n\n")),
        ("quotes", lambda text: text.replace(b"12.5", b'"12.5"').replace(b"time_s", b'"time_s"')),
        ("spaces", lambda text: text.replace(b",", b" , ")),
        ("columns nobody knows", lambda text: text.replace(b"\n", b",x\n")),
    ],
)
def test_the_same_table_written_in_other_ways(path: Path, name: str, change: object) -> None:
    text = (HEAD + "10,12.5,-0.25,0\n20,12.4,-0.5,3.5\n").encode()
    assert callable(change)
    assert read(path, change(text))[:2] == read(path, text)[:2], name


def test_answers_are_not_even_kept(path: Path) -> None:
    text = "time_s,true_soc,bank_v,true_capacity_ah\n1,garbage,12.5,21\n2,0.5,12.4,21\n"
    quantities, rows, oddities = read(path, text)
    assert quantities == ("bank_v",)
    assert [set(row.values) for row in rows] == [{"bank_v"}, {"bank_v"}]
    assert oddities.words() == []
    with pytest.raises(ConfigError, match="no column with a quantity's name"):
        read(path, text, {"bank_v": "true_soc"})


def test_neither_are_estimates_of_somebody_else(path: Path) -> None:
    assert read(path, "time_s,soc_frac,bank_v\n1,0.5,12.5\n")[0] == ("bank_v",)


def test_columns_go_by_the_names_the_site_file_gives_them(path: Path) -> None:
    quantities, rows, _ = read(path, "when,volts,bank_v\n7,12.5,99\n", {"bank_v": "volts", "time_s": "when"})
    assert quantities == ("bank_v",)
    assert rows[0][:3] == (b"7", 7.0, {"bank_v": 12.5})


@pytest.mark.parametrize(
    "cell", ["", " ", "nan", "-NaN", "inf", "-Infinity", "12,5", "1_0", "0x10", "--", "\0", "zwölf"]
)
def test_a_cell_that_is_no_number_is_missing_and_its_line_is_not(path: Path, cell: str) -> None:
    _, rows, oddities = read(path, "time_s,bank_a,bank_v\n" + f"10,-1,{cell}\n".replace("12,5", '"12,5"'))
    assert rows == [(b"10", 10.0, {"bank_a": -1.0}, {}, ("bank_v",))]
    assert oddities.words() == ["cells missing, no number, or out of range: bank_v 1"]


def test_a_line_that_is_cut_off_misses_its_last_cells(path: Path) -> None:
    assert read(path, HEAD + "10,12.5\n")[1] == [(b"10", 10.0, {"bank_v": 12.5}, {}, ("bank_a", "panel_w"))]


def test_a_value_that_cannot_be_is_suspect(path: Path) -> None:
    _, rows, oddities = read(path, HEAD + "10,655.35,-0.25,0\n")
    assert rows[0].values == {"bank_a": -0.25, "panel_w": 0.0}
    assert rows[0].suspect == {"bank_v": "outside of 0 to 80 V"}
    assert oddities.cells == {"bank_v": 1}


def test_lines_that_are_not_later_or_have_no_time_are_left_out_and_told(path: Path) -> None:
    times = ["10", "20", "20", "15", "", "soon", "nan", "30"]
    _, rows, oddities = read(path, HEAD + "".join(f"{time},12.5,0,0\n" for time in times))
    assert [row.time_s for row in rows] == [10.0, 20.0, 30.0]
    assert oddities.words() == [
        "3 lines left out: no usable time in them",
        "2 lines left out: not later than the line before",
    ]


def test_one_absurd_time_does_not_hide_what_comes_after_it(path: Path) -> None:
    times = ["1700000000", "9999999999", "1700000020", "1900000000", "1900000010"]
    _, rows, _ = read(path, HEAD + "".join(f"{time},12.5,0,0\n" for time in times))
    assert [row.time_s for row in rows] == [1.7e9, 1700000020.0, 1900000010.0]


@pytest.mark.parametrize("odd", ["", "x", "1_0", "nan", "inf", "999", '"12.1"'])
def test_one_odd_line_does_not_change_the_others_of_its_block(path: Path, odd: str) -> None:
    """Blocks without one are converted by columns, so a long file is held against each line's own numbers."""
    lines = [[f"{10 * n}", f"{12.0 + n % 7 / 100:.2f}", f"{n % 11 - 5}.25", f"{n % 3}"] for n in range(1, 9001)]
    lines[4500][1] = odd
    _, rows, oddities = read(path, HEAD + "".join(",".join(line) + "\n" for line in lines))
    assert len(rows) == oddities.rows == len(lines)
    for line, row in zip(lines, rows, strict=True):
        time_s, *numbers = (float(cell) for cell in line if cell != odd)
        assert (row.time_text, row.time_s) == (line[0].encode(), time_s)
        if odd not in line:
            assert list(row.values.values()) == numbers
    assert list(rows[4500].values.values()) == ([12.1] if '"' in odd else []) + [
        float(cell) for cell in lines[4500][2:]
    ]


def test_a_packed_file_that_is_cut_off_gives_what_came_before(path: Path) -> None:
    text = HEAD + "".join(f"{n},12.{n % 97:02d},-0.{n % 89:02d},{n % 83}\n" for n in range(60_000))
    packed = gzip.compress(text.encode())
    _, rows, oddities = read(path, packed[: len(packed) // 2])
    assert 10_000 < len(rows) < 50_000
    assert rows[-1].values["bank_v"] == float(f"12.{len(rows[:-1]) % 97:02d}")
    assert oddities.cut_off is not None
    assert "ends too soon" in oddities.words()[-1]


def test_a_hole_of_zeros_is_one_lost_line_and_is_not_gathered_up(path: Path) -> None:
    """A file system that lost power leaves them where nothing had been written yet."""
    hole = bytes(3_000_000)
    _, rows, oddities = read(path, HEAD.encode() + b"10,12.5,0,0\n20,12" + hole + b"8,0,0\n40,12.4,0,0\n")
    assert [row.time_s for row in rows] == [10.0, 40.0]
    assert oddities.no_time == 1
    assert read(path, HEAD.encode() + b"10,12.5,0,0\n" + hole)[2] == Oddities(rows=1, no_time=1)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "it is empty"),
        ("bank_v,bank_a\n1,2\n", "has no column time_s.*its header has bank_v, bank_a"),
        ("time_s;bank_v\n1;2\n", "separated by commas"),
        ("time_s,volts\n1,2\n", "no column with a quantity's name.*its header has time_s, volts"),
        ("time_s,bank_v,bank_v\n1,2,3\n", "bank_v: is there 2 times"),
    ],
)
def test_a_header_that_does_not_fit(path: Path, text: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        read(path, text)


def test_a_column_of_the_site_file_that_is_not_there(path: Path) -> None:
    with pytest.raises(ConfigError, match=r"volts: has no such column, though \[replay.columns\] names it for bank_v"):
        read(path, HEAD, {"bank_v": "volts"})


def test_no_such_file(tmp_path: Path) -> None:
    for place in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(ConfigError, match="no such file"):
            ReadingsFile(place)
