"""Replay: the formats others build on, the same figures as live, and no half file whatever happens."""

import gzip
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from daemon import replay
from daemon.main import main
from daemon.replay import ESTIMATES_HEAD, ReplayFiles, run_replay
from drivers.virtual.site import VirtualSite
from shared.readings import Reading
from shared.site import Bank, Instrument, Place, Site
from shared.station import Station

START_UTC_S = 1_790_000_000.0
BANK = """
[site]
name = "Test Ridge"
latitude = 37.3
longitude = -81.1
[bank]
chemistry = "agm"
capacity_ah = 24
cells = 6
absorb_v = 14.4
float_v = 13.7
charge_v_per_k = -0.024
"""
COLUMNS = ("bank_v", "bank_a", "bank_ah_counter", "bank_c", "panel_v", "panel_w", "charge_a", "controller_c")


@pytest.fixture(scope="module")
def shown() -> list[tuple[float, dict[str, float]]]:
    """What the instruments of the simulated site showed in six hours: time and values."""
    site = VirtualSite(seed=3, start_utc_s=START_UTC_S)
    rows = []
    for step in range(1, 2161):
        site.advance(10.0)
        values: dict[str, float] = {}
        for instrument in site.observe().values():
            values |= {q: v for q, v in instrument.items() if v is not None and q in COLUMNS and q not in values}
        rows.append((START_UTC_S + 10.0 * step, values))
    return rows


@pytest.fixture
def files(tmp_path: Path) -> ReplayFiles:
    (tmp_path / "site.toml").write_text(BANK)
    names = ("site.toml", "in.csv", "estimates.csv", "events.jsonl")
    return ReplayFiles(*(tmp_path / name for name in names))


def write(path: Path, rows: list[tuple[float, dict[str, float]]], columns: tuple[str, ...] = COLUMNS) -> None:
    lines = [",".join(("time_s", *columns, "true_soc"))]
    lines += [",".join([f"{t:.0f}", *(repr(v[q]) if q in v else "" for q in columns), "0.5"]) for t, v in rows]
    path.write_text("\n".join(lines) + "\n")


def estimates(files: ReplayFiles) -> list[list[str]]:
    head, *rows = files.estimates.read_text().splitlines(keepends=True)
    assert head == ESTIMATES_HEAD
    return [row.strip().split(",") for row in rows]


def events(files: ReplayFiles) -> list[dict[str, object]]:
    return [json.loads(line) for line in files.events.read_text().splitlines()]


def test_the_figures_are_those_of_a_station_fed_live(
    files: ReplayFiles, shown: list[tuple[float, dict[str, float]]]
) -> None:
    write(files.readings, shown)
    assert run_replay(files, err=io.StringIO()) == 0
    gives = tuple(q for q in COLUMNS if q in shown[0][1])
    meter = Instrument("shunt", "line", "register-map", 10.0, measures={"bank_a": ("bank", "bank")}, gives=gives)
    bank = Bank("agm", 24.0, 6, 0.5, 14.4, 13.7, -0.024)
    station = Station(Site(Place("Test Ridge", 37.3, -81.1), bank, instruments={"shunt": meter}))
    rows = estimates(files)
    assert len(rows) == len(shown)
    for (time_s, values), row in zip(shown, rows, strict=True):
        station.take(Reading("shunt", time_s - shown[0][0], values))
        charge = station.charge
        assert row[0] == f"{time_s:.0f}"
        assert [float(cell) for cell in row[1:]] == pytest.approx(
            [
                charge.soc_frac,
                charge.soc_sigma,
                charge.capacity_ah,
                charge.capacity_sigma_ah,
                charge.shunt_offset_a,
            ],
            abs=6e-5,
        )


def test_the_start_may_be_known(files: ReplayFiles, shown: list[tuple[float, dict[str, float]]]) -> None:
    write(files.readings, shown[:2])
    run_replay(files, start_soc=0.83, err=io.StringIO())
    assert float(estimates(files)[0][1]) == pytest.approx(0.83, abs=0.005)


def test_rules_are_stepped_each_minute_of_the_files_time_and_through_a_gap(files: ReplayFiles) -> None:
    """bank-hot: raised at 45 C after 5 min, over only after a calm day; a pause of 2 min is a silent instrument."""
    rows = [(1000.0 + 10.0 * n, 46.0 if 60 <= n < 120 else 25.0) for n in range(300) if not 200 <= n < 260]
    write(files.readings, [(t, {"bank_v": 12.9, "bank_a": -0.2, "bank_c": c}) for t, c in rows])
    run_replay(files, start_soc=0.9, err=io.StringIO())
    told = [(e["time_s"], e["alert"], e["state"]) for e in events(files)]
    assert told == [
        (1000 + 600 + 300, "bank-hot", "raised"),
        (1000 + 2160, "instrument-silent:file", "raised"),
        (1000 + 2640 + 60, "instrument-silent:file", "cleared"),  # it must have answered for 30 s
    ]


def test_a_row_comes_out_for_each_that_goes_in_whatever_is_missing_in_it(files: ReplayFiles) -> None:
    files.readings.write_text(
        "time_s,bank_v,bank_a\n10,12.6,-0.1\n20,,\n30,nan,garbage\n30,12.6,-0.1\n25,12.6,-0.1\n40,12.6,-0.1\n9000,12.6,-0.1\n"
    )
    said = io.StringIO()
    assert run_replay(files, err=said) == 0
    assert [row[0] for row in estimates(files)] == ["10", "20", "30", "40", "9000"]
    assert "2 lines left out: not later" in said.getvalue()
    assert "bank_a 2, bank_v 2" in said.getvalue()


def test_without_a_shunt_the_current_is_charge_less_load(files: ReplayFiles) -> None:
    rows: list[tuple[float, dict[str, float]]] = [
        (10.0 * n, {"bank_v": 12.4 + n % 2 * 0.01, "charge_a": 1.2, "load_a": 3.6}) for n in range(1, 362)
    ]
    write(files.readings, rows, ("bank_v", "charge_a", "load_a"))
    run_replay(files, start_soc=0.8, err=io.StringIO())
    rows_out = estimates(files)
    # An hour at -2.4 A takes a tenth of 24 Ah; the estimate may lean on the voltage a little.
    assert float(rows_out[0][1]) - float(rows_out[-1][1]) == pytest.approx(0.1, abs=0.02)


def test_a_gzipped_file_and_columns_of_other_names(files: ReplayFiles) -> None:
    files.site.write_text(BANK + '[replay.columns]\ntime_s = "epoch"\nbank_v = "U"\nbank_a = "I"\n')
    files.readings.write_bytes(gzip.compress(b"epoch,U,I\n10.5,12.6,-0.1\n20.5,12.6,-0.1\n"))
    run_replay(files, err=io.StringIO())
    assert [row[0] for row in estimates(files)] == ["10.5", "20.5"]


def test_the_files_own_site_may_be_a_whole_one(files: ReplayFiles, shown: list[tuple[float, dict[str, float]]]) -> None:
    from daemon.example_files import example

    folder = files.site.parent
    files.site.write_text(example("demo-site.toml"))
    (folder / "maps").mkdir()
    for name in ("maps/example-shunt.toml", "maps/example-controller.toml"):
        (folder / name).write_text(example(name))
    write(files.readings, shown[:30])
    run_replay(files, err=io.StringIO())
    assert len(estimates(files)) == 30


# -- what can be wrong -------------------------------------------------------------------------


def command(files: ReplayFiles, *more: str) -> list[str]:
    return [
        *("replay", "--site", str(files.site), "--readings", str(files.readings)),
        *("--estimates", str(files.estimates), "--events", str(files.events), *more),
    ]


GOOD = "time_s,bank_v,bank_a\n10,12.6,-0.1\n20,12.6,-0.1\n"


@pytest.mark.parametrize(
    ("text", "more", "words"),
    [
        (None, (), "in.csv: no such file"),
        ("bank_v\n1\n", (), "no column time_s"),
        ("time_s,a,b\n1,2,3\n", (), "no column with a quantity's name"),
        ("time_s,bank_v\n1,12\n", (), "do not tell the bank current: give it a column bank_a"),
        ("time_s,bank_v,bank_a\n", (), "no line with a usable time"),
        ("time_s,bank_v,bank_a\nx,1,1\n", (), "no line with a usable time; 1 lines left out"),
        (GOOD, ("--start-soc", "50"), "--start-soc = 50.0: a share from 0 to 1"),
        (GOOD, ("--ahead", "/no/such/folder/ahead"), "/no/such/folder/ahead: can't be written"),
        (GOOD, ("--events", "/no/such/folder/events"), "/no/such/folder/events: can't be written"),
        (GOOD, ("--site", "/no/such/site.toml"), "/no/such/site.toml"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_left_behind(
    files: ReplayFiles, text: str | None, more: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    if text is not None:
        files.readings.write_text(text)
    assert main(command(files, *more)) == 2
    assert words in capsys.readouterr().err
    assert {path.name for path in files.site.parent.iterdir()} <= {"site.toml", "in.csv"}


def test_no_output_goes_over_an_input(files: ReplayFiles) -> None:
    files.readings.write_text(GOOD)
    assert main(command(files, "--estimates", str(files.readings))) == 2
    assert files.readings.read_text() == GOOD


def test_a_full_disk_is_said(files: ReplayFiles, capsys: pytest.CaptureFixture[str]) -> None:
    """/dev/full is Linux's own disk that is always full."""
    files.readings.write_text("time_s,bank_v,bank_a\n" + "".join(f"{n},12.6,-0.1\n" for n in range(5000)))
    files.estimates.with_name("estimates.csv.part").symlink_to("/dev/full")
    assert main(command(files)) == 2
    assert "can't be written: No space left" in capsys.readouterr().err
    assert not files.estimates.exists() and not files.events.exists()


def test_a_run_that_is_broken_off_leaves_the_last_one_as_it_was(
    files: ReplayFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    files.readings.write_text(GOOD)
    files.estimates.write_text("the last one\n")

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(replay._Rules, "step", interrupted)
    files.readings.write_text(GOOD + "600,12.6,-0.1\n")
    assert main(command(files)) == 1
    assert files.estimates.read_text() == "the last one\n"
    assert not list(files.site.parent.glob("*.part")) and not files.events.exists()


def test_memory_does_not_grow_with_the_file(files: ReplayFiles) -> None:
    """Peak of a process of its own: 100,000 lines may cost no more than 3 MB over 1,000."""
    peaks = []
    for count in (1_000, 100_000):
        lines = "".join(f"{10 * n},12.6,-0.{n % 10},{n / 1000:.3f}\n" for n in range(count))
        files.readings.write_text("time_s,bank_v,bank_a,bank_ah_counter\n" + lines)
        run = "import sys; from daemon.main import main; code = main(sys.argv[1:]);"
        run += "print(open('/proc/self/status').read().split('VmHWM:')[1].split()[0]); sys.exit(code)"
        root = Path(replay.__file__).parent.parent
        done = subprocess.run(
            [sys.executable, "-c", run, *command(files)], capture_output=True, text=True, check=True, cwd=root
        )
        peaks.append(int(done.stdout))
    assert peaks[1] - peaks[0] < 3_000
