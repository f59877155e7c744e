"""Ways out by webhook and by command, as the site file has them."""

import shutil
from pathlib import Path

from daemon.configuration import load_site
from daemon.site_summary import summary
from shared.site import WayOut

CONFIG = Path(__file__).parents[2] / "config"

WAYS_OUT = """
[way-out.board]
kind = "webhook"
url = "https://board.example.org/in?room=1"
secret = "board-token"
least = "act"
[way-out.pager]
kind = "command"
command = ["/usr/local/bin/call-out", "--to", "$(reboot)", "--to", "second shift"]
[way-out.gateway]
kind = "webhook"
url = "http://127.0.0.1:8080/notice"
secret = "gateway-token"
"""


def test_the_keys_arrive_as_written(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text((CONFIG / "demo-site.toml").read_text() + WAYS_OUT)
    shutil.copytree(CONFIG / "maps", tmp_path / "maps")
    site = load_site(file)
    board = WayOut("board", "webhook", url="https://board.example.org/in?room=1", secret="board-token", least="act")
    words = ("/usr/local/bin/call-out", "--to", "$(reboot)", "--to", "second shift")
    assert site.ways_out["board"] == board
    assert site.ways_out["pager"] == WayOut("pager", "command", command=words)
    assert site.ways_out["gateway"].url == "http://127.0.0.1:8080/notice", "this computer's own is no open line"
    told = " ".join(summary(site).split())
    assert "webhook to https://board.example.org/in?room=1, only act and above" in told
    assert "command: /usr/local/bin/call-out --to $(reboot) --to second shift" in told
