"""All sites at a glance: from a server that answers as published, and from a real one without Flux."""

import io
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from daemon.central_sites import Point, SiteLook, flux_query, fold, load_central, look, read_annotated_csv
from daemon.errors import ConfigError, ServiceError
from daemon.screens.lettering import columns
from daemon.screens.sites_table import reserve_words, run_sites, table
from daemon.sending.central_lines import LineMaker
from daemon.sending.central_link import CentralLink
from servers.http_post import Answer, PostServer
from servers.letters import HOSTILE
from servers.line_protocol_server import LineProtocolServer
from servers.mail_sink import free_port
from servers.sites import write_site
from shared.readings import Reading
from shared.site import Central

ROOT = Path(__file__).parents[2]
NOW_UTC_S = 1_780_003_600.0  # 2026-05-28 21:26:40 UTC

# The form is that of the published description of annotated CSV: annotations, an empty first column, tables
# with other columns parted by empty lines. Times and values are invented.
ANSWER = """\
#group,false,false,true,true,false,false,true,true,true,true\r
#datatype,string,long,dateTime:RFC3339,dateTime:RFC3339,dateTime:RFC3339,double,string,string,string,string\r
#default,_result,,,,,,,,,\r
,result,table,_start,_stop,_time,_value,_field,_measurement,instrument,site\r
,,0,2026-04-28T21:26:40Z,2026-05-28T21:26:40Z,2026-05-28T21:26:30Z,0.71,soc_frac,halfmark,halfmark,Cold Fork Ridge\r
,,1,2026-04-28T21:26:40Z,2026-05-28T21:26:40Z,2026-05-28T21:26:30.5Z,0.03,soc_sigma,halfmark,halfmark,Cold Fork Ridge\r
,,2,2026-04-28T21:26:40Z,2026-05-28T21:26:40Z,2026-05-28T21:26:35Z,12.9,bank_v,halfmark,shunt,"Hill, North"\r
\r
#group,false,false,true,true,false,false,true,true,true\r
#datatype,string,long,dateTime:RFC3339,dateTime:RFC3339,dateTime:RFC3339,double,string,string,string\r
#default,_result,,,,,,,,\r
,result,table,_start,_stop,_time,_value,_field,_measurement,site\r
,,3,2026-04-28T21:26:40Z,2026-05-28T21:26:40Z,2026-05-28T21:20:00Z,0.5,half_mark,halfmark_site,Cold Fork Ridge\r
\r
"""


def halfmark(field: str, value: float, site: str = "A", utc_s: float = NOW_UTC_S - 60.0) -> Point:
    return Point("halfmark", field, {"site": site, "instrument": "halfmark"}, utc_s, value)


def alert(name: str, standing: float, severity: float, utc_s: float, site: str = "A") -> list[Point]:
    tags = {"site": site, "alert": name}
    return [
        Point("halfmark_alert", field, tags, utc_s, value)
        for field, value in (("standing", standing), ("severity", severity), ("limit", 0.5))
    ]


def test_the_published_form_is_read() -> None:
    points = list(read_annotated_csv(ANSWER))
    assert points[1] == Point(
        "halfmark", "soc_sigma", {"instrument": "halfmark", "site": "Cold Fork Ridge"}, NOW_UTC_S - 9.5, 0.03
    )
    north, ridge = sorted(fold(points), key=lambda one: one.name, reverse=True)
    assert north == SiteLook("Hill, North", None, None, None, (), NOW_UTC_S - 5.0)
    assert ridge == SiteLook("Cold Fork Ridge", 0.71, 0.03, 0.5, (), NOW_UTC_S - 9.5)
    assert list(read_annotated_csv("\r\n")) == []


@pytest.mark.parametrize("text", ["<html>no</html>", ",result,table\n,,1\n", "error,reference\nno such bucket,897\n"])
def test_another_answer_is_not_taken_for_one(text: str) -> None:
    with pytest.raises(ValueError):
        list(read_annotated_csv(text))


def test_an_alert_stands_if_it_is_newer_than_the_site_s_own_word_or_told_with_it() -> None:
    told = Point("halfmark_site", "half_mark", {"site": "A"}, 1000.0, 0.5)
    points = [
        told,
        *alert("told-again", 1.0, 2.0, 1000.0),
        *alert("raised-since", 1.0, 3.0, 1100.0),
        *alert("cleared", 0.0, 3.0, 1200.0),
        *alert("cleared-where-nobody-saw-it", 1.0, 3.0, 900.0),
    ]
    (one,) = fold(points)
    assert one.alerts == (("raised-since", "urgent"), ("told-again", "act"))


def test_the_site_that_needs_somebody_most_comes_first() -> None:
    points: list[Point] = []
    for site, soc_frac in (("full", 0.95), ("low", 0.52), ("urgent", 0.8), ("advice", 0.6)):
        points += [halfmark("soc_frac", soc_frac, site), Point("halfmark_site", "half_mark", {"site": site}, 5.0, 0.5)]
    points += [*alert("x", 1.0, 3.0, 10.0, "urgent"), *alert("x", 1.0, 1.0, 10.0, "advice")]
    assert [one.name for one in fold(points)] == ["urgent", "advice", "low", "full"]


LOOKS = (
    SiteLook("Cold Fork Ridge", 0.47, 0.03, 0.5, (("below-half-mark", "urgent"), ("x", "advice")), NOW_UTC_S - 40.0),
    SiteLook("Tall Pine", 0.91, 0.02, 0.5, (), NOW_UTC_S - 3 * 86_400.0),
    SiteLook("A hill with a name far longer than any column has room for", None, None, None, (), None),
)


def test_the_table_at_eighty_columns() -> None:
    lines = list(table(LOOKS, NOW_UTC_S, 80))
    assert lines == [
        "site                 reserve              worst alert                   data",
        "Cold Fork Ridge      47 +-6 %, 3 BELOW    URGENT below-half-mark (+1)   40 s",
        "Tall Pine            91 +-4 %, 41 above   none                          OLD 3d",
        "A hill with a name.. not known            none                          NONE",
    ]


def test_the_table_at_forty_columns() -> None:
    assert list(table(LOOKS[:2], NOW_UTC_S, 40)) == [
        "Cold Fork Ridge                     40 s",
        "  47 +-6 %, 3 BELOW",
        "  URGENT below-half-mark (+1)",
        "Tall Pine                         OLD 3d",
        "  91 +-4 %, 41 above",
        "  none",
    ]
    assert reserve_words(SiteLook("A", 0.5, None, None, (), None)) == "50 %"


@pytest.mark.parametrize("width", [20, 40, 70, 80, 200])
def test_no_line_is_wider_than_the_terminal_and_no_name_moves_the_cursor(width: int) -> None:
    points: list[Point] = []
    for text in HOSTILE:
        points += [halfmark("soc_frac", 0.5, text), *alert(text, 1.0, 9.0, NOW_UTC_S, text)]
    for line in table(fold(points), NOW_UTC_S, width):
        assert columns(line) <= width
        assert line.isprintable()
    assert list(table([], NOW_UTC_S, width))[0].startswith("The central store")


def test_a_bucket_s_name_can_t_leave_its_quotes() -> None:
    assert flux_query('a"b\\c${d}').startswith('from(bucket: "a\\"b\\\\c\\${d}") |> range(start: -30d)')


def test_asked_with_flux_over_http(tmp_path: Path) -> None:
    with PostServer([Answer(200, body=ANSWER.encode()), Answer(200, body=ANSWER.encode())]) as server:
        file = tmp_path / "central.toml"
        file.write_text(f'[central]\nurl = "{server.url}/influx/"\norg = "the hill"\nbucket = "sites"\n')
        out = io.StringIO()
        assert run_sites(file, secrets=tmp_path, secret=None, via="flux", form="json", out=out) == 0
        assert {one["site"] for one in json.loads(out.getvalue())} == {"Cold Fork Ridge", "Hill, North"}
        look(load_central(file), "t0ken")
        first, second = server.posts
    assert (first.path, first.query) == ("/influx/api/v2/query", {"org": ["the hill"]})
    assert first.body.decode() == flux_query("sites")
    assert first.headers["content-type"] == "application/vnd.flux"
    assert "authorization" not in first.headers
    assert second.headers["authorization"] == "Token t0ken"


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (Answer(401), "token may not read"),
        (Answer(404), "org and bucket"),
        (Answer(302, {"Location": "http://192.0.2.1/"}), "302"),
        (Answer(200, body=b"<html>"), "--via metrics"),
        (Answer(200, body=b"error,reference\nno such bucket,897\n"), "no such bucket"),
        (Answer(does="close"), "can't be asked"),
    ],
)
def test_what_goes_wrong_is_told_with_a_way_out(answer: Answer, words: str) -> None:
    with PostServer([answer]) as server, pytest.raises(ServiceError, match=words):
        look(Central(server.url, "o", "b"), "t")


def test_nobody_there_is_told() -> None:
    with pytest.raises(ServiceError, match="refused"):
        look(Central(f"http://127.0.0.1:{free_port()}", "o", "b"), "t")


@pytest.mark.parametrize("text", ["", "[central]\nurl = 'http://a.example.org'\n", "central = 1\n"])
def test_a_file_without_a_central_store_is_told(tmp_path: Path, text: str) -> None:
    file = tmp_path / "central.toml"
    file.write_text(text)
    with pytest.raises(ConfigError, match="central"):
        load_central(file)


def test_two_sites_at_the_real_server_as_the_command_prints_them(tmp_path: Path) -> None:
    now_ms = round(time.time() * 1000.0)
    lines: list[str] = []
    for name, soc_frac in (("Cold Fork Ridge", 0.47), ("Hill, North=1", 0.8)):
        maker = LineMaker(name)
        reading = Reading("halfmark", 0.0, {"soc_frac": soc_frac, "soc_sigma": 0.03})
        for back_ms in (7_200_000, 20_000):
            lines += [line for line in (maker.reading(reading, now_ms - back_ms),) if line]
        lines += [maker.site({"half_mark": 0.5, "standing": 1.0, "worst": 3.0}, now_ms - 30_000) or ""]
    ridge = LineMaker("Cold Fork Ridge")
    lines += [ridge.alert("below-half-mark", standing=True, severity="urgent", numbers={}, ms=now_ms - 30_000)]
    lines += [ridge.alert("controller-hot", standing=True, severity="urgent", numbers={}, ms=now_ms - 90_000)]
    with LineProtocolServer(tmp_path / "server") as server:
        CentralLink(Central(server.url, "hill", "sites"), "t0ken").post(lines)
        server.export("halfmark")  # so that it has written them
        site = write_site(tmp_path, central=server.url)
        command = [sys.executable, "-m", "daemon.main", "sites", str(site), "--secrets", str(tmp_path / "secrets")]
        done = subprocess.run(
            [*command, "--via", "metrics", "--plain"],
            cwd=ROOT, capture_output=True, text=True, env=os.environ | {"COLUMNS": "80"},
        )  # fmt: skip
        flux = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    head, first, second = done.stdout.splitlines()
    assert first.startswith("Cold Fork Ridge      47 +-6 %, 3 BELOW    URGENT below-half-mark        ")
    assert second.startswith("Hill, North=1        80 +-6 %, 30 above   none ")
    assert (flux.returncode, "--via" in flux.stderr) == (3, True), "this server knows no Flux"
