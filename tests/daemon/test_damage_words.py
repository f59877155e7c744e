"""Damage met by those who read: they go on, and say how many readings of what lie between when, and what to do."""

import io
import logging
import shutil
from datetime import UTC
from pathlib import Path

import pytest

from daemon.clock import operator_anchor
from daemon.damage_words import FILE_WAY_OUT, SHOWN_MOST, WAY_OUT, damage_told, stretch_words, stretches
from daemon.daybook_sources import STATE_NAME as SOURCES
from daemon.daybook_table import AskedDaybook, run_daybook
from daemon.export import AskedExport, run_export
from daemon.history import Asked, run_history
from daemon.record import Batch, Damage, Record, RecordReader
from daemon.verify import run_verify
from servers.central_rig import Hill, times
from servers.spoilt_records import EARLIER, HOUR_S, ask, bend, break_page, chunk, fill, sealed_record

HOURS = 12.5
TURNS_MOST = 10
BEGIN_UTC_S = 1_790_000_000.0  # 2026-09-21 14:13:20 UTC
# A reading each ten seconds of the boot's first six hours, the first in its first second.
VALUES = "2,160 readings of shunt bank_v between 2026-09-21 14:13:21 and 2026-09-21 20:13:11"
POLLS = "all, at least 2,160, readings of shunt between 2026-09-21 14:13:20 and 2026-09-21 20:13:20"


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = sealed_record(tmp_path_factory.mktemp("filled") / "state", HOURS)
    record = reopened(folder)
    record.commit(Batch(anchors=[operator_anchor(0.0, BEGIN_UTC_S)], until_s=13.0 * HOUR_S))
    record.close()
    return folder


@pytest.fixture
def state(filled: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(filled, tmp_path / "state"))


def reopened(state: Path) -> Record:
    return Record.open(state, boot_id=EARLIER, elapsed_s=13.0 * HOUR_S, wall_utc_s=0.0)


def set_aside(state: Path, *places: tuple[str, int]) -> list[Damage]:
    record = reopened(state)
    moved = record.set_aside_damaged(places)
    record.close()
    return moved


def history(state: Path, *quantities: str, since: str = "2026-09-21 15:00", until: str = "2026-09-21 20:00") -> str:
    """Show some hours; five are drawn from the readings themselves. Gives what is said beside them."""
    out, err = io.StringIO(), io.StringIO()
    assert run_history(state, Asked(quantities, since, until, form="csv"), out=out, err=err) == 0
    return err.getvalue()


def export(state: Path, place: Path) -> str:
    place.unlink(missing_ok=True)
    err = io.StringIO()
    assert run_export(state, AskedExport(place), err=err) == 0
    values = [line for line in place.read_text().splitlines() if "panel_w" in line]
    assert len(values) == HOURS * 360, "what is whole is written"
    return err.getvalue()


def test_a_history_leaves_damaged_values_out_and_tells_before_and_after_they_are_set_aside(state: Path) -> None:
    both = ("shunt:bank_a", "shunt:bank_v")
    assert history(state, *both) == ""
    key = chunk(state, "shunt", "bank_v")
    bend(state, "block", key)
    assert history(state, *both) == f"damaged, left out: {VALUES} (row {key} of block)\n{WAY_OUT}\n"
    assert len(set_aside(state, ("block", key))) == 1
    assert history(state, *both) == f"set aside, damaged: {VALUES}\n"
    assert history(state, "shunt:bank_a") == "", "of another quantity nothing is missing"
    assert history(state, *both, since="2026-09-21 21:00", until="2026-09-22 01:00") == "", "nor of another time"


def test_an_export_has_everything_else_and_tells(state: Path, tmp_path: Path) -> None:
    out, key = tmp_path / "out.csv", chunk(state, "shunt", "bank_v")
    assert "damaged" not in export(state, out)
    bend(state, "block", key)
    assert f"damaged, left out: {VALUES} (row {key} of block)\n{WAY_OUT}\n" in export(state, out)
    assert len(set_aside(state, ("block", key))) == 1
    said = export(state, out)
    assert f"set aside, damaged: {VALUES}\n" in said and "left out" not in said


def test_what_is_drawn_from_minutes_lacks_nothing_when_raw_readings_do(state: Path) -> None:
    bend(state, "block", chunk(state, "shunt", None))
    whole = {"since": "2026-09-21 14:14", "until": "2026-09-22 02:00"}
    assert "damaged" not in history(state, "shunt:bank_v", **whole)
    moved = set_aside(state, ("block", chunk(state, "shunt", None)))
    assert len(moved) == 3
    assert "damaged" not in history(state, "shunt:bank_v", **whole)
    with RecordReader(state) as reader:
        assert damage_told(reader, None, None, UTC) == [f"set aside, damaged: {POLLS}"]
    ((key,),) = ask(state, "SELECT min(k) FROM minute")
    bend(state, "minute", key)
    said = history(state, "shunt:bank_v", **whole)
    assert "damaged, left out: minutes of shunt bank_v between 2026-09-21 14:13:20 and 2026-09-21 20:13:20" in said


def test_the_daybook_goes_on_and_says_which_minutes_are_gone(state: Path) -> None:
    with RecordReader(state) as reader:
        number = next(e.number for e in reader.channels() if e.quantity == "bank_a")
    ((key,),) = ask(state, "SELECT min(k) FROM minute WHERE k >> 2 & ((1 << 19) - 1) = ?", number)
    record = reopened(state)
    sources = {"currents": [["shunt", "bank_a", 1.0]], "steady_a": 0.0, "volts": ["shunt"], "heat": [], "loads": []}
    record.commit(Batch(state={SOURCES: sources}, until_s=13.0 * HOUR_S))
    record.close()
    bend(state, "minute", key)
    words = "minutes of shunt bank_a between 2026-09-21 14:13:20 and 2026-09-21 20:13:20"
    for begin in (f"damaged, left out: {words} (row {key} of minute)\n", f"set aside, damaged: {words}\n"):
        out, err = io.StringIO(), io.StringIO()
        assert run_daybook(state, AskedDaybook(form="csv"), out=out, err=err) == 0
        assert [line[:10] for line in out.getvalue().splitlines()[1:]] == ["2026-09-21", "2026-09-22"]
        assert begin in err.getvalue()
        set_aside(state, ("minute", key))


def test_many_pieces_are_told_in_a_few_sentences(state: Path) -> None:
    rows = ask(state, "SELECT k FROM tail ORDER BY k")
    for (key,) in rows:
        bend(state, "tail", key)
    with RecordReader(state) as reader:
        found = list(reader.readings("shunt"))
        assert len(found) == 12 * 360
        (one,) = stretches(reader.damage_met())
        assert stretch_words(one, reader, UTC).startswith(f"the readings of {len(rows)} commits between 2026-09-22 0")
    apart = [Damage("block", n, "values", "shunt", f"q{n}", 1, 0.0, 9.0, 5) for n in range(SHOWN_MOST + 3)]
    with RecordReader(state) as reader:
        reader.set_aside = lambda since=None, until=None: apart  # type: ignore[method-assign]
        lines = damage_told(reader, None, None, UTC)
    assert len(lines) == SHOWN_MOST + 1 and lines[-1] == "and 3 more like this: halfmark verify lists them"


def test_pages_that_cannot_be_read_leave_six_hours_out_and_the_rest_is_shown(state: Path, tmp_path: Path) -> None:
    shutil.rmtree(state)
    record = Record.open(state, boot_id=EARLIER, elapsed_s=0.0, wall_utc_s=0.0)
    record.commit(Batch(anchors=[operator_anchor(0.0, BEGIN_UTC_S)]))
    fill(record, 24.5, noise=5.0)
    record.seal_all(25.0 * HOUR_S)
    record.close()
    break_page(state, "block")
    hours = "everything between 2026-09-21 14:13:20 and 2026-09-21 20:13:20, because the file can't be read there"
    err = io.StringIO()
    assert run_export(state, AskedExport(tmp_path / "out.csv"), err=err) == 0
    assert f"damaged, left out: {hours}" in err.getvalue() and FILE_WAY_OUT in err.getvalue()
    values = [line for line in (tmp_path / "out.csv").read_text().splitlines() if "panel_w" in line]
    assert len(values) == 18.5 * 360
    out = io.StringIO()
    assert run_verify(state, out=out, err=io.StringIO()) == 1
    assert "unread: rows of block from key " in out.getvalue() and FILE_WAY_OUT in out.getvalue()


# -- the copy to the central store ---------------------------------------------------------------


def test_the_copy_goes_past_pages_that_cannot_be_read(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    hill = Hill(tmp_path)
    fill(hill.record, 24.5, noise=5.0)
    hill.record.seal_all(25.0 * HOUR_S)
    hill.record.close()
    break_page(tmp_path / "state", "block")
    with caplog.at_level(logging.WARNING, "halfmark.send"):
        for _ in range(TURNS_MOST):
            hill.turn()
            if not hill.copy.waits:
                break
        hill.turn()
    assert sum("instrument=controller" in line for line in hill.link.taken) == 18.5 * 360
    told = [line for line in caplog.messages if "left out" in line]
    assert len(told) == 1 and "because the file can't be read there" in told[0]
    assert hill.state()["failing_since_s"] is None
    hill.close()


@pytest.mark.parametrize("first", ["met by the copy", "set aside before"])
def test_the_copy_goes_past_damage_says_so_once_and_never_tries_it_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, first: str
) -> None:
    hill = Hill(tmp_path)
    state = tmp_path / "state"
    fill(hill.record, 13.0)
    hill.record.seal_all(14.0 * HOUR_S)
    key = chunk(state, "shunt", None)
    bend(state, "block", key)
    if first == "set aside before":
        assert len(hill.record.set_aside_damaged([("block", key)])) == 3
    with caplog.at_level(logging.WARNING, "halfmark.send"):
        for _ in range(TURNS_MOST):
            hill.turn()
            if not hill.copy.waits:
                break
        hill.turn()
        hill.turn()
    of_shunt = [line for line in hill.link.taken if "instrument=shunt" in line]
    assert len(of_shunt) == 7 * 360 and times(of_shunt)[0] == 6 * 3600 + 1, "the other hours are there"
    assert sum("instrument=controller" in line for line in hill.link.taken) == 13 * 360
    told = [line for line in caplog.messages if "left out" in line]
    assert len(told) == 1 and "readings of shunt between 2026-05-28" in told[0]
    assert (f"row {key} of block" in told[0] and WAY_OUT in told[0]) == (first == "met by the copy")
    assert hill.state()["failing_since_s"] is None and hill.state()["waiting_commits"] == 0
    hill.close()
