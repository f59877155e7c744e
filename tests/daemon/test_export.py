"""Export: every value in a form others can read, and one and the same file however often it was broken off."""

import csv
import io
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import daemon.export
from daemon.clock import operator_anchor
from daemon.errors import ConfigError
from daemon.export import AskedExport, run_export
from daemon.main import main
from daemon.record import Batch, Record, RecordReader
from servers.invented_past import START_UTC_S, boot_name, make_past
from shared.readings import Reading

ROOT = Path(daemon.export.__file__).parent.parent


def export(store: Path, out: Path, **asked: object) -> str:
    said = io.StringIO()
    assert run_export(store, AskedExport(out, **asked), err=said) == 0  # type: ignore[arg-type]
    *progress, last = said.getvalue().partition("export: 100 %\n")
    assert all(line.startswith("export: ") for line in progress[0].splitlines())
    return last


def rows(out: Path) -> list[dict[str, str]]:
    with out.open(newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """Two boots, the second without a date, with a suspect value, a missing one and an awkward name."""
    folder = tmp_path / "record"
    for number in (1, 2):
        record = Record.open(folder, boot_id=boot_name(number), elapsed_s=0.0, wall_utc_s=START_UTC_S)
        batch = Batch(state={"picture": {"site": "Cold Fork, Ridge"}})
        if number == 1:
            batch.anchors.append(operator_anchor(0.0, START_UTC_S))
        for n in range(50):
            batch.readings.append(Reading("shunt", 10.0 + n, {"bank_v": 12.5 + n / 1000.0, "bank_a": -0.25}))
            if n % 10 == 0:
                suspect, missing = {"controller_c": 'reads "999", too much'}, ("panel_w",)
                batch.readings.append(Reading("my, meter", 10.5 + n, {"panel_v": 18.0}, suspect, missing))
        batch.until_s = 70.0
        record.commit(batch)
        record.close()
    return folder


def test_csv_has_every_value_and_every_reason(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    assert export(site, out) == f"{out}: 230 lines written\nboot 2 has no date: after 2026-09-21 14:14Z\n"
    found = rows(out)
    assert len(found) == 2 * (50 * 2 + 5 * 3)
    assert found[0] == {
        "time_utc": "2026-09-21T14:13:30.000Z",
        "boot": "1",
        "at_s": "10.000",
        "instrument": "shunt",
        "quantity": "bank_v",
        "value": "12.5",
        "unit": "V",
        "why_not": "",
    }
    meter = [row for row in found if row["instrument"] == "my, meter"][:3]
    assert [(row["quantity"], row["value"], row["why_not"]) for row in meter] == [
        ("panel_v", "18.0", ""),
        ("controller_c", "", 'reads "999", too much'),
        ("panel_w", "", "missing"),
    ]
    assert {row["time_utc"] for row in found if row["boot"] == "2"} == {""}


# Line protocol reference page: measurement[,tag=value...] field=value[,...] [time]; comma, equals sign and space of a
# tag escaped by a backslash, the time in ns unless said otherwise.
LINE = re.compile(r"halfmark(,[a-z]+=(\\[ ,=]|[^ ,=\\])+)+ [a-z_]+=-?[0-9.e-]+(,[a-z_]+=-?[0-9.e-]+)* \d{19}")


def test_lines_are_those_of_the_published_protocol_and_undated_readings_are_told(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.lp"
    said = export(site, out, format="lines")
    assert f"{out}: 55 lines written\n" in said
    assert "55 readings left out: no trusted clock has dated them" in said
    lines = out.read_text().splitlines()
    assert all(LINE.fullmatch(line) for line in lines)
    head = r"halfmark,instrument=shunt,site=Cold\ Fork\,\ Ridge"
    assert lines[0] == head + " bank_v=12.5,bank_a=-0.25 1790000010000000000"


@pytest.mark.parametrize("form", ["csv", "lines"])
def test_a_file_cut_anywhere_is_brought_to_the_same_end(site: Path, tmp_path: Path, form: str) -> None:
    whole = tmp_path / "whole"
    export(site, whole, format=form)
    text = whole.read_bytes()
    for length in [*range(0, 200), *range(200, len(text), 97), len(text) - 1, len(text)]:
        part = tmp_path / "part"
        part.write_bytes(text[:length])
        export(site, part, format=form)
        assert part.read_bytes() == text, length


@pytest.mark.parametrize("form", ["csv", "lines"])
def test_what_came_in_since_is_added(tmp_path: Path, form: str) -> None:
    store = make_past(tmp_path / "record", hours=1.0)
    out, whole = tmp_path / "out", tmp_path / "whole"
    export(store, out, format=form, until="2026-09-21 14:40")
    before = out.read_bytes()
    assert export(store, out, format=form).startswith(f"{out}: ")
    export(store, whole, format=form)
    assert out.read_bytes() == whole.read_bytes()
    assert 0 < len(before) < len(whole.read_bytes())
    assert export(store, out, format=form) == f"{out}: 0 lines added\n"
    assert export(store, out, format=form, until="2026-09-21 14:20") == f"{out}: 0 lines added\n"
    assert out.read_bytes() == whole.read_bytes()


def test_since_and_until(tmp_path: Path) -> None:
    store = make_past(tmp_path / "record", hours=2.0)
    out = tmp_path / "out.csv"
    export(store, out, since="2026-09-21 15:00", until="2026-09-21 15:10")
    assert [row["time_utc"][11:16] for row in rows(out)] == [f"15:0{n}" for n in range(10)]


def test_a_reading_that_was_stored_late_is_neither_lost_nor_doubled(tmp_path: Path) -> None:
    """It is stored after newer ones, so it stands after them in the record and in the file."""
    folder, out, whole = tmp_path / "record", tmp_path / "out.csv", tmp_path / "whole.csv"
    record = Record.open(folder, boot_id=boot_name(1), elapsed_s=0.0, wall_utc_s=START_UTC_S)
    record.commit(Batch(readings=[Reading("shunt", 100.0 + n, {"bank_v": 12.5}) for n in range(5)], until_s=110.0))
    export(folder, out)
    late = [Reading("shunt", 99.0, {"bank_v": 12.4}), Reading("shunt", 111.0, {"bank_v": 12.3})]
    record.commit(Batch(readings=late, until_s=112.0))
    record.close()
    export(folder, out)
    export(folder, whole)
    assert out.read_bytes() == whole.read_bytes()
    assert len(rows(out)) == 7


def test_killed_in_the_middle_and_begun_again(tmp_path: Path) -> None:
    """kill -9 while it writes; the same command brings the file to the end that an undisturbed one has."""
    folder, out, whole = tmp_path / "record", tmp_path / "out.csv", tmp_path / "whole.csv"
    record = Record.open(folder, boot_id=boot_name(1), elapsed_s=0.0, wall_utc_s=START_UTC_S)
    batch = Batch(anchors=[operator_anchor(0.0, START_UTC_S)])
    values = {"bank_v": 12.5, "bank_a": -0.25, "bank_c": 20.0, "panel_v": 18.0, "panel_w": 3.0}
    for n in range(1, 60_001):
        batch.readings.append(Reading("shunt", float(n), values))
        if n % 3000 == 0:
            batch.until_s = float(n)
            record.commit(batch)
            batch = Batch()
    record.close()
    command = [sys.executable, "-m", "daemon.main", "export", "--store", str(folder), "--out", str(out)]
    child = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.DEVNULL)
    until_s = time.monotonic() + 30.0
    while (not out.exists() or out.stat().st_size < 1_000_000) and child.poll() is None:
        assert time.monotonic() < until_s
    child.send_signal(signal.SIGKILL)
    assert child.wait() == -signal.SIGKILL, "it was done before it was killed"
    size = out.stat().st_size
    said = export(folder, out)
    export(folder, whole)
    assert 1_000_000 <= size < whole.stat().st_size
    assert out.read_bytes() == whole.read_bytes()
    assert "lines added" in said


@pytest.mark.parametrize(
    "text", ["somebody's diary\n", "time_s,bank_v\n1,2\n", "halfmark,site=x bank_v=1.0 1790000010000000000\n"]
)
@pytest.mark.parametrize("form", ["csv", "lines"])
def test_a_file_of_somebody_else_is_left_alone(site: Path, tmp_path: Path, form: str, text: str) -> None:
    out = tmp_path / "out"
    out.write_text(text)
    with pytest.raises(ConfigError, match="name another file"):
        export(site, out, format=form)
    assert out.read_text() == text


def test_an_export_of_another_record_is_left_alone(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    export(site, out)
    text = out.read_bytes()
    other = make_past(tmp_path / "other", hours=1.0, values=[("meter", "bank_v", lambda at_s: 12.0)])
    with pytest.raises(ConfigError, match="name another file"):
        export(other, out)
    assert out.read_bytes() == text


def test_errors_are_said(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = ["export", "--store", str(site), "--out"]
    assert main([*command, str(tmp_path / "none" / "out.csv")]) == 2
    assert "can't be written: No such file or directory" in capsys.readouterr().err
    assert main([*command, "/dev/full"]) == 2  # no file of ours, and it has no end
    assert "name another file" in capsys.readouterr().err
    assert main(["export", "--store", str(tmp_path / "none.db"), "--out", str(tmp_path / "out.csv")]) == 3
    assert not (tmp_path / "out.csv").exists()


def test_the_record_is_only_read(site: Path, tmp_path: Path) -> None:
    before = (site / "record.db").read_bytes()
    export(site, tmp_path / "out.csv")
    assert (site / "record.db").read_bytes() == before
    with RecordReader(site) as reader:
        assert reader.newest_s() == (2, 70.0)


def test_a_disk_that_fills_up_is_told_and_the_file_is_ended_later(site: Path, tmp_path: Path) -> None:
    out, whole = tmp_path / "out.csv", tmp_path / "whole.csv"
    run = "import resource, signal, sys; from daemon.main import main; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
    run += "resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000)); sys.exit(main(sys.argv[1:]))"
    command = [sys.executable, "-c", run, "export", "--store", str(site), "--out", str(out)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "out.csv: can't be written: File too large" in done.stderr
    assert out.stat().st_size == 5000
    export(site, out)
    export(site, whole)
    assert out.read_bytes() == whole.read_bytes()
