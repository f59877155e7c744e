import io
import os
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.errors import ConfigError
from daemon.sending import process
from daemon.sending.try_ways import make_test_letter, run_try
from servers.http_post import Answer, PostServer
from servers.mail_sink import free_port
from shared.site import Bank, Place, Site, WayOut

ROOT = Path(process.__file__).parents[2]


def a_site(*ways: WayOut, name: str = "Cold Fork Ridge") -> Site:
    bank = Bank("agm", capacity_ah=24.0, cells=6, half_mark=0.5, absorb_v=14.4, float_v=13.7)
    return Site(Place(name, 37.3, -81.1), bank, ways_out={way.name: way for way in ways})


def tried(site: Site, *names: str, every: bool = False) -> tuple[int, str]:
    out = io.StringIO()
    code = run_try(site, names, every=every, secret=lambda name: "t", out=out)
    return code, out.getvalue()


def test_each_way_tells_what_became_of_it_and_the_worst_decides() -> None:
    with PostServer(judge=lambda post: Answer(422 if post.path == "/no" else 204)) as server:
        ways = (
            WayOut("board", "webhook", url=f"{server.url}/in"),
            WayOut("strict", "webhook", url=f"{server.url}/no"),
            WayOut("pager", "command", command=("/bin/sh", "-c", "exit 75")),
            WayOut("gone", "webhook", url=f"http://localhost:{free_port()}/"),
        )
        site = a_site(*ways)
        assert tried(site, "board")[0] == 0
        code, told = tried(site, "strict", "board")
        assert code == 1
        assert "strict (webhook): refused for localhost (422" in told
        code, told = tried(site, every=True)
        assert code == 3
        assert "board (webhook): taken for localhost" in told
        assert "pager (command): put off for command (/bin/sh ended with 75" in told
        assert "gone (webhook): does not work now:" in told
        assert b"TEST" in server.posts[0].body


def test_it_says_which_ones_there_are() -> None:
    site = a_site(WayOut("one", "journal"), WayOut("two", "journal"))
    for names in ((), ("three",)):
        with pytest.raises(ConfigError, match="one, two"):
            tried(site, *names)


def test_the_only_one_needs_no_name_and_a_site_without_any_tries_the_journal(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert tried(a_site(WayOut("one", "journal")))[0] == 0
    assert tried(a_site())[0] == 0
    assert capsys.readouterr().err.count("TEST") == 4


def test_no_control_byte_of_a_name_gets_into_the_letter() -> None:
    letter = make_test_letter(a_site(name="Ridge\r\nBcc: all@example.com\x1b[2J"), 0.0)
    assert all(line.isprintable() for line in (letter.site, letter.subject, letter.short, *letter.text.split("\n")))


def test_the_command_works_without_service_and_queue(tmp_path: Path) -> None:
    site = tmp_path / "site.toml"
    demo = (ROOT / "config" / "demo-site.toml").read_text()
    site.write_text(demo + '\n[way-out.pager]\nkind = "command"\ncommand = ["/bin/true"]\n')
    (tmp_path / "maps").symlink_to(ROOT / "config" / "maps")
    codes = {}
    for name in ("pager", "fax"):
        command = [sys.executable, "-m", "daemon.main", "try-way-out", name, "--site", str(site)]
        done = subprocess.run(
            command, cwd=ROOT, capture_output=True, text=True, env=os.environ | {"HOME": str(tmp_path)}
        )
        codes[name] = done.returncode
    assert codes == {"pager": 0, "fax": 2}
    assert {entry.name for entry in tmp_path.iterdir()} == {"site.toml", "maps"}
