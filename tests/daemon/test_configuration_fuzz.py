"""Whatever is done to a right site file: it gives a whole site or says what is wrong, nothing else."""

import math
import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.configuration import load_maps, load_replay_site, load_site
from daemon.errors import MISTAKE_SHOWN_MAX, ConfigError
from shared.site import Site
from shared.wiring import bank_current_plan, mistakes, sources

CONFIG = Path(__file__).parents[2] / "config"
SOURCES = [path.read_text(encoding="utf-8") for path in sorted(CONFIG.glob("*.toml"))]
# tmp_path is one folder for all examples of a test: each of them writes the file anew.
FUZZ = settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

VALUES = st.sampled_from(
    [
        *("true", "false", "nan", "-nan", "inf", "-inf", "0", "-1", "1", "6", "247", "248", "1e308", "-0.0", "0x7f"),
        *("[]", "{}", "[[1]]", "[1, 'a']", "{ a = 1 }", "{ bank_a = 'bank' }", "{ charge_a = 'controller-bank' }"),
        *("''", "'a'", "'bank'", "'bank-loads'", "'controller-bank'", "'-'", "'shunt'", "'lifepo4'", "'none'"),
        *("2024-01-01", "07:32:00", "1979-05-27T07:32:00Z", '"\\u0000"', '"\\u202e"', '"\\U0001F600"', "9" * 400),
        *("'maps/example-shunt.toml'", "'maps/example-controller.toml'", "'../config'", "'/dev/null'", "'/'"),
    ]
)
WORDS = st.sampled_from(
    ["site", "bank", "line", "instrument", "load", "alert", "way-out", "prefer", "record", "bank_v", "x", "''", "a.b"]
)


@st.composite
def mutated_rows(draw: st.DrawFn) -> str:
    """A right file with some rows given other values or keys, left out, doubled or moved."""
    rows = draw(st.sampled_from(SOURCES)).splitlines()
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, len(rows) - 1))
        match draw(st.sampled_from(["value", "key", "table", "drop", "double", "move"])):
            case "value":
                value = draw(VALUES)
                rows[at] = re.sub(r"= .*", lambda _, v=value: f"= {v}", rows[at], count=1)  # type: ignore[misc]
            case "key":
                rows[at] = re.sub(r"^\w+", draw(WORDS), rows[at], count=1)
            case "table":
                rows[at] = f"[{draw(WORDS)}.{draw(WORDS)}]"
            case "drop":
                rows.pop(at)
            case "double":
                rows.insert(at, rows[at])
            case "move":
                rows.insert(draw(st.integers(0, len(rows) - 1)), rows.pop(at))
    return "\n".join(rows)


@st.composite
def mutated_bytes(draw: st.DrawFn) -> bytes:
    """A right file with bytes put in, taken out and changed."""
    data = bytearray(draw(st.sampled_from(SOURCES)).encode())
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data) - 1))
        gone = draw(st.integers(0, 8))
        data[at : at + gone] = draw(st.binary(max_size=8))
    return bytes(data)


def judge(path: Path) -> Site | None:
    """Load it both ways; only a whole site or a telling error may come of it."""
    made: list[Site | None] = []
    for load in (load_site, load_replay_site):
        try:
            made.append(load(path))
        except ConfigError as why:
            assert why.mistakes
            for mistake in why.mistakes:
                assert mistake.allowed
                assert str(mistake).isprintable()
                assert len(str(mistake)) <= MISTAKE_SHOWN_MAX
            made.append(None)
    live, replay = made
    if live is not None:
        assert replay == live
        whole(live)
    return live


def whole(site: Site) -> None:
    assert mistakes(site) == []
    bank_current_plan(site)
    assert all(math.isfinite(v) for v in (site.place.latitude, site.bank.capacity_ah, site.bank.charge_v_per_k))
    assert set(load_maps(site)) == set(site.instruments)
    assert set(site.prefer) <= set(sources(site)) | {"bank_a", "bank_ah_counter"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "maps").symlink_to(CONFIG / "maps")
    return tmp_path


@FUZZ
@given(text=mutated_rows())
def test_changed_rows_give_a_site_or_mistakes(folder: Path, text: str) -> None:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    judge(path)


@FUZZ
@given(data=mutated_bytes())
def test_changed_bytes_give_a_site_or_mistakes(folder: Path, data: bytes) -> None:
    path = folder / "site.toml"
    path.write_bytes(data)
    judge(path)


@settings(FUZZ, max_examples=100)
@given(data=st.binary(max_size=200))
def test_noise_is_never_a_site(folder: Path, data: bytes) -> None:
    path = folder / "site.toml"
    path.write_bytes(data)
    assert judge(path) is None


@pytest.mark.parametrize("text", SOURCES, ids=[path.stem for path in sorted(CONFIG.glob("*.toml"))])
def test_what_the_fuzz_starts_from_is_right(folder: Path, text: str) -> None:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    assert judge(path) is not None
